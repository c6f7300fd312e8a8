"""What the samples of a fit say of any lock curve, whatever tyre, car and sensors turn out to be.

The samples are those of the fit, at its axle states: what tyre, car and sensors do to a sample's torque is taken as
linear about the fit, what the curve does is not. So another curve costs milliseconds, and one far from the fit is still
weighed by a hinge that bends where it says.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.loss import EQUATIONS, log_terms
from analyzer.lockcurve.model import censored
from analyzer.robust import huber


@dataclass(frozen=True)
class Witness:
    """A fit, ready to be asked for many curves. K unknowns besides the curve, n samples that slip or are locked.

    Attributes
    ----------
    torque_Nm : (n,) input torque; `fitted_Nm` the fitted curve there.
    sd_Nm, weight : (n,) of a sample.
    slipping : (n,) bool; the others are locked.
    residual, by_unknown : (n,) residual or margin at the fit, and (n, K) how the unknowns move it, in deviations.
    information, gradient : (K, K), (K,) of everything else: axle equations and beliefs.
    """

    torque_Nm: FloatArray
    fitted_Nm: FloatArray
    sd_Nm: FloatArray
    weight: FloatArray
    slipping: BoolArray
    residual: FloatArray
    by_unknown: FloatArray
    information: FloatArray
    gradient: FloatArray

    @classmethod
    def of(cls, fit: Fit) -> "Witness":
        """What the samples of a fit with one lock curve say."""
        problem, now = fit.problem, fit.evaluation
        made, nuisance = problem.unknowns, len(problem.unknowns.columns)
        keep = ~made.rows[:, nuisance:].any(axis=1)  # beliefs about the curve make room for the proposed ones
        rows, targets = made.rows[keep][:, :nuisance], made.targets[keep]
        information, gradient = rows.T @ rows, rows.T @ (rows @ fit.theta[:nuisance] - targets)
        by_unknown = np.zeros((len(problem.sign), nuisance))
        for log, part in zip(log_terms(problem, now, fit.slopes), problem.parts, strict=True):
            own, picked = log.own(made)
            at = own < nuisance
            own, picked = own[at], picked[at]
            for jac, slope, curvature in log.terms[:EQUATIONS]:
                information[np.ix_(own, own)] += (jac[picked] * curvature) @ jac[picked].T
                gradient[own] += jac[picked] @ slope
            slips = problem.slipping[part]
            moved = np.where(slips, log.terms[-2][0][picked], log.terms[-1][0][picked])
            by_unknown[part.start : part.stop, own] = moved.T
        tempered = problem.widened**-2  # as much less sure as the answer is
        use = problem.slipping | problem.locked
        torque = now.solution.at.input_torque_Nm
        return cls(
            torque_Nm=torque[use],
            fitted_Nm=model.locking_torque_Nm(fit.curve, torque[use]),
            sd_Nm=now.sd[use],
            weight=(problem.weight * now.trust)[use] * tempered,
            slipping=problem.slipping[use],
            residual=np.where(problem.slipping, now.measured, now.margin)[use],
            by_unknown=by_unknown[use].astype(np.float32),  # it is kept with the analysis
            information=information * tempered,
            gradient=gradient * tempered,
        )

    def judged(self, curve: FloatArray, shift: FloatArray | float = 0.0) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Loss, slope and curvature (n,) of each sample under a curve.

        Parameters
        ----------
        curve : (5,).
        shift : (n,) by how many deviations tyre, car and sensors move each sample.
        """
        more = model.locking_torque_Nm(curve, self.torque_Nm) - self.fitted_Nm
        z = self.residual + shift + self.sign * more
        of_slipping, of_locked = huber(z), censored(z)
        loss, slope, curvature = (
            np.where(self.slipping, a, b) * self.weight for a, b in zip(of_slipping, of_locked, strict=True)
        )
        return loss, slope, curvature

    @property
    def sign(self) -> FloatArray:
        """(n,) how a sample moves with the curve, per N.m: more capacity is a smaller residual and a larger margin."""
        return np.where(self.slipping, -1.0, 1.0) / self.sd_Nm
