"""How well the logs speak for a lock curve that somebody proposes: its marginal likelihood, by Laplace's approximation.

A proposed curve is a belief over the curve's five: a mean and a covariance. Everything else of the fit stays unknown
with the beliefs it has. With l the loss, H its curvature where it is least, S the belief's covariance,

    log p(logs | proposed) = -l - log|H|/2 - log|S|/2 + a constant that all proposals share.

The weak belief that keeps the curve of the fit regular takes no part: the proposed one stands in its place.
"""

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.lockcurve import model
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error
from analyzer.lockcurve.witness import Witness

MOST_STEPS = 60
SETTLED = 1e-3  # of the loss, whose unit is one half of a squared standard deviation
FIRST_DAMPING, LEAST_DAMPING = 1e-3, 1e-9


def log_evidence(witness: Witness, mean: FloatArray, covariance: FloatArray) -> float:
    """log p(logs | proposed curve), but for a constant that all curves proposed to this witness share.

    Parameters
    ----------
    mean : (5,) in the order of `model.NAMES`.
    covariance : (5, 5) of them; how unsure the proposal itself is.

    Notes
    -----
    What the form of the tyre curve gets wrong moves the curve that the samples show, so its covariance is added.
    """
    rng = np.random.default_rng(SEED)
    slipping_Nm = witness.torque_Nm[witness.slipping]
    form = model_error(mean, slipping_torque_Nm=slipping_Nm, rng=rng, replicates=REPLICATES)
    covariance = covariance + np.cov(form.T)
    belief = np.linalg.inv(covariance).astype(float, copy=False)
    known = len(witness.gradient)
    x = np.concatenate([np.zeros(known), mean])
    moved = np.empty((known + len(mean), len(witness.torque_Nm)))  # how unknowns and curve move each sample
    moved[:known] = witness.by_unknown.T
    damping = FIRST_DAMPING
    loss, gradient, hessian = _at(witness, x, mean, belief, moved)
    for _ in range(MOST_STEPS):
        trial = x - np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
        there = _at(witness, trial, mean, belief, moved)
        if there[0] > loss:
            damping = 10 * max(damping, LEAST_DAMPING)
            if damping > 1e6:
                break
            continue
        gained, damping = loss - there[0], max(damping / 10, LEAST_DAMPING)
        x, (loss, gradient, hessian) = trial, there
        if gained < SETTLED:
            break
    return float(-loss - 0.5 * np.linalg.slogdet(hessian)[1] - 0.5 * np.linalg.slogdet(covariance)[1])


def _at(
    witness: Witness, x: FloatArray, mean: FloatArray, belief: FloatArray, moved: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Loss, gradient (K + 5,) and curvature at the unknowns' shifts and a curve, whose slopes go into `moved` (K +
    5, n)."""
    known = len(witness.gradient)
    shift, curve = x[:known], x[known:]
    loss_of_each, slope, curvature = witness.judged(curve, shift @ moved[:known])
    moved[known:] = witness.sign * model.gradient(curve, witness.torque_Nm)[0]
    gradient = moved @ slope
    hessian = (moved * curvature) @ moved.T
    gradient[:known] += witness.gradient + witness.information @ shift
    hessian[:known, :known] += witness.information
    gradient[known:] += belief @ (curve - mean)
    hessian[known:, known:] += belief
    loss = loss_of_each.sum() + witness.gradient @ shift + 0.5 * shift @ witness.information @ shift
    return float(loss + 0.5 * (curve - mean) @ belief @ (curve - mean)), gradient, hessian
