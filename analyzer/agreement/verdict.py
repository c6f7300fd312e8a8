"""Does the measured lock curve say what the parts say, side by side; and what would explain it if not."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.differential.predicted import NORMAL_95, PredictedLockCurve
from analyzer.lockcurve.estimate import CurvePoint, LockCurveEstimate
from analyzer.lockcurve.model import locking_torque_Nm

VERDICTS = ("agrees", "stronger", "weaker", "cannot_tell")
SIDES = ("preload", "drive", "coast")
TELLING = 0.30  # a measured interval wider than this to either side cannot tell a changed ramp or spring
# nearer than this is agreement whatever the interval: bench readings repeat no better (common practice, no source)
CLOSE = 0.10
DRAG_NM = 30.0  # gears and seals of an open differential drag up to about this (common practice, no source)
FLOOR_NM = 60.0  # differences are taken relative to the prediction or to this, where it predicts (next to) nothing
NEVER_SLIPPED = 0.01  # share of slipping samples that noise makes of an axle that turns as one
DRAWS_SEED = 20240


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
    """

    kind: str
    times_better: float
    value: float | None
    lower: float | None
    upper: float | None
    unit: str | None
    fits: bool


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


@dataclass(frozen=True)
class _Side:
    """Measured and predicted locking torque of one side, averaged over its measured range (N.m)."""

    measured: float
    measured_draws: FloatArray
    predicted: float
    predicted_draws: FloatArray
    low_Nm: float
    high_Nm: float

    @property
    def scale(self) -> float:
        return max(self.predicted, FLOOR_NM)

    @property
    def relative_off(self) -> float:
        """Measured minus predicted, relative."""
        return (self.measured - self.predicted) / self.scale


