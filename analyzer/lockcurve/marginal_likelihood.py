"""How well the logs speak for a lock curve that somebody proposes: its marginal likelihood, by Laplace's approximation.

A proposed curve is a belief over the curve's five: a mean and a covariance. Everything else of the fit stays unknown
with the beliefs it has. With l the loss, H its curvature where it is least, S the belief's covariance,

    log p(logs | proposed) = -l - log|H|/2 - log|S|/2 + a constant that all proposals share.

The weak belief that keeps the curve of the fit regular takes no part: the proposed one stands in its place.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.arrays import AnyArray, FloatArray
from analyzer.lockcurve import model
from analyzer.lockcurve.descent import lowest
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error
from analyzer.lockcurve.witness import Witness


@dataclass(frozen=True)
class _Place:
    """Unknowns' shifts and a curve (K + 5,), with the loss there, its gradient (K + 5,) and curvature."""

    at: FloatArray
    loss: float
    gradient: FloatArray
    hessian: FloatArray


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
    # how unknowns and curve move each sample; in single precision as the witness has them, in half the time
    moved: AnyArray = np.empty((known + len(mean), len(witness.torque_Nm)), np.float32)
    moved[:known] = witness.by_unknown.T

    def step(here: _Place, damping: float) -> _Place:
        hessian = here.hessian + damping * np.diag(np.diag(here.hessian))
        return _at(witness, here.at - np.linalg.solve(hessian, here.gradient), mean, belief, moved)

    best = lowest(_at(witness, x, mean, belief, moved), step)
    return float(-best.loss - 0.5 * np.linalg.slogdet(best.hessian)[1] - 0.5 * np.linalg.slogdet(covariance)[1])


def _at(witness: Witness, x: FloatArray, mean: FloatArray, belief: FloatArray, moved: AnyArray) -> _Place:
    """The place x (K + 5,); how its curve moves the samples goes into `moved` (K + 5, n)."""
    known = len(witness.gradient)
    shift, curve = x[:known], x[known:]
    shifted: AnyArray = shift.astype(np.float32) @ moved[:known]
    loss_of_each, slope, curvature = witness.judged(curve, shifted)
    moved[known:] = witness.by_capacity * model.gradient(curve, witness.torque_Nm)[0]
    gradient = (moved @ slope.astype(np.float32)).astype(float)
    hessian = ((moved * curvature.astype(np.float32)) @ moved.T).astype(float)
    gradient[:known] += witness.gradient + witness.information @ shift
    hessian[:known, :known] += witness.information
    gradient[known:] += belief @ (curve - mean)
    hessian[known:, known:] += belief
    loss = loss_of_each.sum() + witness.gradient @ shift + 0.5 * shift @ witness.information @ shift
    return _Place(x, float(loss + 0.5 * (curve - mean) @ belief @ (curve - mean)), gradient, hessian)
