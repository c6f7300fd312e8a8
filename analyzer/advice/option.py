"""What a piece of advice consists of."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analyzer.advice.builds import Build
from analyzer.advice.calibration import SideCalibration
from analyzer.analysis import Analysis
from analyzer.lockcurve.estimate import Interval

Cure = Literal["spin", "entry"]
CURES: tuple[Cure, ...] = ("spin", "entry")


@dataclass(frozen=True)
class Option:
    """One build and what it would have done on the logged laps.

    Attributes
    ----------
    build : its parts and predicted lock curve.
    lock_curve : (5,) lock curve that was replayed, best estimate.
    outcome : name of the outcome -> value with its 95 % interval; no interval where the build was not drawn.
    change : the same, minus what is fitted; the interval is that of the difference, draw by draw.
    on_front : no other build is better both in spin and in moment against the turn.
    rank : 1 to 3 for the advised ones.
    sure : probability that it takes away a fifth of what is to be cured, or more, given the assumptions.
    why, hangs_on : sentences, for the advised ones.
    """

    build: Build
    lock_curve: np.ndarray
    outcome: dict[str, Interval]
    change: dict[str, Interval]
    on_front: bool
    rank: int | None = None
    sure: float | None = None
    why: str | None = None
    hangs_on: str | None = None


@dataclass(frozen=True)
class Cause:
    """Is the differential the thing to change?

    `verdict` is `differential`, `not_the_differential`, `nothing_to_cure` or `cannot_tell`; `advise` says whether
    builds are ranked for it when it is asked for.
    """

    verdict: str
    sentence: str
    advise: bool


@dataclass(frozen=True)
class Advice:
    """The whole answer. `options[0]` is what is fitted; `cures` is what was ranked for, empty when nothing is to be.

    `logged` is what the log itself shows by outcome, `replayed` the replay of what is fitted before its spin times were
    tied to the log's: how near the two are says how far to trust the rest. `logged_moment` is the logged moment against
    the turn off the throttle with its interval, for a log alone often knows it to a half only.
    """

    analyses: tuple[Analysis, ...]
    setup_name: str
    parts_name: str
    asked: tuple[Cure, ...]
    cures: tuple[Cure, ...]
    causes: dict[Cure, Cause]
    options: tuple[Option, ...]
    answer: str
    logged: dict[str, float | None]
    logged_moment: Interval
    replayed: dict[str, float | None]
    calibration: dict[str, SideCalibration]
    assumptions: tuple[str, ...]
    refused: tuple[str, ...]

    @property
    def fitted(self) -> Option:
        """What is fitted now."""
        return self.options[0]

    @property
    def top(self) -> tuple[Option, ...]:
        """The advised builds, best first."""
        return tuple(sorted((o for o in self.options if o.rank is not None), key=lambda o: o.rank))
