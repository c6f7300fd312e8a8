"""What a reader must know about a prediction, as records; `presentation.prediction_words` makes sentences of them."""

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class NeverSlips:
    """It is a spool."""


@dataclass(frozen=True)
class LockPercentages:
    """A data sheet's lock percentages are taken as the ramps' share."""


@dataclass(frozen=True)
class PositionOpen:
    """The file does not say where the preload springs sit: where the ramps of one side come in (N.m of input torque),
    by either place."""

    side: Literal["drive", "coast"]
    between_rings_Nm: float
    outside_packs_Nm: float


@dataclass(frozen=True)
class BenchStateOpen:
    """The file does not say whether the plates of the bench reading stood or turned."""


@dataclass(frozen=True)
class BenchOfStartingPlates:
    """Sliding plates hold `static_ratio` times less than the starting ones of the bench reading."""

    static_ratio: float


@dataclass(frozen=True)
class PreloadsDiffer:
    """Bench and springs say different preloads (N.m)."""

    bench_Nm: float
    springs_Nm: float


@dataclass(frozen=True)
class ShimsLeftOut:
    """The preload is the bench reading, so shims and wear do not enter."""


@dataclass(frozen=True)
class MoreShim:
    """What a tenth of a millimetre more shim per pack does to the preload (N.m)."""

    by_tenth_mm_Nm: float


@dataclass(frozen=True)
class CoastLocksHarder:
    """The coast ramp clamps harder than the drive ramp."""


@dataclass(frozen=True)
class SpringsOnTheSameRings:
    """Preload springs and ring springs may push on the same rings against each other."""


@dataclass(frozen=True)
class SelfLocking:
    """With this pin friction a ramp would not let go again."""


@dataclass(frozen=True)
class PinFriction:
    """What pin friction makes of the drive slope, relative: less while the torque rises, more while it falls."""

    coefficient: float
    less: float
    more: float


@dataclass(frozen=True)
class KeptSentence:
    """What an earlier version kept as a sentence."""

    text: str


Note = (
    NeverSlips
    | LockPercentages
    | PositionOpen
    | BenchStateOpen
    | BenchOfStartingPlates
    | PreloadsDiffer
    | ShimsLeftOut
    | MoreShim
    | CoastLocksHarder
    | SpringsOnTheSameRings
    | SelfLocking
    | PinFriction
    | KeptSentence
)
