"""What the measured lock curve is: parameters with intervals, points, and what only bounds it."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # a logbook lists its preloads without numpy
    from analyzer.arrays import FloatArray


@dataclass(frozen=True)
class Interval:
    """A value with its 95 % interval; `value` is None where the log carries only a bound, each with a reason."""

    value: float | None
    lower: float | None
    upper: float | None
    reason: str | None = None


@dataclass(frozen=True)
class CurvePoint:
    """Locking torque at one input torque (N.m). kind `measured`, `bound` (only lower_Nm) or `none`."""

    input_torque_Nm: float
    locking_torque_Nm: float | None
    lower_Nm: float | None
    upper_Nm: float | None
    kind: str


@dataclass(frozen=True)
class LockCurveEstimate:
    """Measured lock curve M(T) = M0 + slope * max(0, |T| - hold) by side.

    Attributes
    ----------
    method : how it was had, one line.
    parameters : `preload_Nm`, `drive_slope`, `drive_hold_Nm`, `coast_slope`, `coast_hold_Nm` -> Interval.
    drive_supported, coast_supported : slipping samples cover enough of the side to measure it.
    points : 40 or more, from -0.3 to 1.0 of the largest input torque.
    replicates : (k, 5) parameter draws in the order above, sampling and nuisance uncertainty together.
    budget : source of uncertainty -> share of the variance, per parameter.
    slipping_count, locked_count : samples used.
    """

    method: str
    parameters: dict[str, Interval]
    drive_supported: bool
    coast_supported: bool
    points: tuple[CurvePoint, ...]
    replicates: "FloatArray"
    budget: dict[str, dict[str, float]]
    slipping_count: int
    locked_count: int
