"""How sure the lock curve is, and what of it is reported: measured, only bounded, or not known.

Corners are resampled and nuisance priors drawn, both through the fit's curvature.

With H the curvature of the fitted loss, H_k and g_k the part of corner pass k in curvature and gradient,

    theta_b = theta - H^-1 [ sum_k (n_k - 1) H (H - H_k)^-1 g_k + sum_j z_j w_j ],

n_k how often pass k is drawn in a resample with replacement, z_j standard normal, w_j the weights of belief j over
its standard deviation: one Gauss-Newton step of a bootstrap over corners (sampling; the factor is the jackknife's,
for a pass draws the fit to itself) together with beliefs redrawn (tyre, yaw, wheels, car file, anchors). The parts
add up in variance, which gives the budget. Resampling corner passes whole keeps the dependence within a corner.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import CurvePoint, Interval, LockCurveEstimate
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.hold_off import along_holds
from analyzer.lockcurve.loss import STATIC
from analyzer.lockcurve.problem import CURVE_BOUNDS
from analyzer.lockcurve.unknowns import HOLD_NAMES, Unknowns
from analyzer.signals.kinematics import SATELLITES_ALONE

# What is left when the tyre differs in form from the model: relative error of the whole curve, and error of the split
# of the input torque between the wheels, each one standard deviation. Set from simulated cars whose tyre formula,
# load sensitivity and combined slip differ from the model's (tests/accuracy); the slope's interval hangs on the tilt:
# where the axle slipped over a narrow range of torques, the same error of the torque is a larger one of the slope.
CURVE_ERROR_SHARE = 0.02
SPLIT_ERROR_SHARE = 0.02
# of the curve, one standard deviation of the torques where the axle slipped away from their middle, which stays put; of
# the slopes' intervals with it 97 % held the truth (88 random sessions), without it 92, with 8 N.m all of them
TILT_ERROR_Nm = 5.0
LEAST_RANGE_Nm = 30.0
# a yaw rate put together errs by 0.02 to 0.05 rad/s, alike in like corners: resampling cannot see it
WITHOUT_GYRO = 2.0
# a lateral acceleration had from the gyro lacks part of how the side slip changes, alike in like corners
WITHOUT_LATERAL = 2.0
REPLICATES = 400
SEED = 20260101
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
class Spread:
    """Draws (k, P) of all parameters about the fit; source -> (5,) its share of the variance of the curve."""

    draws: FloatArray
    budget: dict[str, FloatArray]
    unknowns: Unknowns

    def curves_of(self, side: int) -> FloatArray:
        """(k, 5) lock-curve draws of a side."""
        return within_holds(self.draws[:, self.unknowns.curve_slice(side)])

    @property
    def curves(self) -> FloatArray:
        """(k, 5) lock-curve draws of the only or the first side."""
        return self.curves_of(0)


def spread(fit: Fit, *, replicates: int = REPLICATES) -> Spread:
    """Draws and budget of a fit with one lock curve.

    Parameters
    ----------
    replicates : k, how many draws; from one seed, so the same fit always gets the same.
    """
    rng = np.random.default_rng(SEED)
    made = fit.problem.unknowns
    inverse = np.linalg.inv(fit.hessian)
    groups = fit.group_gradients
    count = len(groups)
    times = rng.multinomial(count, np.full(count, 1 / count), size=replicates)
    sampling = (times - 1) @ groups
    # the hold-offs' weak priors count like the nuisance ones: what the data do not say stays as wide as the prior
    rows, sources = _believed_rows(fit)
    draws = fit.theta - fit.problem.widened * (sampling + rng.standard_normal((replicates, len(rows))) @ rows) @ inverse
    at = made.curve_slice(0)
    slipping = fit.solution.at.input_torque_Nm[fit.problem.slipping]
    form_error = model_error(fit.curve, slipping_torque_Nm=slipping, rng=rng, replicates=replicates)
    if not fit.problem.sensors.gyro:
        form_error = form_error * WITHOUT_GYRO
    if not fit.problem.sensors.lat_g:
        form_error = form_error * WITHOUT_LATERAL
    draws[:, at] += form_error
    variance = {"sampling": ((groups @ inverse)[:, at] ** 2).sum(axis=0)}
    for source, part in zip(sources, (rows @ inverse)[:, at] ** 2, strict=True):
        variance[source] = variance.get(source, 0.0) + part
    variance["tyre_model"] = form_error.var(axis=0)
    total = np.maximum(sum(variance.values()), 1e-30)
    return Spread(draws, {source: part / total for source, part in variance.items()}, made)


def _believed_rows(fit: Fit) -> tuple[FloatArray, tuple[str, ...]]:
    """Weights (m, P) of the beliefs over their standard deviations, the anchors among them, and each one's source.

    Preload and slopes have weak beliefs that only keep the fit regular; nobody holds them, so they are not redrawn.
    """
    made = fit.problem.unknowns
    held = np.flatnonzero(made.believed)
    rows, sources = made.rows[held], tuple(made.groups[i] for i in held)
    if fit.problem.anchors is None:
        return rows, sources
    _, anchors = fit.problem.anchors.residuals(fit.curve)
    wide = np.zeros((len(anchors), made.count))
    wide[:, made.curve_slice(0)] = anchors
    return np.vstack([rows, wide]), (*sources, *["bench"] * len(anchors))


def within_holds(curves: FloatArray) -> FloatArray:
    """Lock curves with the hold-offs inside their limits.

    Preload and slopes are left free: their errors lean against each other, so it is the curve that cannot be negative,
    not each draw of its parts.

    Parameters
    ----------
    curves : (..., 5) in the order of `model.NAMES`.
    """
    curves = curves.copy()
    for i in (model.NAMES.index("drive_hold_Nm"), model.NAMES.index("coast_hold_Nm")):
        curves[..., i] = np.clip(curves[..., i], *CURVE_BOUNDS[i])
    return curves


def model_error(
    curve: FloatArray, *, slipping_torque_Nm: FloatArray, rng: np.random.Generator, replicates: int
) -> FloatArray:
    """Errors of preload and slopes from the form of the tyre curve; the hold-offs are left alone.

    Parameters
    ----------
    curve : (5,) the fitted or proposed curve.
    slipping_torque_Nm : (n,) input torques at which the axle slipped, either sign: the narrower their range, the larger
        the error of the slopes.
    replicates : k.

    Returns
    -------
    ndarray : (k, 5) to be added to a curve.
    """
    common = rng.standard_normal((replicates, 1)) * CURVE_ERROR_SHARE
    split = rng.standard_normal((replicates, 2)) * SPLIT_ERROR_SHARE
    sizes = np.abs(slipping_torque_Nm) if len(slipping_torque_Nm) else np.zeros(1)
    tilt = rng.standard_normal(replicates) * TILT_ERROR_Nm / max(float(np.std(sizes)), LEAST_RANGE_Nm)
    error = np.zeros((replicates, 5))
    error[:, [0, 1, 3]] = common * curve[[0, 1, 3]]
    error[:, [1, 3]] += split + tilt[:, None]
    error[:, 0] -= tilt * np.median(sizes)
    return error


def budget_by_parameter(budget: dict[str, FloatArray]) -> dict[str, dict[str, float]]:
    """Parameter -> source -> share of its variance (0 to 1), from source -> shares (5,)."""
    return {name: {source: float(share[i]) for source, share in budget.items()} for i, name in enumerate(model.NAMES)}


@dataclass(frozen=True)
class _Seen:
    """One side of a fit: its curve (5,), draws of it (k, 5), and what its samples show, (n,) each."""

    curve: FloatArray
    draws: FloatArray
    torque_Nm: FloatArray
    difference_Nm: FloatArray
    slipping: BoolArray
    locked: BoolArray
    group: IntArray
    slip_known: bool
    log_sticking: tuple[float, float]  # of what sticking plates carry over slipping ones, with its deviation

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
            slip_known=problem.sensors.slip_known,
            log_sticking=fit.nuisance[STATIC],
        )


def summarise(fit: Fit, drawn: Spread, *, largest_torque_Nm: float, side: int = 0) -> LockCurveEstimate:
    """The estimate of a fit.

    Parameters
    ----------
    largest_torque_Nm : largest input torque seen; points cover -0.3 to 1 of it, of 100 N.m at least.
    side : of a comparison, 0 before and 1 after.
    fit, drawn : the fit and draws of it.
    """
    largest_torque_Nm = max(largest_torque_Nm, LEAST_SPAN_Nm)
    seen = _Seen.of(fit, drawn, side)
    grid = np.round(np.linspace(-COAST_SHARE * largest_torque_Nm, largest_torque_Nm, POINTS), 1)
    points = _points(seen, grid, window_Nm=0.06 * largest_torque_Nm)
    # what samples measure is levels: slopes and hold-offs are read off them, and trade
    alone = fit.problem.unknowns.sides == 1
    of_each = within_holds(along_holds(fit, seen.draws) if alone else seen.draws)
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
        parameters={
            name: _interval(seen, draws, has[name], name, points)
            for name, draws in zip(model.NAMES, of_each.T, strict=True)
        },
        drive_supported=drive,
        coast_supported=coast,
        points=points,
        replicates=within_holds(seen.draws),
        budget={name: shares for name, shares in budget_by_parameter(drawn.budget).items() if has[name]},
        slipping_count=int(seen.slipping.sum()),
        locked_count=int(seen.locked.sum()),
    )


def _points(seen: _Seen, grid: FloatArray, *, window_Nm: float) -> tuple[CurvePoint, ...]:
    """The curve at the torques of `grid`, each as far as the samples within `window_Nm` of it carry.

    What held at a torque where the curve is higher is brought to this one by as much as the curve falls.
    """
    log_sticking, sticking_sd = seen.log_sticking
    sd = np.hypot(BOUND_SD_Nm, np.hypot(BOUND_SD_SHARE, sticking_sd) * seen.difference_Nm)
    lower_of_locked = (seen.difference_Nm - 1.645 * sd) / np.exp(log_sticking)
    values, there = model.locking_torque_Nm(seen.curve, grid), model.locking_torque_Nm(seen.curve, seen.torque_Nm)
    lower, upper = np.percentile(curve_draws(seen.curve, seen.draws, grid), [2.5, 97.5], axis=0)
    points = []
    for at, value, low, high in zip(grid, values, lower, upper, strict=True):
        near = np.abs(seen.torque_Nm - at) < window_Nm
        here = lower_of_locked - np.maximum(there - value, 0.0)
        kind, bound = _kind(near, seen.slipping, seen.locked, seen.group, here)
        if not seen.slip_known:
            kind, bound = "none", None
        if kind == "measured":
            low, high = float(np.clip(low, 0.0, value)), float(max(high, value))
            points.append(CurvePoint(float(at), float(value), low, high, kind))
        else:
            points.append(CurvePoint(float(at), None, bound, None, kind))
    return tuple(points)


def curve_draws(curve: FloatArray, draws: FloatArray, torque_Nm: FloatArray) -> FloatArray:
    """Draws of the locking torque of a curve.

    Linear in the drawn parameters: keeping the hold-offs within limits would break how they lean against preload and
    slopes, and the ends of the curve would come out too sure.

    Parameters
    ----------
    curve : (5,).
    draws : (k, 5) about it.
    torque_Nm : (n,) input torques, drive positive.

    Returns
    -------
    ndarray : (k, n) in N.m; may be negative.
    """
    return model.locking_torque_Nm(curve, torque_Nm) + (draws - curve) @ model.gradient(curve, torque_Nm)[0]


def _kind(
    near: BoolArray, slipping: BoolArray, locked: BoolArray, group: IntArray, lower_of_locked: FloatArray
) -> tuple[str, float | None]:
    slips = near & slipping
    if slips.sum() >= LEAST_SAMPLES and len(np.unique(group[slips])) >= LEAST_PASSES:
        return "measured", None
    holds = near & locked
    if holds.sum() < LEAST_SAMPLES:
        return "none", None
    bound = float(np.percentile(lower_of_locked[holds], 95))
    return ("bound", max(bound, 0.0)) if bound > 0 else ("none", None)


def _spans(torques: FloatArray, side_Nm: float) -> bool:
    """Enough of a side to tell a slope from a level: points over a tenth of it, out to a fifth at the least."""
    return len(torques) >= 2 and bool(np.ptp(torques) >= 0.1 * side_Nm and torques.max() >= 0.2 * side_Nm)


def _interval(seen: _Seen, draws: FloatArray, has: bool, name: str, points: tuple[CurvePoint, ...]) -> Interval:
    """A parameter with its 95 % interval, of its draws (k,)."""
    if not seen.slip_known:
        return Interval(None, None, None, SATELLITES_ALONE)
    if not has:
        side = name.split("_")[0]
        bound = None
        if name == "preload_Nm":
            around = 0.05 * points[-1].input_torque_Nm
            near = [p for p in points if p.kind == "bound" and abs(p.input_torque_Nm) < around]
            bound = min(near, key=lambda p: abs(p.input_torque_Nm)).lower_Nm if near else None
        words = {
            "preload": "the axle never slipped steadily near zero input torque",
            "drive": "the axle slipped on drive over too little of the torque range",
            "coast": "the axle slipped on coast over too little of the torque range",
        }[side]
        return Interval(None, bound, None, words)
    lower, upper = np.percentile(draws, [2.5, 97.5])
    value = float(seen.curve[model.NAMES.index(name)])
    if name in HOLD_NAMES:
        sign = 1 if name == "drive_hold_Nm" else -1
        furthest = max(sign * point.input_torque_Nm for point in points if point.kind == "measured")
        if value > furthest:
            at_least = float(np.clip(lower, 0.0, furthest))
            return Interval(None, at_least, None, "the ramps clamp at more torque than the axle slipped at")
    return Interval(value, float(np.clip(lower, 0.0, value)), float(max(upper, value)))
