"""Did the change take: runs before against runs after, with intervals, by side."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyzer.analysis import Analysis
from analyzer.comparison.joint import JointFit, fit_jointly
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.errors import CannotTell
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval
from analyzer.lockcurve.fit import make_problem
from analyzer.lockcurve.observations import observe
from analyzer.pipeline import Progress, analyze
from analyzer.vehicle.parameters import priors

PARAMETERS = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope")
SIDES = ("preload", "drive", "coast")
TELLS_SHARE = 0.4  # an interval wider than this share of the level before cannot say "no change"
LEAST_LEVEL_Nm = 40.0


@dataclass(frozen=True)
class SideChange:
    """Change of locking torque on one side (N.m): preload at no input torque; drive and coast what the ramps add to
    it, mean over the torques seen on both sides of the comparison."""

    change_Nm: Interval
    expected_Nm: float | None
    verdict: str
    sentence: str


@dataclass(frozen=True)
class Comparison:
    """Runs before and after.

    Attributes
    ----------
    before, after : the runs' own analyses.
    change : parameter -> after minus before, from the joint fit.
    predicted_change : parameter -> from the setup files, or None.
    sides : `preload`, `drive`, `coast` -> change and verdict.
    torque_Nm, locking_change_Nm : (n,) and (3, n): value, lower, upper of the change of M at matched input torque.
    warnings : what weakens the comparison.
    """

    before: tuple[Analysis, ...]
    after: tuple[Analysis, ...]
    joint: JointFit
    change: dict[str, Interval]
    predicted_change: dict[str, float | None]
    sides: dict[str, SideChange]
    torque_Nm: np.ndarray
    locking_change_Nm: np.ndarray
    warnings: tuple[str, ...]


def compare(
    *,
    before: Sequence[Path | str],
    after: Sequence[Path | str],
    car_path: Path | str,
    before_setup: Path | str | None = None,
    after_setup: Path | str | None = None,
    channels_path: Path | str | None = None,
    progress: Progress = lambda step, share: None,
) -> Comparison:
    """Compare runs of one car before and after a change.

    Raises
    ------
    InputError, CannotTell : as `pipeline.analyze`, or when a side never slipped.
    """
    logs = [*before, *after]
    runs = []
    for k, log in enumerate(logs):
        progress(f"analysing {Path(log).name}", k / (len(logs) + 1))
        runs.append(analyze(log_path=log, car_path=car_path, channels_path=channels_path))
    progress("fitting both sides together", len(logs) / (len(logs) + 1))
    has_gyro = all(r.signals.has_gyro for r in runs)
    long_bias = max(r.signals.long_bias_sd_m_s2 for r in runs)
    problems = []
    for run in runs:
        nuisance = priors(run.car, has_gyro=has_gyro, long_bias_sd_m_s2=long_bias)
        problems.append(make_problem(observe(run.signals, run.corners, run.car), run.car, nuisance))
    sides = [0] * len(before) + [1] * len(after)
    for side, words in ((0, "before"), (1, "after")):
        if not any(p.slipping.any() for p, s in zip(problems, sides, strict=True) if s == side):
            raise CannotTell(
                f"the rear axle never slipped in the runs {words} the change, so they carry only a bound on the lock "
                "curve; a change cannot be told. Give runs with tighter corners or more throttle in them."
            )
    joint = fit_jointly(problems, sides)
    progress("done", 1.0)
    change = {
        name: _interval(joint.curves[1, i] - joint.curves[0, i], joint.draws[:, 1, i] - joint.draws[:, 0, i])
        for name, i in ((n, model.NAMES.index(n)) for n in PARAMETERS)
    }
    predicted = [predict_lock_curve(load_setup(s)) if s is not None else None for s in (before_setup, after_setup)]
    low, high = joint.torque_span_Nm
    torque = np.linspace(low, high, 41)
    at = [model.locking_torque_Nm(joint.draws[:, s, :, None], torque) for s in (0, 1)]
    middle = model.locking_torque_Nm(joint.curves[1], torque) - model.locking_torque_Nm(joint.curves[0], torque)
    band = np.percentile(at[1] - at[0], [2.5, 97.5], axis=0)
    return Comparison(
        before=tuple(runs[: len(before)]),
        after=tuple(runs[len(before) :]),
        joint=joint,
        change=change,
        predicted_change=_predicted_change(*predicted),
        sides={side: _side(side, joint, *predicted) for side in SIDES},
        torque_Nm=torque,
        locking_change_Nm=np.vstack([middle, band]),
        warnings=tuple(_warnings(runs[: len(before)], runs[len(before) :])),
    )


def _interval(value: float, draws: np.ndarray) -> Interval:
    lower, upper = np.percentile(draws, [2.5, 97.5])
    return Interval(float(value), float(min(lower, value)), float(max(upper, value)))


def _predicted_change(before: PredictedLockCurve | None, after: PredictedLockCurve | None) -> dict[str, float | None]:
    if before is None or after is None:
        return dict.fromkeys(PARAMETERS)
    difference = {}
    for name in PARAMETERS:
        a, b = getattr(before, name), getattr(after, name)
        difference[name] = None if a is None or b is None else float(b - a)
    return difference


def _levels(side: str, curve, torques: np.ndarray) -> np.ndarray:
    """Mean of M(T) - M(0) over `torques`, or M(0) for the preload; `curve` maps torques to M along the last axis."""
    at_zero = curve(np.array([0.0]))[..., 0]
    return at_zero if side == "preload" else curve(torques).mean(axis=-1) - at_zero


def _side(
    side: str, joint: JointFit, before: PredictedLockCurve | None, after: PredictedLockCurve | None
) -> SideChange:
    low, high = joint.torque_span_Nm
    torques = {
        "preload": np.array([0.0]),
        "drive": np.linspace(0.0, max(high, 0.0), 21)[1:],
        "coast": np.linspace(0.0, min(low, 0.0), 21)[1:],
    }[side]
    span = float(np.ptp(torques)) if side != "preload" else np.inf
    if span < 0.05 * joint.largest_torque_Nm:
        nothing = Interval(None, None, None, "the runs do not both slip on this side")
        return SideChange(nothing, None, "cannot_tell", f"On {side} the runs do not both slip, so nothing can be told.")
    value = [float(_levels(side, lambda t, s=s: model.locking_torque_Nm(joint.curves[s], t), torques)) for s in (0, 1)]
    draws = [
        _levels(side, lambda t, s=s: model.locking_torque_Nm(joint.draws[:, s, :, None], t), torques) for s in (0, 1)
    ]
    change = _interval(value[1] - value[0], draws[1] - draws[0])
    expected = None
    if before is not None and after is not None:
        levels = [float(_levels(side, c.locking_torque_Nm, torques)) for c in (before, after)]
        expected = levels[1] - levels[0] if np.isfinite(levels).all() else None
    verdict = _verdict(change, expected, value[0])
    words = {"preload": "Preload", "drive": "What the ramps add on drive", "coast": "What the ramps add on coast"}[side]
    sentence = f"{words} changed by {change.value:+.0f} ({change.lower:+.0f} to {change.upper:+.0f}) N.m"
    sentence += "." if expected is None else f"; the parts say {expected:+.0f} N.m."
    return SideChange(change, expected, verdict, sentence)


def _verdict(change: Interval, expected: float | None, level_before: float) -> str:
    """Against the expected change when there is one worth the name, against no change otherwise."""
    tells = change.upper - change.lower < 2 * TELLS_SHARE * max(level_before, LEAST_LEVEL_Nm)
    target = expected or 0.0
    if change.lower > target:
        return "stronger"
    if change.upper < target:
        return "weaker"
    if abs(target) < 0.1 * max(level_before, LEAST_LEVEL_Nm):
        return "no_change" if tells else "cannot_tell"
    return "as_predicted" if change.lower > 0 or change.upper < 0 else "cannot_tell"


def _warnings(before: list[Analysis], after: list[Analysis]) -> list[str]:
    """Other tyres, a wet track, another driver: what the runs themselves show."""
    found = []
    grip = [
        np.median([np.percentile(np.abs(r.signals.lat_m_s2[r.signals.valid]), 99) for r in side])
        for side in (before, after)
    ]
    if abs(grip[1] / grip[0] - 1) > 0.1:
        found.append(
            f"The lateral acceleration used changed by {100 * (grip[1] / grip[0] - 1):+.0f} %: other tyres, or a "
            "wetter or drier track. The tyre is taken as one for all runs, so trust this comparison less."
        )
    throttle = [np.median([np.mean(r.signals.throttle[r.signals.valid]) for r in side]) for side in (before, after)]
    if abs(throttle[1] - throttle[0]) > 0.08:
        found.append(
            f"Mean throttle changed from {100 * throttle[0]:.0f} to {100 * throttle[1]:.0f} %: another driver, another "
            "intent or traffic. Compare the lock curves, not the corner times."
        )
    return found
