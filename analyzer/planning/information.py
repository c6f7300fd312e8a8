"""What logs and measurements tell of the lock curve together: the fit's curvature and scatter, put together anew.

The fit's own pieces, linearised where it ended: each log's slopes, the beliefs of its unknowns, the pulls of its corner
passes. With H their curvature, G the passes' pulls and R the rows somebody believes, the curve is as sure as
`lockcurve.uncertainty` states it,

    H^-1 (G'G + R'R) H^-1 + error of the tyre's form.

A measurement on the bench is one row more. A log not driven yet has looks solved through the fitted model: they miss
nothing, so they are taken to miss what the logged ones do. As the fit counts looks (`observations.CORRELATION_S`), what
one misses does not average out within it, and two miss apart: a pass of W looks misses by m / sqrt(max(W, 1)) in its
mean, m that of the logged passes, term by term.

Slopes' intervals follow the loss along the hold-off, as the answer's do (`lockcurve.hold_off`): the witness is then one
of all these looks. The fit ends where the loss is least, and looks that miss nothing leave it there.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import FloatArray, IntArray
from analyzer.comparison.joint import form_error
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit, widening
from analyzer.lockcurve.hold_off import HOLDS, CurveBelief, followed
from analyzer.lockcurve.loss import LogTerms, group_pulls, log_terms, slopes
from analyzer.lockcurve.problem import FIRST, hold_sd_Nm
from analyzer.lockcurve.uncertainty import SEED, WITHOUT_GYRO, WITHOUT_LATERAL, model_error, within_holds
from analyzer.lockcurve.unknowns import Owner, Unknowns, unknowns
from analyzer.lockcurve.witness import Samples, Witness, samples_of
from analyzer.vehicle.parameters import Prior

FORM_DRAWS = 4000  # of the tyre's form error, for its covariance to 2 %
DRAWS = 2000  # of a lock curve, for its 95 % intervals to 4 %
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
    terms, samples : its slopes and samples.
    front : errors of its front wheels' speed over the assumed ones (`fit.shown`).
    times : how often its passes count; 2 is as many laps again.
    planned : not driven yet: its passes miss nothing, and are taken to miss what logged ones do.
    """

    terms: LogTerms
    samples: Samples
    front: float
    times: float = 1.0
    planned: bool = False


@dataclass(frozen=True)
class Information:
    """What is known, or would be.

    Attributes
    ----------
    curve : (5,) where the fit ended.
    values : parameters of the first log by name, there.
    misses : (6,) miss of a look by term, in standard deviations.
    form_factor : on the form error, of logs without a gyro or a lateral accelerometer.
    hold_tie_Nm : how far apart the hold-offs before and after a change may be, one standard deviation.
    tie : whether there are two sides, tied.
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

    @property
    def widened(self) -> float:
        """By which all of the answer but the tyre's form is wider, as of a fit's problem."""
        return widening(list({one.terms.owner.source: one.front for one in self.looks}.values()))

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

    def curves(self, covariance: FloatArray) -> FloatArray:
        """(k, 5) draws of the lock curve, along what its hold-offs and slopes leave open; of one side.

        Parameters
        ----------
        covariance : (5, 5) of the curve, as `covariance` gives it.
        """
        draws = np.random.default_rng(SEED).multivariate_normal(self.curve, covariance, DRAWS)
        made = self.unknowns()
        at = made.curve_slice(0)
        measured = made.rows[made.count :, at]
        measured = measured[measured.any(axis=1)]
        believed = CurveBelief.of(
            made.rows[: made.count, at],
            made.start[at],
            measured=_Measured(self.curve, measured) if len(measured) else None,
            holds=frozenset(hold for hold in HOLDS if measured[:, hold].any()),
            hold_sd_Nm=self.hold_sd_Nm,
            widened=self.widened,
        )
        witness = Witness.put_together(
            made,
            [_more(one.terms, one.times) for one in self.looks],
            [replace(one.samples, weight=one.times * one.samples.weight) for one in self.looks],
            misses=np.zeros(len(made.rows)),
            curve=self.curve,
            widened=self.widened,
        )
        # where the fit ended nothing pulls at tyre, car and sensors: what samples pull, all else holds against
        pulled = -witness.by_unknown.T @ witness.judged(self.curve)[1]
        return within_holds(followed(replace(witness, gradient=pulled), self.curve, draws, believed))

    def _pulls(self, one: Looks, made: Unknowns, hessian: FloatArray) -> FloatArray:
        if not one.planned:
            return group_pulls([one.terms], made, hessian)
        each = []
        number = _numbered(one.terms.group)
        for k, (miss, (jac, _, curvature)) in enumerate(zip(self.misses, one.terms.terms, strict=True)):
            silent = [(j, np.zeros_like(c), c) for j, _, c in one.terms.terms]
            looks = np.bincount(number, weights=curvature)[number]
            silent[k] = (jac, miss / np.sqrt(np.maximum(looks, 1.0)) * curvature, curvature)
            each.append(group_pulls([replace(one.terms, terms=tuple(silent))], made, hessian))
        return np.vstack(each)

    def _form(self, sides: int) -> FloatArray:
        slipping = np.concatenate([one.samples.torque_Nm[one.samples.slipping] for one in self.looks])
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
    front = math.sqrt(problem.widened**2 - 1)  # of the logs there are, in the mean
    return Information(
        priors=priors,
        hold_sd_Nm=hold_sd_Nm(problem.car),
        curve=fit.curve,
        values=problem.values(theta),
        looks=tuple(Looks(log, samples, front) for log, samples in zip(logs, samples_of(problem, now), strict=True)),
        beliefs=_measured(problem.unknowns, {log.owner.source: log.owner for log in logs}),
        misses=_misses(logs),
        form_factor=(1.0 if problem.sensors.gyro else WITHOUT_GYRO)
        * (1.0 if problem.sensors.lat_g else WITHOUT_LATERAL),
        hold_tie_Nm=hold_tie_Nm,
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
    """(6,) root mean square of what a look misses, by term; of a bound, that of what slips."""
    found = []
    for term in range(len(logs[0].terms)):
        slope, curvature = (
            np.concatenate([np.bincount(_numbered(log.group), weights=log.terms[term][k]) for log in logs])
            for k in (1, 2)
        )
        told = curvature > 0
        mean = slope[told] / curvature[told]
        weight = curvature[told]
        of_a_look = mean**2 * np.maximum(weight, 1.0)
        found.append(float(np.sqrt((weight * of_a_look).sum() / weight.sum())) if told.any() else 0.0)
    found[-1] = found[-2]
    return np.array(found)


@dataclass(frozen=True)
class _Measured:
    """What is measured of a lock curve, rows (a, 5) over their deviations, and where the curve of the fit is (5,): as
    the measurements have it."""

    curve: FloatArray
    rows: FloatArray

    def residuals(self, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
        return self.rows @ (curve - self.curve), self.rows


def _more(terms: LogTerms, times: float) -> LogTerms:
    """A log's terms, counted more often."""
    return replace(terms, terms=tuple((jac, times * slope, times * bent) for jac, slope, bent in terms.terms))


def _numbered(group: IntArray) -> IntArray:
    return np.unique(group, return_inverse=True)[1]
