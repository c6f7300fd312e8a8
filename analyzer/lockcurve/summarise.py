"""From a fit to the reported lock curve: what is measured, what is only bounded, what is not known."""

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import CurvePoint, Interval, LockCurveEstimate
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.uncertainty import Spread, budget_by_parameter
from analyzer.signals.ground_speed import SATELLITES_ALONE

POINTS = 53
COAST_SHARE = 0.3
LEAST_SAMPLES = 12  # slipping samples near a torque for its point to be measured: 0.6 s at the fit's rate
LEAST_PASSES = 3  # from this many corner passes
LEAST_SPAN_Nm = 100.0
BOUND_SD_Nm, BOUND_SD_SHARE = 25.0, 0.08  # how sure the torque difference of one locked sample is
METHOD = "joint censored fit of lock curve, tyre and calibration; corners resampled; 95 % intervals"


def summarise(fit: Fit, drawn: Spread, *, largest_torque_Nm: float) -> LockCurveEstimate:
    """The estimate of a fit.

    Parameters
    ----------
    largest_torque_Nm : largest input torque seen; points cover -0.3 to 1 of it, of 100 N.m at least.
    """
    largest_torque_Nm = max(largest_torque_Nm, LEAST_SPAN_Nm)
    problem = fit.problem
    grid = np.round(np.linspace(-COAST_SHARE * largest_torque_Nm, largest_torque_Nm, POINTS), 1)
    points = _points(fit, drawn, grid, window_Nm=0.06 * largest_torque_Nm)
    measured = np.array([point.kind == "measured" for point in points])
    drive = _spans(grid[measured & (grid > 0)], largest_torque_Nm)
    coast = _spans(-grid[measured & (grid < 0)], COAST_SHARE * largest_torque_Nm)
    near_zero = bool((measured & (np.abs(grid) < 0.15 * largest_torque_Nm)).any())
    has = {
        "preload_Nm": near_zero,
        "drive_slope": drive,
        "drive_hold_Nm": drive,
        "coast_slope": coast,
        "coast_hold_Nm": coast,
    }
    parameters = {name: _interval(fit, drawn, i, has[name], name, points) for i, name in enumerate(model.NAMES)}
    return LockCurveEstimate(
        method=METHOD,
        parameters=parameters,
        drive_supported=drive,
        coast_supported=coast,
        points=points,
        replicates=drawn.curves,
        budget={name: shares for name, shares in budget_by_parameter(drawn.budget).items() if has[name]},
        slipping_count=int(problem.slipping.sum()),
        locked_count=int(problem.locked.sum()),
    )


def _points(fit: Fit, drawn: Spread, grid: np.ndarray, *, window_Nm: float) -> tuple[CurvePoint, ...]:
    """The curve at the torques of `grid`, each as far as the samples within `window_Nm` of it carry."""
    problem = fit.problem
    torque, difference = fit.solution.at.input_torque_Nm, np.abs(fit.solution.at.torque_difference_Nm)
    lower_of_locked = difference - 1.645 * np.hypot(BOUND_SD_Nm, BOUND_SD_SHARE * difference)
    values = model.locking_torque_Nm(fit.curve, grid)
    lower, upper = np.percentile(curve_draws(fit, drawn, grid), [2.5, 97.5], axis=0)
    points = []
    for at, value, low, high in zip(grid, values, lower, upper, strict=True):
        near = np.abs(torque - at) < window_Nm
        kind, bound = _kind(near, problem.slipping, problem.locked, problem.group, lower_of_locked)
        if not problem.slip_known:
            kind, bound = "none", None
        if kind == "measured":
            low, high = float(np.clip(low, 0.0, value)), float(max(high, value))
            points.append(CurvePoint(float(at), float(value), low, high, kind))
        else:
            points.append(CurvePoint(float(at), None, bound, None, kind))
    return tuple(points)


def curve_draws(fit: Fit, drawn: Spread, torque_Nm: np.ndarray) -> np.ndarray:
    """Draws (k, n) of the locking torque at `torque_Nm` (n,), N.m.

    Linear in the drawn parameters: keeping the hold-offs within limits would break how they lean against preload and
    slopes, and the ends of the curve would come out too sure.
    """
    middle = model.locking_torque_Nm(fit.curve, torque_Nm)
    return middle + (drawn.draws[:, drawn.unknowns.curve_slice(0)] - fit.curve) @ model.gradient(fit.curve, torque_Nm)[0]


def _kind(
    near: np.ndarray, slipping: np.ndarray, locked: np.ndarray, group: np.ndarray, lower_of_locked: np.ndarray
) -> tuple[str, float | None]:
    slips = near & slipping
    if slips.sum() >= LEAST_SAMPLES and len(np.unique(group[slips])) >= LEAST_PASSES:
        return "measured", None
    holds = near & locked
    if holds.sum() < LEAST_SAMPLES:
        return "none", None
    bound = float(np.percentile(lower_of_locked[holds], 95))
    return ("bound", max(bound, 0.0)) if bound > 0 else ("none", None)


def _spans(torques: np.ndarray, side_Nm: float) -> bool:
    """Enough of a side to tell a slope from a level: points over a tenth of it, out to a fifth at the least."""
    return len(torques) >= 2 and bool(np.ptp(torques) >= 0.1 * side_Nm and torques.max() >= 0.2 * side_Nm)


def _interval(fit: Fit, drawn: Spread, i: int, has: bool, name: str, points: tuple[CurvePoint, ...]) -> Interval:
    if not fit.problem.slip_known:
        return Interval(None, None, None, SATELLITES_ALONE)
    if not has:
        side = name.split("_")[0]
        bound = None
        if name == "preload_Nm":
            around = 0.05 * points[-1].input_torque_Nm
            near = [
                p.lower_Nm
                for p in points
                if p.kind == "bound" and p.lower_Nm is not None and abs(p.input_torque_Nm) < around
            ]
            bound = max(near) if near else None
        words = {
            "preload": "the axle never slipped steadily near zero input torque",
            "drive": "the axle slipped on drive over too little of the torque range",
            "coast": "the axle slipped on coast over too little of the torque range",
        }[side]
        return Interval(None, bound, None, words)
    lower, upper = np.percentile(drawn.curves[:, i], [2.5, 97.5])
    value = float(fit.curve[i])
    return Interval(value, float(np.clip(lower, 0.0, value)), float(max(upper, value)))
