"""How well the logs speak for a lock curve that somebody proposes: its marginal likelihood, by Laplace's approximation.

A proposed curve is a belief over the curve's five: a mean and a covariance. Everything else of the fit stays unknown
with the beliefs it has. With l the loss, H its curvature where it is least, S the belief's covariance,

    log p(logs | proposed) = -l - log|H|/2 - log|S|/2 + a constant that all proposals share.

The weak belief that keeps the curve of the fit regular takes no part: the proposed one stands in its place. The
samples are those of the fit, at its axle states: what tyre, car and sensors do to a sample's torque is taken as
linear about the fit, what the curve does is not. So a proposal costs milliseconds, and one far from the fit is still
weighed by a hinge that bends where it says.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.model import censored, huber
from analyzer.lockcurve.problem import EQUATIONS, log_terms
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error

MOST_STEPS = 60
SETTLED = 1e-3  # of the loss, whose unit is one half of a squared standard deviation
FIRST_DAMPING, LEAST_DAMPING = 1e-3, 1e-9


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

    torque_Nm: np.ndarray
    fitted_Nm: np.ndarray
    sd_Nm: np.ndarray
    weight: np.ndarray
    slipping: np.ndarray
    residual: np.ndarray
    by_unknown: np.ndarray
    information: np.ndarray
    gradient: np.ndarray

    @classmethod
    def of(cls, fit: Fit) -> "Witness":
        """What the samples of a fit with one lock curve say.

        Parameters
        ----------
        fit : of one side; only the first lock curve is asked about.
        """
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

    def log_evidence(self, mean: np.ndarray, covariance: np.ndarray) -> float:
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
        slipping_Nm = self.torque_Nm[self.slipping]
        form = model_error(mean, slipping_torque_Nm=slipping_Nm, rng=rng, replicates=REPLICATES)
        covariance = covariance + np.cov(form.T)
        belief = np.linalg.inv(covariance)
        known = len(self.gradient)
        x = np.concatenate([np.zeros(known), mean])
        moved = np.empty((known + len(mean), len(self.torque_Nm)))  # how unknowns and curve move each sample
        moved[:known] = self.by_unknown.T
        damping = FIRST_DAMPING
        loss, gradient, hessian = self._at(x, mean, belief, moved)
        for _ in range(MOST_STEPS):
            trial = x - np.linalg.solve(hessian + damping * np.diag(np.diag(hessian)), gradient)
            there = self._at(trial, mean, belief, moved)
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
        self, x: np.ndarray, mean: np.ndarray, belief: np.ndarray, moved: np.ndarray
    ) -> tuple[float, np.ndarray, np.ndarray]:
        """Loss, gradient (K + 5,) and curvature at the unknowns' shifts and a curve, whose slopes go into `moved` (K +
        5, n)."""
        known = len(self.gradient)
        shift, curve = x[:known], x[known:]
        sign = np.where(self.slipping, -1.0, 1.0) / self.sd_Nm  # more capacity: a smaller residual, a larger margin
        more = model.locking_torque_Nm(curve, self.torque_Nm) - self.fitted_Nm
        z = self.residual + shift @ moved[:known] + sign * more
        value, slope, curvature = (
            np.where(self.slipping, a, b) * self.weight for a, b in zip(huber(z), censored(z), strict=True)
        )
        moved[known:] = sign * model.gradient(curve, self.torque_Nm)[0]
        gradient = moved @ slope
        hessian = (moved * curvature) @ moved.T
        gradient[:known] += self.gradient + self.information @ shift
        hessian[:known, :known] += self.information
        gradient[known:] += belief @ (curve - mean)
        hessian[known:, known:] += belief
        loss = value.sum() + self.gradient @ shift + 0.5 * shift @ self.information @ shift
        return float(loss + 0.5 * (curve - mean) @ belief @ (curve - mean)), gradient, hessian
