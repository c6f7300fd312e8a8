"""What logs and measurements tell of the lock curve together: the fit's curvature and scatter, put together anew.

The fit's own pieces, linearised where it ended: each log's slopes, the beliefs of its unknowns, the pulls of its corner
passes. With H their curvature, G the passes' pulls and R the rows somebody believes, the curve is as sure as
`lockcurve.uncertainty` states it,

    H^-1 (G'G + R'R) H^-1 + error of the tyre's form.

A measurement on the bench is one row more. A log not driven yet has looks solved through the fitted model: they miss
nothing, so each pass is taken to miss as much as the logged ones do in the mean of a pass.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import FloatArray, IntArray
from analyzer.comparison.joint import form_error
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.loss import LogTerms, group_pulls, log_terms, slopes
from analyzer.lockcurve.problem import FIRST, hold_sd_Nm
from analyzer.lockcurve.uncertainty import SEED, WITHOUT_GYRO, WITHOUT_LATERAL, model_error
from analyzer.lockcurve.unknowns import Owner, Unknowns, unknowns
from analyzer.vehicle.parameters import Prior

FORM_DRAWS = 4000  # of the tyre's form error, for its covariance to 2 %
AFTER = 1  # side of a run after a change


@dataclass(frozen=True)
class Belief:
    """One row: sum of weight times parameter, or number of the curve, within one standard deviation.

    `weights` are over that deviation, by name; `owner` is whose they are.
    """

    weights: Mapping[str, float]
    group: str
    owner: Owner = FIRST


@dataclass(frozen=True)
class Looks:
    """One log as the plan counts it.

    Attributes
    ----------
    terms : its slopes.
    torque_Nm : (m,) input torques where it slips.
    times : how often its passes count; 2 is as many laps again.
    planned : not driven yet: its passes miss nothing, and are taken to miss what logged ones do.
    """

    terms: LogTerms
    torque_Nm: FloatArray
    times: float = 1.0
    planned: bool = False


@dataclass(frozen=True)
class Information:
    """What is known, or would be.

    Attributes
    ----------
    curve : (5,) where the fit ended.
    values : parameters of the first log by name, there.
    misses : (6,) mean miss of a pass by term, in standard deviations.
    form_factor : on the form error, of logs without a gyro or a lateral accelerometer.
    hold_tie_Nm : how far apart the hold-offs before and after a change may be, one standard deviation.
    tie : whether there are two sides, tied.
    widened : as of the fit's problem.
    """

    priors: tuple[Prior, ...]
    hold_sd_Nm: float
    curve: FloatArray
    values: Mapping[str, float]
    looks: tuple[Looks, ...]
    beliefs: tuple[Belief, ...]
    misses: FloatArray
    form_factor: float
    hold_tie_Nm: float
    tie: bool = False
    widened: float = 1.0

    def with_belief(self, *beliefs: Belief) -> "Information":
        """With measurements more."""
        return replace(self, beliefs=(*self.beliefs, *beliefs))

    def with_looks(self, looks: Looks, beliefs: tuple[Belief, ...] = ()) -> "Information":
        """With a log more.

        Parameters
        ----------
        looks : of that log; its owner is none of those there are.
        beliefs : what it measures as a whole.
        """
        return replace(self, looks=(*self.looks, looks), beliefs=(*self.beliefs, *beliefs))

    def with_laps(self, times: float) -> "Information":
        """With as many laps again in the first log, its others as they are.

        Parameters
        ----------
        times : laps then over laps now; 2 is twice as many.
        """
        first, *others = self.looks
        return replace(self, looks=(replace(first, times=first.times * times), *others))

    def before_and_after(self) -> "Information":
        """As much again after a change of the differential: every log and every measurement of the curve once more.

        What is measured of the car stays one; a log's own zeros are new.
        """

        def moved(owner: Owner) -> Owner:
            return Owner(AFTER, ("after", owner.source))

        curve = set(model.NAMES)
        # what a log measures as a whole it measures again; a figure of the car is the same figure
        again = [b for b in self.beliefs if curve & set(b.weights) or b.group != "planned"]
        return replace(
            self,
            looks=(*self.looks, *(replace(o, terms=replace(o.terms, owner=moved(o.terms.owner))) for o in self.looks)),
            beliefs=(*self.beliefs, *(replace(b, owner=moved(b.owner)) for b in again)),
            tie=True,
        )

    def unknowns(self) -> Unknowns:
        """Columns and beliefs of all of it."""
        tie = (self.hold_tie_Nm, self.hold_tie_Nm) if self.tie else None
        made = unknowns(
            self.priors,
            [one.terms.owner for one in self.looks],
            hold_sd_Nm=self.hold_sd_Nm,
            tie_sd_Nm=tie,
            alike=self.tie,
            tyre_drifts=True,
        )
        for belief in self.beliefs:
            made = made.with_row(_indices(made, belief), 0.0, 1.0, belief.group)
        return made

    def covariance(self) -> FloatArray:
        """(5, 5) of the lock curve, or (10, 10) of the curves before and after."""
        made = self.unknowns()
        hessian = made.information
        for one in self.looks:
            own, picked = one.terms.own(made)
            for jac, _, curvature in one.terms.terms:
                hessian[np.ix_(own, own)] += one.times * (jac[picked] * curvature) @ jac[picked].T
        pulls = [np.sqrt(one.times) * self._pulls(one, made, hessian) for one in self.looks]
        held = np.vstack([*pulls, made.rows[made.believed]])
        spread = self.widened * np.linalg.solve(hessian, held.T)[len(made.columns) :]
        return spread @ spread.T + self._form(made.sides)

    def _pulls(self, one: Looks, made: Unknowns, hessian: FloatArray) -> FloatArray:
        if not one.planned:
            return group_pulls([one.terms], made, hessian)
        each = []
        for k, (miss, (jac, _, curvature)) in enumerate(zip(self.misses, one.terms.terms, strict=True)):
            silent = [(j, np.zeros_like(c), c) for j, _, c in one.terms.terms]
            silent[k] = (jac, miss * curvature, curvature)
            each.append(group_pulls([replace(one.terms, terms=tuple(silent))], made, hessian))
        return np.vstack(each)

    def _form(self, sides: int) -> FloatArray:
        slipping = np.concatenate([one.torque_Nm for one in self.looks])
        if sides > 1:
            drawn = form_error(np.array([self.curve, self.curve]), slipping)
            return self.form_factor**2 * np.cov(drawn.reshape(len(drawn), -1).T)
        rng = np.random.default_rng(SEED)
        drawn = model_error(self.curve, slipping_torque_Nm=slipping, rng=rng, replicates=FORM_DRAWS)
        return self.form_factor**2 * np.cov(drawn.T)


def information_of(fit: Fit, priors: tuple[Prior, ...], *, hold_tie_Nm: float) -> Information:
    """What the logs of a fit tell.

    Parameters
    ----------
    fit : without anchors of a setup file.
    priors : of its parameters, as the fit was made with (`session_problem.shared_priors`).
    hold_tie_Nm : how far apart the hold-offs before and after a change may be, one standard deviation.
    """
    problem, theta, now = fit.problem, fit.theta, fit.evaluation
    logs = log_terms(problem, now, slopes(problem, theta, now))
    torque = now.solution.at.input_torque_Nm
    return Information(
        priors=priors,
        hold_sd_Nm=hold_sd_Nm(problem.car),
        curve=fit.curve,
        values=problem.values(theta),
        looks=tuple(
            Looks(log, torque[part][problem.slipping[part]]) for log, part in zip(logs, problem.parts, strict=True)
        ),
        beliefs=_measured(problem.unknowns, {log.owner.source: log.owner for log in logs}),
        misses=_misses(logs),
        form_factor=(1.0 if problem.sensors.gyro else WITHOUT_GYRO)
        * (1.0 if problem.sensors.lat_g else WITHOUT_LATERAL),
        hold_tie_Nm=hold_tie_Nm,
        widened=problem.widened,
    )


def session_beliefs(known: Information, owner: Owner, *, whole_laps: bool) -> tuple[Belief, ...]:
    """What a further log would measure as a whole, as the first one did.

    Parameters
    ----------
    owner : of that log.
    whole_laps : whether it is of laps, without which nothing tells the zero along the car.
    """
    found: dict[tuple[str, ...], Belief] = {}
    for belief in known.beliefs:
        if belief.group != "planned" and (whole_laps or len(belief.weights) > 1 or "long_bias" not in belief.weights):
            found.setdefault(tuple(belief.weights), replace(belief, owner=owner))
    return tuple(found.values())


def _indices(made: Unknowns, belief: Belief) -> dict[int, float]:
    weights = {}
    curve = made.curve_slice(belief.owner.side).start
    for name, weight in belief.weights.items():
        if name in model.NAMES:
            weights[curve + model.NAMES.index(name)] = weight
    for i in made.active(belief.owner):
        if made.columns[i].name in belief.weights:
            weights[int(i)] = belief.weights[made.columns[i].name]
    return weights


def _measured(made: Unknowns, owners: Mapping[object, Owner]) -> tuple[Belief, ...]:
    """The rows behind the unknowns' own: what the logs measure as a whole."""
    found = []
    for row, group in zip(made.rows[made.count :], made.groups[made.count :], strict=True):
        about = np.flatnonzero(row)
        whose = [made.columns[i].owner[1] for i in about if made.columns[i].owner[0] == "log"]
        owner = owners[whose[0]] if whose else next(iter(owners.values()))
        found.append(Belief({made.columns[i].name: float(row[i]) for i in about}, group, owner))
    return tuple(found)


def _misses(logs: tuple[LogTerms, ...]) -> FloatArray:
    """(6,) root mean square of a pass's mean residual by term; of a bound, that of what slips."""
    found = []
    for term in range(len(logs[0].terms)):
        slope, curvature = (
            np.concatenate([np.bincount(_numbered(log.group), weights=log.terms[term][k]) for log in logs])
            for k in (1, 2)
        )
        told = curvature > 0
        mean = slope[told] / curvature[told]
        weight = curvature[told]
        found.append(float(np.sqrt((weight * mean**2).sum() / weight.sum())) if told.any() else 0.0)
    found[-1] = found[-2]
    return np.array(found)


def _numbered(group: IntArray) -> IntArray:
    return np.unique(group, return_inverse=True)[1]
