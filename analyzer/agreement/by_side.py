"""Does the measured lock curve say what the parts say, side by side."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.agreement.verdict import Agreement
from analyzer.differential.predicted import NORMAL_95, PredictedLockCurve
from analyzer.lockcurve.estimate import CurvePoint, LockCurveEstimate

SIDES = ("preload", "drive", "coast")
TELLING = 0.30  # a measured interval wider than this to either side cannot tell a changed ramp or spring
# nearer than this is agreement whatever the interval: bench readings repeat no better (common practice, no source)
CLOSE = 0.10
DRAG_NM = 30.0  # gears and seals of an open differential drag up to about this (common practice, no source)
FLOOR_NM = 60.0  # differences are taken relative to the prediction or to this, where it predicts (next to) nothing
NEVER_SLIPPED = 0.01  # share of slipping samples that noise makes of an axle that turns as one
DRAWS_SEED = 20240


@dataclass(frozen=True)
class _Side:
    """Measured and predicted locking torque of one side, averaged over its measured range (N.m)."""

    measured: float
    measured_draws: np.ndarray
    predicted: float
    predicted_draws: np.ndarray
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
    verdicts, sentences, off = {}, {}, {}
    for side in SIDES:
        verdicts[side], sentences[side], off[side] = _judge(side, estimate, predicted)
    informative = [s for s in SIDES if verdicts[s] != "cannot_tell"]
    disagreeing = [s for s in informative if verdicts[s] != "agrees"]
    if disagreeing:
        overall = verdicts[max(disagreeing, key=lambda s: abs(off[s]))]
    else:
        overall = "agrees" if informative else "cannot_tell"
    return Agreement(verdict=overall, by_side=verdicts, sentences=sentences)


def _against_spool(estimate: LockCurveEstimate) -> Agreement:
    used = estimate.slipping_count + estimate.locked_count
    share = estimate.slipping_count / used if used else 0.0
    if not used:
        verdict, sentence = "cannot_tell", "The log has no sample that tells locked from slipping."
    elif share <= NEVER_SLIPPED:
        verdict, sentence = "agrees", "The rear wheels turned as one throughout, as a spool makes them."
    else:
        verdict = "weaker"
        sentence = f"A spool never slips, but the rear wheels turned apart in {100 * share:.0f} % of the samples."
    return Agreement(verdict=verdict, by_side=dict.fromkeys(SIDES, verdict), sentences=dict.fromkeys(SIDES, sentence))


def _judge(side: str, estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> tuple[str, str, float]:
    """(verdict, sentence, relative difference) of one side."""
    points = _points(side, estimate)
    torques = np.array([p.input_torque_Nm for p in points if p.kind == "measured"])
    supported = {"preload": True, "drive": estimate.drive_supported, "coast": estimate.coast_supported}[side]
    if side == "preload":
        torques = np.array([0.0]) if _value(estimate, "preload_Nm") is not None else np.array([])
    if not supported or not len(torques) or not len(estimate.replicates):
        return _from_bounds(side, points, estimate, predicted)
    compared = _compared(side, torques, estimate, predicted)
    name = {"preload": "Preload", "drive": "On drive", "coast": "On coast"}[side]
    difference = compared.measured_draws - compared.predicted_draws
    low, high = np.percentile(difference, [2.5, 97.5])
    measured_low, measured_high = np.percentile(compared.measured_draws, [2.5, 97.5])
    numbers = (
        f"measured {compared.measured:.0f} N.m ({max(measured_low, 0):.0f} to {measured_high:.0f}), "
        f"predicted {compared.predicted:.0f} N.m"
    )
    if side != "preload":
        numbers += f", mean over {compared.low_Nm:.0f} to {compared.high_Nm:.0f} N.m of input torque"
    off = compared.relative_off
    close_Nm = DRAG_NM if compared.predicted < DRAG_NM else CLOSE * compared.predicted
    if (low > 0 or high < 0) and abs(compared.measured - compared.predicted) > close_Nm:
        verdict = "stronger" if low > 0 else "weaker"
        return verdict, f"{name}: {numbers}. {_explain(side, compared, estimate, predicted)}", off
    telling_Nm = TELLING * compared.scale
    if (measured_high - measured_low) / 2 > telling_Nm:
        share = f" ({100 * TELLING:.0f} %)" if compared.predicted >= FLOOR_NM else ""
        return "cannot_tell", f"{name}: {numbers}; too wide to tell a difference of {telling_Nm:.0f} N.m{share}.", off
    return "agrees", f"{name}: {numbers}: the log does not contradict the setup file.", off


def _points(side: str, estimate: LockCurveEstimate) -> list[CurvePoint]:
    if side == "preload":
        return sorted(estimate.points, key=lambda p: abs(p.input_torque_Nm))[:1]
    sign = 1.0 if side == "drive" else -1.0
    return [p for p in estimate.points if sign * p.input_torque_Nm > 0]


def _value(estimate: LockCurveEstimate, name: str) -> float | None:
    interval = estimate.parameters.get(name)
    return None if interval is None else interval.value


def _compared(side: str, torques: np.ndarray, estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> _Side:
    draws = _locking_Nm(estimate.replicates, torques).mean(axis=1)
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


def _estimate_mean(side: str, estimate: LockCurveEstimate, torques: np.ndarray, draws: np.ndarray) -> float:
    if side == "preload":
        value = _value(estimate, "preload_Nm")
        return float(np.median(draws)) if value is None else value
    chosen = [
        p.locking_torque_Nm
        for p in estimate.points
        if p.locking_torque_Nm is not None and p.input_torque_Nm in set(torques.tolist())
    ]
    return float(np.mean(chosen)) if chosen else float(np.median(draws))


def _locking_Nm(replicates: np.ndarray, torques: np.ndarray) -> np.ndarray:
    """(k, m) locking torque of each replicate at each input torque; missing slopes (NaN) count as none."""
    preload, drive, drive_hold, coast, coast_hold = np.nan_to_num(replicates).T[:, :, None]
    on_drive = drive * np.maximum(torques - drive_hold, 0.0)
    on_coast = coast * np.maximum(-torques - coast_hold, 0.0)
    return preload + np.where(torques >= 0, on_drive, on_coast)


def _explain(side: str, compared: _Side, estimate: LockCurveEstimate, predicted: PredictedLockCurve) -> str:
    """What of the file the log contradicts: the level, and whether the ramps or the preload make the difference."""
    if compared.predicted < 1.0:
        return f"The setup file says no lock here, the log shows {compared.measured:.0f} N.m."
    under = "over" if compared.measured > compared.predicted else "under"
    apart = abs(compared.measured - compared.predicted)
    in_torque = compared.predicted < FLOOR_NM or apart > compared.predicted  # a share of little says little
    size = f"{apart:.0f} N.m" if in_torque else f"{100 * apart / compared.predicted:.0f} %"
    text = f"That is {size} {under} the setup file"
    if side == "preload":
        return f"{text}: look at cone springs, shims, plate wear and the bench reading."
    slope, expected = _value(estimate, f"{side}_slope"), getattr(predicted, f"{side}_slope")
    if slope is None or not expected:
        return f"{text}."
    change = slope / expected - 1
    if abs(change) <= CLOSE:
        return f"{text}; the measured slope is within 10 % of it, so the difference comes with preload or hold-off."
    way = "over" if change > 0 else "under"
    against = f"is {100 * abs(change):.0f} % {way} the file's" if change <= 1 else "stands against the file's"
    return (
        f"{text}; the measured {side} slope of {slope:.2f} {against} {expected:.2f}: look at the ramp angles, which "
        "way round the rings sit, and the plate friction."
    )


def _from_bounds(
    side: str, points: Sequence[CurvePoint], estimate: LockCurveEstimate, predicted: PredictedLockCurve
) -> tuple[str, str, float]:
    name = {"preload": "Preload", "drive": "On drive", "coast": "On coast"}[side]
    bounds = [p for p in points if p.kind == "bound" and p.lower_Nm is not None]
    for point in sorted(bounds, key=lambda p: -p.lower_Nm):
        at = np.array([point.input_torque_Nm])
        upper = float(predicted.band_Nm(at)[1][0])
        if point.lower_Nm > max(upper, float(predicted.locking_torque_Nm(at)[0]) + CLOSE * FLOOR_NM):
            off = (point.lower_Nm - upper) / max(upper, FLOOR_NM)
            return (
                "stronger",
                f"{name}: nothing slipped, and the locking torque is at least {point.lower_Nm:.0f} N.m at "
                f"{point.input_torque_Nm:.0f} N.m of input torque, above the {upper:.0f} N.m of the setup file.",
                off,
            )
    if bounds:
        best = max(p.lower_Nm for p in bounds)
        return (
            "cannot_tell",
            f"{name}: nothing slipped, so the log gives only a lower bound (up to {best:.0f} N.m), which the setup "
            "file meets; more lock than the file says cannot be excluded.",
            0.0,
        )
    unknown = estimate.parameters.get("preload_Nm" if side == "preload" else f"{side}_slope")
    reason = unknown.reason if unknown is not None else None
    return "cannot_tell", f"{name}: {reason or 'the log has too few slipping samples here to measure it'}.", 0.0
