"""From a fit to the reported lock curve: what is measured, what is only bounded, what is not known."""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import CurvePoint, Interval, LockCurveEstimate
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.uncertainty import Spread, budget_by_parameter, within_holds
from analyzer.signals.ground_speed import SATELLITES_ALONE

POINTS = 53
COAST_SHARE = 0.3
LEAST_SAMPLES = 12  # slipping samples near a torque for its point to be measured: 0.6 s at the fit's rate
LEAST_PASSES = 3  # from this many corner passes
LEAST_SPAN_Nm = 100.0
BOUND_SD_Nm, BOUND_SD_SHARE = 25.0, 0.08  # how sure the torque difference of one locked sample is
ANCHORED_METHOD = (
    "the same fit with what the setup file states of bench, ring springs and ramps as measurements; 95 % intervals"
)
METHOD = "joint censored fit of lock curve, tyre and calibration; corners resampled; 95 % intervals"


@dataclass(frozen=True)
class _Seen:
    """One side of a fit: its curve (5,), draws of it (k, 5), and what its samples show, (n,) each."""

    curve: np.ndarray
    draws: np.ndarray
    torque_Nm: np.ndarray
    difference_Nm: np.ndarray
    slipping: np.ndarray
    locked: np.ndarray
    group: np.ndarray
    slip_known: bool

    @classmethod
    def of(cls, fit: Fit, drawn: Spread, side: int) -> "_Seen":
        problem, at = fit.problem, fit.solution.at
        mine = [part for part, owner in zip(problem.parts, problem.owners, strict=True) if owner.side == side]
        rows = np.concatenate([np.arange(part.start, part.stop) for part in mine])
        return cls(
            curve=fit.curves[side],
            draws=drawn.draws[:, drawn.unknowns.curve_slice(side)],
            torque_Nm=at.input_torque_Nm[rows],
            difference_Nm=np.abs(at.torque_difference_Nm[rows]),
            slipping=problem.slipping[rows],
            locked=problem.locked[rows],
            group=problem.group[rows],
            slip_known=problem.slip_known,
        )


def summarise(fit: Fit, drawn: Spread, *, largest_torque_Nm: float, side: int = 0) -> LockCurveEstimate:
    """The estimate of a fit.

    Parameters
    ----------
    largest_torque_Nm : largest input torque seen; points cover -0.3 to 1 of it, of 100 N.m at least.
    side : of a comparison, 0 before and 1 after.
    """
    largest_torque_Nm = max(largest_torque_Nm, LEAST_SPAN_Nm)
    seen = _Seen.of(fit, drawn, side)
    grid = np.round(np.linspace(-COAST_SHARE * largest_torque_Nm, largest_torque_Nm, POINTS), 1)
    points = _points(seen, grid, window_Nm=0.06 * largest_torque_Nm)
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
    return LockCurveEstimate(
        method=METHOD if fit.problem.anchors is None else ANCHORED_METHOD,
        parameters={name: _interval(seen, i, has[name], name, points) for i, name in enumerate(model.NAMES)},
        drive_supported=drive,
        coast_supported=coast,
        points=points,
        replicates=within_holds(seen.draws),
        budget={name: shares for name, shares in budget_by_parameter(drawn.budget).items() if has[name]},
        slipping_count=int(seen.slipping.sum()),
        locked_count=int(seen.locked.sum()),
    )


def _points(seen: _Seen, grid: np.ndarray, *, window_Nm: float) -> tuple[CurvePoint, ...]:
    """The curve at the torques of `grid`, each as far as the samples within `window_Nm` of it carry."""
    lower_of_locked = seen.difference_Nm - 1.645 * np.hypot(BOUND_SD_Nm, BOUND_SD_SHARE * seen.difference_Nm)
    values = model.locking_torque_Nm(seen.curve, grid)
    lower, upper = np.percentile(curve_draws(seen.curve, seen.draws, grid), [2.5, 97.5], axis=0)
    points = []
    for at, value, low, high in zip(grid, values, lower, upper, strict=True):
        near = np.abs(seen.torque_Nm - at) < window_Nm
        kind, bound = _kind(near, seen.slipping, seen.locked, seen.group, lower_of_locked)
        if not seen.slip_known:
            kind, bound = "none", None
        if kind == "measured":
            low, high = float(np.clip(low, 0.0, value)), float(max(high, value))
            points.append(CurvePoint(float(at), float(value), low, high, kind))
        else:
            points.append(CurvePoint(float(at), None, bound, None, kind))
    return tuple(points)


def curve_draws(curve: np.ndarray, draws: np.ndarray, torque_Nm: np.ndarray) -> np.ndarray:
    """Draws (k, n) of the locking torque at `torque_Nm` (n,), N.m, of a curve (5,) and its draws (k, 5).

    Linear in the drawn parameters: keeping the hold-offs within limits would break how they lean against preload and
    slopes, and the ends of the curve would come out too sure.
    """
    return model.locking_torque_Nm(curve, torque_Nm) + (draws - curve) @ model.gradient(curve, torque_Nm)[0]


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


def _interval(seen: _Seen, i: int, has: bool, name: str, points: tuple[CurvePoint, ...]) -> Interval:
    if not seen.slip_known:
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
    lower, upper = np.percentile(within_holds(seen.draws)[:, i], [2.5, 97.5])
    value = float(seen.curve[i])
    return Interval(value, float(np.clip(lower, 0.0, value)), float(max(upper, value)))
