"""How sure the lock curve is: corners resampled, nuisance priors drawn, both through the fit's curvature.

With H the curvature of the fitted loss, H_k and g_k the part of corner pass k in curvature and gradient,

    theta_b = theta - H^-1 [ sum_k (n_k - 1) H (H - H_k)^-1 g_k + sum_j z_j w_j ],

n_k how often pass k is drawn in a resample with replacement, z_j standard normal, w_j the weights of belief j over its
standard deviation: one Gauss-Newton step of a bootstrap over corners (sampling; the factor is the jackknife's, for a
pass draws the fit to itself) together with beliefs redrawn (tyre, yaw, wheels, car file, anchors). The parts add up
in variance, which gives the budget. Resampling corner passes whole keeps the dependence within a corner.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.problem import CURVE_BOUNDS
from analyzer.lockcurve.unknowns import Unknowns

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


@dataclass(frozen=True)
class Spread:
    """Draws (k, P) of all parameters about the fit; source -> (5,) its share of the variance of the curve."""

    draws: np.ndarray
    budget: dict[str, np.ndarray]
    unknowns: Unknowns

    def curves_of(self, side: int) -> np.ndarray:
        """(k, 5) lock-curve draws of a side."""
        return within_holds(self.draws[:, self.unknowns.curve_slice(side)])

    @property
    def curves(self) -> np.ndarray:
        """(k, 5) lock-curve draws of the only or the first side."""
        return self.curves_of(0)


def spread(fit: Fit, *, replicates: int = REPLICATES) -> Spread:
    """Draws and budget of a fit with one lock curve."""
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
    if not fit.problem.has_gyro:
        form_error = form_error * WITHOUT_GYRO
    if not fit.problem.has_lateral:
        form_error = form_error * WITHOUT_LATERAL
    draws[:, at] += form_error
    variance = {"sampling": ((groups @ inverse)[:, at] ** 2).sum(axis=0)}
    for source, part in zip(sources, (rows @ inverse)[:, at] ** 2, strict=True):
        variance[source] = variance.get(source, 0.0) + part
    variance["tyre_model"] = form_error.var(axis=0)
    total = np.maximum(sum(variance.values()), 1e-30)
    return Spread(draws, {source: part / total for source, part in variance.items()}, made)


def _believed_rows(fit: Fit) -> tuple[np.ndarray, tuple[str, ...]]:
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


def within_holds(curves: np.ndarray) -> np.ndarray:
    """Draws (..., 5) with the hold-offs inside their limits. Preload and slopes are left free: their errors lean
    against each other, so it is the curve that cannot be negative, not each draw of its parts."""
    curves = curves.copy()
    for i in (model.NAMES.index("drive_hold_Nm"), model.NAMES.index("coast_hold_Nm")):
        curves[..., i] = np.clip(curves[..., i], *CURVE_BOUNDS[i])
    return curves


def model_error(
    curve: np.ndarray, *, slipping_torque_Nm: np.ndarray, rng: np.random.Generator, replicates: int
) -> np.ndarray:
    """(k, 5) errors of preload and slopes from the form of the tyre curve; the hold-offs are left alone."""
    common = rng.standard_normal((replicates, 1)) * CURVE_ERROR_SHARE
    split = rng.standard_normal((replicates, 2)) * SPLIT_ERROR_SHARE
    sizes = np.abs(slipping_torque_Nm) if len(slipping_torque_Nm) else np.zeros(1)
    tilt = rng.standard_normal(replicates) * TILT_ERROR_Nm / max(float(np.std(sizes)), LEAST_RANGE_Nm)
    error = np.zeros((replicates, 5))
    error[:, [0, 1, 3]] = common * curve[[0, 1, 3]]
    error[:, [1, 3]] += split + tilt[:, None]
    error[:, 0] -= tilt * np.median(sizes)
    return error


def budget_by_parameter(budget: dict[str, np.ndarray]) -> dict[str, dict[str, float]]:
    """Parameter -> source -> share of its variance (0 to 1), from source -> shares (5,)."""
    return {name: {source: float(share[i]) for source, share in budget.items()} for i, name in enumerate(model.NAMES)}
