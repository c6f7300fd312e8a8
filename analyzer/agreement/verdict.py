"""Does the measured lock curve agree with the predicted one, side by side; and what would explain it if not."""

from dataclasses import dataclass

VERDICTS = ("agrees", "stronger", "weaker", "cannot_tell")


@dataclass(frozen=True)
class Explanation:
    """One way in which parts and file could differ, weighed against the log.

    Attributes
    ----------
    kind : `as_the_file_says`, `ramps_exchanged`, `preload_soft`, `preload_up`, `ring_springs`, `friction`,
        `other_angle_reference`, `other_spring_position`.
    times_better : how many times better it explains the log than the file as it is (Bayes factor; 1 for the file).
    value, lower, upper : what the free figure would have to be, most likely and 95 %; None without one.
    unit : of the value: `of_the_file` (a factor) or `Nm`; None without one.
    fits : the best it can do lies within what measurement and file are sure of (99 %).
    sentence : what a tuner reads.
    """

    kind: str
    times_better: float
    value: float | None
    lower: float | None
    upper: float | None
    unit: str | None
    fits: bool
    sentence: str


@dataclass(frozen=True)
class Diagnosis:
    """The explanations, best first, and what may be concluded.

    Attributes
    ----------
    verdict : `as_the_file_says`, `explained` (one is clearly best), `cannot_tell_apart` (`tied` says which) or
        `cannot_tell` (the log carries nothing to weigh them by).
    tied : kinds that the log cannot tell from the one concluded, that one first.
    """

    verdict: str
    tied: tuple[str, ...]
    sentence: str
    explanations: tuple[Explanation, ...]


@dataclass(frozen=True)
class OddsAgainst:
    """One thing that might be fitted instead of the file's parts.

    Attributes
    ----------
    kind : `ramps_exchanged`, `preload_gone`, `plates_worn`, `plates_glazed`, `ring_springs_left_out`,
        `ramps_steeper`, `ramps_flatter`, `preload_step_up`, `preload_step_down`.
    for_the_file : odds of the file to this, both held equally likely before the log was read; under 1 the log speaks
        for this.
    """

    kind: str
    for_the_file: float


@dataclass(frozen=True)
class Odds:
    """The setup file against everything that might be fitted instead, in the order of `alternatives`."""

    against: tuple[OddsAgainst, ...]


@dataclass(frozen=True)
class FromCurve:
    """One side judged by its measured curve.

    Attributes
    ----------
    verdict : from VERDICTS.
    measured_Nm, lower_Nm, upper_Nm : mean measured locking torque with its 95 % interval, over `from_Nm` to `to_Nm` of
        input torque (both 0 for the preload).
    predicted_Nm : mean predicted locking torque over the same.
    telling_Nm : the difference that the measurement must be able to show before it can agree.
    slope, predicted_slope : of the side's ramps (N.m per N.m); None for the preload, and where there is none.
    """

    verdict: str
    measured_Nm: float
    lower_Nm: float
    upper_Nm: float
    predicted_Nm: float
    from_Nm: float
    to_Nm: float
    telling_Nm: float
    slope: float | None
    predicted_slope: float | None


@dataclass(frozen=True)
class FromBound:
    """One side on which nothing slipped: the locking torque is at least `bound_Nm` at `at_Nm` of input torque, where
    the prediction's 95 % band ends at `predicted_upper_Nm`."""

    verdict: str
    bound_Nm: float
    at_Nm: float
    predicted_upper_Nm: float


@dataclass(frozen=True)
class Unmeasured:
    """One side of which the log says nothing, and why where that is known."""

    reason: str | None
    verdict: str = "cannot_tell"


@dataclass(frozen=True)
class OfSpool:
    """A side of a spool; `slipping_share` is how often the wheels turned apart (0 to 1), None without any sample."""

    verdict: str
    slipping_share: float | None


SideVerdict = FromCurve | FromBound | Unmeasured | OfSpool


@dataclass(frozen=True)
class Agreement:
    """Verdict overall, what each side (`preload`, `drive`, `coast`) was judged by, what would explain it, and the odds
    against other builds."""

    verdict: str
    sides: dict[str, SideVerdict]
    diagnosis: Diagnosis | None = None
    odds: Odds | None = None

    @property
    def by_side(self) -> dict[str, str]:
        """Side -> its verdict."""
        return {side: found.verdict for side, found in self.sides.items()}
