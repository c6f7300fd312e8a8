"""What the samples of a fit say of any lock curve, whatever tyre, car and sensors turn out to be.

The samples are those of the fit, at its axle states: what tyre, car and sensors do to a sample's torque is taken as
linear about the fit, what the curve does is not. So another curve costs milliseconds, and one far from the fit is still
weighed by a hinge that bends where it says.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.loss import EQUATIONS, Evaluation, LogTerms, log_terms
from analyzer.lockcurve.model import censored
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.unknowns import Unknowns
from analyzer.robust import huber


@dataclass(frozen=True)
class Samples:
    """The samples of a log, or of a stretch of it, where a fit ended, (n,) each.

    Attributes
    ----------
    torque_Nm : input torque.
    sd_Nm, weight : of a sample.
    slipping, locked : bool; what is neither says nothing of a lock curve.
    residual : residual of what slips or margin of what is locked, in deviations.
    sticking : what sticking plates carry over what slipping ones do.
    """

    torque_Nm: FloatArray
    sd_Nm: FloatArray
    weight: FloatArray
    slipping: BoolArray
    locked: BoolArray
    residual: FloatArray
    sticking: FloatArray


def samples_of(problem: Problem, now: Evaluation) -> tuple[Samples, ...]:
    """The samples of each log, or of each of its stretches, in the order of `problem.parts`.

    Parameters
    ----------
    now : the loss where the fit ended.
    """
    weight, torque = problem.weight * now.trust, now.solution.at.input_torque_Nm
    residual = np.where(problem.slipping, now.measured, now.margin)
    return tuple(
        Samples(
            torque_Nm=torque[part],
            sd_Nm=now.sd[part],
            weight=weight[part],
            slipping=problem.slipping[part],
            locked=problem.locked[part],
            residual=residual[part],
            sticking=now.sticking[part],
        )
        for part in problem.parts
    )


@dataclass(frozen=True)
class Witness:
    """A fit, ready to be asked for many curves. K unknowns besides the curve, n samples that slip or are locked.

    Attributes
    ----------
    torque_Nm : (n,) input torque; `fitted_Nm` the fitted curve there.
    weight : (n,) of a sample.
    slipping : (n,) bool; the others are locked.
    by_capacity : (n,) how the curve moves it, per N.m: more capacity is a smaller residual and a larger margin.
    residual, by_unknown : (n,) residual or margin at the fit, and (n, K) how the unknowns move it, in deviations.
    information, gradient : (K, K), (K,) of everything else: axle equations and beliefs.
    """

    torque_Nm: FloatArray
    fitted_Nm: FloatArray
    weight: FloatArray
    slipping: BoolArray
    by_capacity: FloatArray
    residual: FloatArray
    by_unknown: FloatArray
    information: FloatArray
    gradient: FloatArray

    @classmethod
    def of(cls, fit: Fit) -> "Witness":
        """What the samples of a fit with one lock curve say."""
        problem, now, made = fit.problem, fit.evaluation, fit.problem.unknowns
        return cls.put_together(
            made,
            log_terms(problem, now, fit.slopes),
            samples_of(problem, now),
            misses=made.rows @ fit.theta - made.targets,
            curve=fit.curve,
            widened=problem.widened,
        )

    @classmethod
    def put_together(
        cls,
        made: Unknowns,
        logs: Sequence[LogTerms],
        samples: Sequence[Samples],
        *,
        misses: FloatArray,
        curve: FloatArray,
        widened: float,
    ) -> "Witness":
        """What some logs say together.

        Parameters
        ----------
        made : columns and beliefs of all of them; one lock curve.
        logs, samples : of each log or stretch.
        misses : (m,) by how many deviations the fit is off what is believed.
        curve : (5,) where the fit ended.
        widened : by which all deviations of the answer are wider.
        """
        nuisance = len(made.columns)
        keep = ~made.rows[:, nuisance:].any(axis=1)  # beliefs about the curve make room for the proposed ones
        rows = made.rows[keep][:, :nuisance]
        information, gradient = rows.T @ rows, rows.T @ misses[keep]
        every = []
        for log, seen in zip(logs, samples, strict=True):
            own, picked = log.own(made)
            at = own < nuisance
            own, picked = own[at], picked[at]
            for jac, slope, curvature in log.terms[:EQUATIONS]:
                information[np.ix_(own, own)] += (jac[picked] * curvature) @ jac[picked].T
                gradient[own] += jac[picked] @ slope
            by_unknown = np.zeros((len(seen.torque_Nm), nuisance))
            by_unknown[:, own] = np.where(seen.slipping, log.terms[-2][0][picked], log.terms[-1][0][picked]).T
            every.append(by_unknown)
        tempered = widened**-2  # as much less sure as the answer is
        all_of = Samples(**{f.name: np.concatenate([getattr(s, f.name) for s in samples]) for f in fields(Samples)})
        use = all_of.slipping | all_of.locked
        return cls(
            torque_Nm=all_of.torque_Nm[use],
            fitted_Nm=model.locking_torque_Nm(curve, all_of.torque_Nm[use]),
            weight=all_of.weight[use] * tempered,
            slipping=all_of.slipping[use],
            by_capacity=(np.where(all_of.slipping, -1.0, all_of.sticking) / all_of.sd_Nm)[use],
            residual=all_of.residual[use],
            by_unknown=np.concatenate(every)[use].astype(np.float32),  # it is kept with the analysis
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
        z = self.residual + shift + self.by_capacity * more
        of_slipping, of_locked = huber(z), censored(z)
        loss, slope, curvature = (
            np.where(self.slipping, a, b) * self.weight for a, b in zip(of_slipping, of_locked, strict=True)
        )
        return loss, slope, curvature