def agree(estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> Agreement:
    """Compare by side: preload at no input torque, drive and coast by the mean level over the measured range.

    Parameters
    ----------
    estimate : measured curve with its replicates.
    predicted : from the setup, with its 95 % band.

    Notes
    -----
    `stronger` and `weaker` (measured against predicted) need a difference that the 95 % interval of measured minus
    predicted excludes zero by, and that is larger than 10 % (30 N.m where next to nothing is predicted).
    `agrees` needs a measured interval that would have shown a 30 % difference, of 60 N.m where less is predicted.
    Where the log gives only a bound, a bound above the prediction's band is `stronger` and one below tells nothing.
    Overall: the side that is off most; else `agrees` when any side does.
    """
    if predicted.kind == "spool":
        return _against_spool(estimate)
    judged = {side: _judge(side, estimate, predicted) for side in SIDES}
    verdicts = {side: found.verdict for side, (found, _) in judged.items()}
    informative = [s for s in SIDES if verdicts[s] != "cannot_tell"]
    disagreeing = [s for s in informative if verdicts[s] != "agrees"]
    if disagreeing:
        overall = verdicts[max(disagreeing, key=lambda s: abs(judged[s][1]))]
    else:
        overall = "agrees" if informative else "cannot_tell"
    return Agreement(overall, {side: found for side, (found, _) in judged.items()})


def _against_spool(estimate: LockCurveEstimate) -> Agreement:
    used = estimate.slipping_count + estimate.locked_count
    share = estimate.slipping_count / used if used else None
    if share is None:
        verdict = "cannot_tell"
    else:
        verdict = "agrees" if share <= NEVER_SLIPPED else "weaker"
    return Agreement(verdict, dict.fromkeys(SIDES, OfSpool(verdict, share)))


def _judge(side: str, estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> tuple[SideVerdict, float]:
    """One side, and its relative difference."""
    points = _points(side, estimate)
    torques = np.array([p.input_torque_Nm for p in points if p.kind == "measured"])
    supported = {"preload": True, "drive": estimate.drive_supported, "coast": estimate.coast_supported}[side]
    if side == "preload":
        torques = np.array([0.0]) if _value(estimate, "preload_Nm") is not None else np.array([])
    if not supported or not len(torques) or not len(estimate.replicates):
        return _from_bounds(side, points, estimate, predicted)
    compared = _compared(side, torques, estimate, predicted)
    low, high = np.percentile(compared.measured_draws - compared.predicted_draws, [2.5, 97.5])
    measured_low, measured_high = np.percentile(compared.measured_draws, [2.5, 97.5])
    close_Nm = DRAG_NM if compared.predicted < DRAG_NM else CLOSE * compared.predicted
    telling_Nm = TELLING * compared.scale
    if (low > 0 or high < 0) and abs(compared.measured - compared.predicted) > close_Nm:
        verdict = "stronger" if low > 0 else "weaker"
    else:
        verdict = "cannot_tell" if (measured_high - measured_low) / 2 > telling_Nm else "agrees"
    found = FromCurve(
        verdict,
        measured_Nm=compared.measured,
        lower_Nm=max(float(measured_low), 0.0),
        upper_Nm=float(measured_high),
        predicted_Nm=compared.predicted,
        from_Nm=compared.low_Nm,
        to_Nm=compared.high_Nm,
        telling_Nm=telling_Nm,
        slope=None if side == "preload" else _value(estimate, f"{side}_slope"),
        predicted_slope=None if side == "preload" else getattr(predicted, f"{side}_slope"),
    )
    return found, compared.relative_off


def _points(side: str, estimate: LockCurveEstimate) -> list[CurvePoint]:
    if side == "preload":
        return sorted(estimate.points, key=lambda p: abs(p.input_torque_Nm))[:1]
    sign = 1.0 if side == "drive" else -1.0
    return [p for p in estimate.points if sign * p.input_torque_Nm > 0]


def _value(estimate: LockCurveEstimate, name: str) -> float | None:
    interval = estimate.parameters.get(name)
    return None if interval is None else interval.value


def _compared(side: str, torques: FloatArray, estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> _Side:
    # a slope that a draw does not have (NaN) counts as none
    draws = locking_torque_Nm(np.nan_to_num(estimate.replicates)[:, :, None], torques).mean(axis=1)
    draws = draws[np.isfinite(draws)]
    nominal = predicted.locking_torque_Nm(torques)
    low, high = predicted.band_Nm(torques)
    rng = np.random.default_rng(DRAWS_SEED)
    mean, mean_low, mean_high = float(nominal.mean()), float(low.mean()), float(high.mean())
    # log-normal like the prediction's own band; nothing to spread where it predicts nothing
    sd = math.log(mean_high / mean_low) / (2 * NORMAL_95) if mean_low > 0 else 0.0
    return _Side(
        measured=_estimate_mean(side, estimate, torques, draws),
        measured_draws=draws,
        predicted=mean,
        predicted_draws=mean * np.exp(sd * rng.standard_normal(len(draws))),
        low_Nm=float(torques.min()),
        high_Nm=float(torques.max()),
    )


def _estimate_mean(side: str, estimate: LockCurveEstimate, torques: FloatArray, draws: FloatArray) -> float:
    if side == "preload":
        value = _value(estimate, "preload_Nm")
        return float(np.median(draws)) if value is None else value
    chosen = [
        p.locking_torque_Nm
        for p in estimate.points
        if p.locking_torque_Nm is not None and p.input_torque_Nm in set(torques.tolist())
    ]
    return float(np.mean(chosen)) if chosen else float(np.median(draws))


def _from_bounds(
    side: str, points: Sequence[CurvePoint], estimate: LockCurveEstimate, predicted: PredictedLockCurve
) -> tuple[SideVerdict, float]:
    bounds = sorted(
        ((p.lower_Nm, p.input_torque_Nm) for p in points if p.kind == "bound" and p.lower_Nm is not None),
        key=lambda bound: -bound[0],
    )
    for bound, at in bounds:
        upper = float(predicted.band_Nm([at])[1][0])
        if bound > max(upper, float(predicted.locking_torque_Nm([at])[0]) + CLOSE * FLOOR_NM):
            return FromBound("stronger", bound, at, upper), (bound - upper) / max(upper, FLOOR_NM)
    if bounds:
        bound, at = bounds[0]
        return FromBound("cannot_tell", bound, at, float(predicted.band_Nm([at])[1][0])), 0.0
    unknown = estimate.parameters.get("preload_Nm" if side == "preload" else f"{side}_slope")
    return Unmeasured(None if unknown is None else unknown.reason), 0.0
