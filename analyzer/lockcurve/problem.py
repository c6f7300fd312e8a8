"""What is fitted: the chosen samples of one or several logs, their loss for given unknowns, and its slopes.

    sum_i w_i [ huber(e_ix) + huber(e_iy) + huber(e_if) + huber(e_id) ]   axle equations, state profiled out
  + sum_slipping w_i huber((M_i - M(T_i; c)) / sd_i)                      a slipping axle measures
  - sum_locked w_i log Phi((M(T_i; c) - |D_i|) / sd_i)                    a locked axle bounds
  + 1/2 |beliefs|^2                                                       `unknowns`, and anchors where there are any

M_i is T_slow - T_fast of sample i, D_i its torque difference. w makes one corner pass count about once. Every term
depends on all unknowns, so lock curve and tyre are found together: the same torque at the same input torque, left and
right, inside fast and outside fast.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve import model
from analyzer.lockcurve.model import CurveAnchors, censored, huber
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.unknowns import CURVE, HOLDS, Measured, Owner, Unknowns, measured_by, unknowns
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle import AxleEquations, AxleInputs
from analyzer.vehicle.axle_slopes import Derivatives
from analyzer.vehicle.axle_solution import AxleSolution, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import BOUNDS, Prior

LOCK_SD_Nm = 50.0  # scatter of the locking torque about its curve on a rough road; `fit.weighed` sees what it is
# While the input torque changes, the filters mix torques, and the mean of a curve with a corner at zero lies above the
# curve at the mean: a slope of about 0.3 times the 0.1 s that a 3 Hz filter remembers, in N.m per N.m/s. Without it
# preloads read 20 % high on simulated cars.
SMEARING_S = 0.03
MOST_SAMPLES = 6000  # of a log
# how long tyres are taken for the same: a circuit of a minute or two keeps its corners in every stretch
STRETCH_S, MOST_STRETCHES = 100.0, 12
# of the torque that rear tyres take to their peak: preload springs outside the packs hold the ramps off by the preload
# over the slope, 70 to 500 N.m on the cars of tests/accuracy
HOLD_SD_SHARE = 0.2
PEAK_FORCE_SHARE = 0.45  # of the weight, what rear tyres take in a corner at their peak; common practice, no source
CURVE_BOUNDS = np.array([[0.0, 5000.0], [0.0, 3.0], [0.0, 2000.0], [0.0, 3.0], [0.0, 2000.0]])
EQUATIONS = 4
FIRST = Owner()


@dataclass(frozen=True)
class LogPart:
    """The chosen samples of one log, (n,) each; `weight` is what one of them counts."""

    inputs: AxleInputs
    sign: FloatArray
    slipping: BoolArray
    locked: BoolArray
    group: IntArray
    slip_noise: FloatArray
    torque_rate_Nm_s: FloatArray
    stretch: IntArray
    weight: float
    owner: Owner
    sensors: Sensors
    measured: tuple[Measured, ...] = ()


@dataclass(frozen=True)
class Problem:
    """The samples of all logs one behind the other, (n,) each, with the unknowns.

    Attributes
    ----------
    sign : of the speed difference.
    group : number of the corner pass, no two logs share one.
    weight : what a sample counts.
    parts : where the samples of each log, or of each of its stretches, are.
    owners : whose they are.
    logs : the logs as a whole.
    anchors : what the parts say of a side's curve; None leaves the log alone to speak.
    lock_sd_Nm : scatter of the locking torque about its curve, of all samples or of each (n,).
    sensors : what all logs measured.
    widened : factor on the deviations of the answer, see `fit`.
    """

    inputs: AxleInputs
    sign: FloatArray
    slipping: BoolArray
    locked: BoolArray
    group: IntArray
    slip_noise: FloatArray
    torque_rate_Nm_s: FloatArray
    weight: FloatArray
    parts: tuple[slice, ...]
    owners: tuple[Owner, ...]
    logs: tuple[Owner, ...]
    unknowns: Unknowns
    car: Car
    hold_sd_Nm: float
    sensors: Sensors
    anchors: CurveAnchors | None = None
    lock_sd_Nm: FloatArray | float = LOCK_SD_Nm
    widened: float = 1.0

    @property
    def start(self) -> FloatArray:
        """(P,) where the unknowns begin."""
        return self.unknowns.start

    def values(self, theta: FloatArray, log: int = 0) -> dict[str, float]:
        """Parameters of one log by name, those of the log as a whole.

        Parameters
        ----------
        theta : (P,) unknowns.
        log : its place in `logs`.
        """
        found = self.unknowns.parameters(theta, self.logs[log])
        return dict(zip(self.unknowns.names, found.tolist(), strict=True))

    def sample_values(self, theta: FloatArray) -> dict[str, float | FloatArray]:
        """Parameters by name, as the axle's equations take them.

        Parameters
        ----------
        theta : (P,) unknowns.

        Returns
        -------
        dict : a float where all samples have the same, else (n,).
        """
        by_log = np.array([self.unknowns.parameters(theta, owner) for owner in self.owners])
        counts = [part.stop - part.start for part in self.parts]
        found: dict[str, float | FloatArray] = {}
        for name, values in zip(self.unknowns.names, by_log.T, strict=True):
            found[name] = float(values[0]) if np.ptp(values) == 0 else np.repeat(values, counts)
        return found

    def samples_of(self, log: Owner) -> IntArray:
        """Indices of a log's samples, of all its stretches, rising.

        Parameters
        ----------
        log : any owner of that source; its side and stretch do not count.
        """
        own = [
            np.arange(part.start, part.stop)
            for part, owner in zip(self.parts, self.owners, strict=True)
            if owner.source == log.source
        ]
        return np.concatenate(own)

    def curve_of(self, theta: FloatArray, part: int) -> FloatArray:
        """(5,) lock curve that the samples of a part follow, in the order of `model.NAMES`.

        Parameters
        ----------
        theta : (P,) unknowns.
        part : its place in `parts`.
        """
        return theta[self.unknowns.curve_slice(self.owners[part].side)]


def hold_sd_Nm(car: Car) -> float:
    """How far from zero the ramps may begin to clamp (N.m), one standard deviation."""
    return HOLD_SD_SHARE * PEAK_FORCE_SHARE * car.mass_kg * STANDARD_GRAVITY_M_S2 * car.rear_rolling_radius_m


def log_part(observed: Observations, *, owner: Owner = FIRST, measured: Sequence[Measured] = ()) -> LogPart:
    """Choose the samples of a log: all usable slipping or locked ones, thinned to at most `MOST_SAMPLES`.

    Parameters
    ----------
    owner : whose they are.
    measured : what the log tells as a whole besides.

    Returns
    -------
    LogPart : `weight` makes up for what was thinned, up to 1.
    """
    slipping = observed.usable & observed.slipping
    locked = observed.usable & observed.locked
    chosen = np.flatnonzero(slipping | locked)
    thin = max(1, int(np.ceil(len(chosen) / MOST_SAMPLES)))
    chosen = chosen[::thin]
    return LogPart(
        inputs=observed.inputs.take(chosen),
        sign=np.sign(observed.speed_difference_rad_s[chosen]),
        slipping=slipping[chosen],
        locked=locked[chosen],
        group=observed.group[chosen],
        slip_noise=observed.slip_noise[chosen],
        torque_rate_Nm_s=observed.torque_rate_Nm_s[chosen],
        stretch=stretches(observed.time_s[chosen]),
        weight=min(1.0, observed.weight * thin),
        owner=owner,
        measured=tuple(measured),
        sensors=observed.sensors,
    )


def stretches(time_s: FloatArray) -> IntArray:
    """In which of a log's equal stretches each sample is.

    Parameters
    ----------
    time_s : (n,) rising; stretches are of time, so one may have no sample.

    Returns
    -------
    ndarray : (n,) int from 0; stretches are of `STRETCH_S` or more, and `MOST_STRETCHES` at the most.
    """
    length = float(time_s[-1] - time_s[0]) if len(time_s) else 0.0
    count = int(np.clip(length / STRETCH_S, 1, MOST_STRETCHES))
    share = (time_s - time_s[0]) / max(length, 1e-9) if len(time_s) else time_s
    number: IntArray = np.minimum((share * count).astype(int), count - 1)
    return number


def owners_of(parts: Sequence[LogPart]) -> list[Owner]:
    """Whose the samples of some logs are, stretch by stretch."""
    return [owner for part in parts for owner, _ in _cut(part)]


def _cut(part: LogPart) -> list[tuple[Owner, int]]:
    """Owner and number of samples of each stretch of a log; of all of it, where there is but one."""
    numbers, counts = np.unique(part.stretch, return_counts=True)
    if len(numbers) < 2:
        return [(part.owner, len(part.inputs))]
    each = zip(numbers.tolist(), counts.tolist(), strict=True)
    return [(replace(part.owner, stretch=number), count) for number, count in each]


def make_problem(observed: Observations, car: Car, priors: Sequence[Prior]) -> Problem:
    """The problem of one log that measures nothing as a whole.

    Parameters
    ----------
    priors : of the log's parameters, as `parameters.priors` gives them.
    """
    part = log_part(observed)
    return joined([part], car, unknowns(priors, owners_of([part]), hold_sd_Nm=hold_sd_Nm(car)))


def joined(parts: Sequence[LogPart], car: Car, made: Unknowns) -> Problem:
    """The problem of several logs; what each log measures as a whole is added to the unknowns' beliefs.

    Parameters
    ----------
    parts : of each log; their samples stand one behind the other.
    made : the unknowns, for the owners that `owners_of(parts)` gives.
    """
    for part in parts:
        made = measured_by(made, part.owner, part.measured)
    counts = [len(part.inputs) for part in parts]
    cut = [piece for part in parts for piece in _cut(part)]
    ends = np.cumsum([0, *(count for _, count in cut)])
    groups = np.cumsum([0, *(int(p.group.max(initial=-1)) + 1 for p in parts)])
    inputs = {f.name: np.concatenate([getattr(p.inputs, f.name) for p in parts]) for f in fields(AxleInputs)}
    return Problem(
        inputs=AxleInputs(**inputs),
        sign=np.concatenate([p.sign for p in parts]),
        slipping=np.concatenate([p.slipping for p in parts]),
        locked=np.concatenate([p.locked for p in parts]),
        slip_noise=np.concatenate([p.slip_noise for p in parts]),
        torque_rate_Nm_s=np.concatenate([p.torque_rate_Nm_s for p in parts]),
        group=np.concatenate([p.group + g for p, g in zip(parts, groups, strict=False)]),
        weight=np.repeat([p.weight for p in parts], counts),
        parts=tuple(slice(int(a), int(b)) for a, b in pairwise(ends)),
        owners=tuple(owner for owner, _ in cut),
        logs=tuple(p.owner for p in parts),
        unknowns=made,
        car=car,
        hold_sd_Nm=hold_sd_Nm(car),
        sensors=Sensors.common(p.sensors for p in parts),
    )


def anchored(problem: Problem, anchors: CurveAnchors) -> Problem:
    """The same problem with what the parts say of its curve.

    A hold-off that they state keeps nothing of the weak belief that it is small: preload springs outside the packs
    alone take it to a few hundred N.m.

    Parameters
    ----------
    problem : of one lock curve; of two, the first is anchored.
    """
    made = problem.unknowns
    first = made.curve_slice(0).start
    stated = [anchors.drive_hold is not None, anchors.coast_hold is not None]
    weak = {first + hold for hold, told in zip(HOLDS, stated, strict=True) if told}
    keep = np.array([set(np.flatnonzero(row)) - weak != set() for row in made.rows])
    groups = tuple(g for g, k in zip(made.groups, keep, strict=True) if k)
    made = replace(made, rows=made.rows[keep], targets=made.targets[keep], groups=groups)
    return replace(problem, unknowns=made, anchors=anchors)


@dataclass(frozen=True)
class Evaluation:
    """One evaluation of the loss, with what its slopes need."""

    solution: AxleSolution
    measured: FloatArray  # residual of slipping samples, in sd
    margin: FloatArray  # margin of locked samples, in sd
    sd: FloatArray
    trust: FloatArray
    loss: float


Scale: TypeAlias = tuple[FloatArray, FloatArray]  # sd (N.m) and trust of each sample, kept so that losses compare


def evaluate(problem: Problem, theta: FloatArray, start: FloatArray | None, scale: Scale | None) -> Evaluation:
    """Solve the axle's state at some unknowns, and the loss there.

    Parameters
    ----------
    theta : (P,) unknowns.
    start : (2, n) state to begin from; None: from rolling freely.
    scale : (sd (n,) in N.m, trust (n,)) to keep, so that losses of two `theta` compare; None: worked out here.
    """
    value = problem.sample_values(theta)
    return judged(problem, theta, solve(value, problem.inputs, problem.car, start=start, iterations=30), scale)


def judged(problem: Problem, theta: FloatArray, solution: AxleSolution, scale: Scale | None) -> Evaluation:
    """Loss at some unknowns and the state solved there.

    Parameters
    ----------
    theta : (P,) unknowns.
    solution : state of every sample at `theta`.
    scale : as in `evaluate`.
    """
    at = solution.at
    if scale is None:
        scatter = np.hypot(problem.lock_sd_Nm, SMEARING_S * problem.torque_rate_Nm_s)
        sd = np.hypot(scatter, at.difference_per_slip * problem.slip_noise)
        surplus = np.abs(at.residual[:2]).max(axis=0)
        trust = 1 / (1 + (surplus / 3.0) ** 2 + _sliding(at) ** 2)
    else:
        sd, trust = scale
    capacity = _capacity_Nm(problem, theta, at.input_torque_Nm)
    measured = (-problem.sign * at.torque_difference_Nm - capacity) / sd
    margin = (capacity - np.abs(at.torque_difference_Nm)) / sd
    weight = problem.weight
    loss = (
        (weight * huber(at.residual)[0]).sum()
        + (weight * trust * huber(measured)[0])[problem.slipping].sum()
        + (weight * trust * censored(margin)[0])[problem.locked].sum()
        + 0.5 * ((problem.unknowns.rows @ theta - problem.unknowns.targets) ** 2).sum()
    )
    if problem.anchors is not None:
        loss += 0.5 * (problem.anchors.residuals(theta[problem.unknowns.curve_slice(0)])[0] ** 2).sum()
    return Evaluation(solution, measured, margin, sd, trust, float(loss))


def _sliding(at: AxleEquations) -> FloatArray:
    """How far beyond what a tyre curve can tell: past the peak sideways the split of the sum is guesswork, and far past
    it on drive the falling friction of hot rubber is. 0 where all is well, 1 where a sample counts half."""
    sideways = np.where(at.input_torque_Nm < 100, np.maximum(at.use.max(axis=0) - 0.8, 0.0) / 0.2, 0.0)
    spinning = np.maximum(at.use.max(axis=0) - 1.5, 0.0) / 0.75
    both = np.maximum(at.use.min(axis=0) - 1.0, 0.0) / 0.2
    past: FloatArray = np.hypot(np.where(at.lateral_demand > 0.5, sideways, 0.0), np.hypot(spinning, both))
    return past


def _capacity_Nm(problem: Problem, theta: FloatArray, torque_Nm: FloatArray) -> FloatArray:
    """(n,) what each sample's lock curve carries at its input torque."""
    return np.concatenate(
        [model.locking_torque_Nm(problem.curve_of(theta, k), torque_Nm[part]) for k, part in enumerate(problem.parts)]
    )


@dataclass(frozen=True)
class Slopes:
    """Total derivatives, the state re-profiled, by parameter (K, ...) and by the lock curve's five.

    `axle` (K, 4, n), `measured` and `margin` (K, n) in standard deviations; `by_curve` (5, n) of the measured residual.
    """

    axle: FloatArray
    measured: FloatArray
    margin: FloatArray
    by_curve: FloatArray


def slopes(problem: Problem, theta: FloatArray, now: Evaluation) -> Slopes:
    """Slopes of the residuals; those of a parameter are the same whichever column of its moves a sample's value.

    Parameters
    ----------
    theta : (P,) unknowns.
    now : `evaluate` there, its equations with their slopes.
    """
    at, state = now.solution.at, now.solution.state
    names = problem.unknowns.names
    count, n = len(names), len(problem.inputs)
    axle, torque, difference = np.empty((count, EQUATIONS, n)), np.empty((count, n)), np.empty((count, n))
    gradients = [
        model.gradient(problem.curve_of(theta, k), at.input_torque_Nm[part]) for k, part in enumerate(problem.parts)
    ]
    by_curve = np.concatenate([g[0] for g in gradients], axis=1)
    by_torque = np.concatenate([g[1] for g in gradients])
    assert at.slope is not None and at.input_slope is not None and at.difference_slope is not None
    answers = now.solution.state_shift(at.slope)  # the state's, to a change of each residual
    derivatives = Derivatives(state, problem.sample_values(theta), problem.inputs, problem.car)
    for j, name in enumerate(names):
        by = derivatives.by(name)
        u, s = (answers * by.residual).sum(axis=1)
        axle[j] = by.residual + at.slope[0] * u + at.slope[1] * s
        torque[j] = by.input_torque_Nm + at.input_slope[0] * u + at.input_slope[1] * s
        difference[j] = by.torque_difference_Nm + at.difference_slope[0] * u + at.difference_slope[1] * s
    carried = by_torque * torque
    measured = (-problem.sign * difference - carried) / now.sd
    margin = (carried - np.sign(at.torque_difference_Nm) * difference) / now.sd
    return Slopes(axle, measured, margin, -by_curve / now.sd)


@dataclass(frozen=True)
class LogTerms:
    """What one log adds to curvature and gradient.

    Attributes
    ----------
    owner : of the samples; `group` (n,) their corner passes, `jac`'s columns.
    terms : (slopes (K + 5, n) against every parameter and the curve's five, weighted slope (n,) and weighted curvature
        (n,) of the loss), for each equation, and for what slips and what is locked.
    """

    owner: Owner
    group: IntArray
    terms: tuple[tuple[FloatArray, FloatArray, FloatArray], ...]

    def own(self, made: Unknowns) -> tuple[IntArray, IntArray]:
        """Which unknowns these samples move (q,), and which rows of `terms`' slopes those are (q,)."""
        place = {name: i for i, name in enumerate(made.names)}
        active = made.active(self.owner)
        named = [place[made.columns[i].name] for i in active]
        at = np.concatenate([active, np.arange(made.count)[made.curve_slice(self.owner.side)]])
        return at, np.array([*named, *range(len(made.names), len(made.names) + CURVE)])


def log_terms(problem: Problem, now: Evaluation, found: Slopes) -> tuple[LogTerms, ...]:
    """What each log, or each of its stretches, adds to curvature and gradient, in the order of `problem.parts`.

    Parameters
    ----------
    now, found : loss and slopes at the same unknowns.
    """
    logs = []
    for k, part in enumerate(problem.parts):
        nothing = np.zeros((CURVE, part.stop - part.start))
        weight = problem.weight[part]
        curve = found.by_curve[:, part]
        terms = []
        for row in range(EQUATIONS):
            _, slope, curvature = huber(now.solution.at.residual[row, part])
            terms.append((np.concatenate([found.axle[:, row, part], nothing]), weight * slope, weight * curvature))
        for rows_in, z, jac, loss in (
            (problem.slipping, now.measured, np.concatenate([found.measured[:, part], curve]), huber),
            (problem.locked, now.margin, np.concatenate([found.margin[:, part], -curve]), censored),
        ):
            _, slope, curvature = loss(z[part])
            counted = weight * now.trust[part] * rows_in[part]
            terms.append((jac, counted * slope, counted * curvature))
        logs.append(LogTerms(problem.owners[k], problem.group[part], tuple(terms)))
    return tuple(logs)


def normal_equations(
    problem: Problem, theta: FloatArray, now: Evaluation, found: Slopes, per_group: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Curvature, gradient and pulls of the loss. Beliefs are in curvature and gradient, not in the passes' pulls.

    Parameters
    ----------
    theta : (P,) unknowns.
    now, found : loss and slopes there.
    per_group : whether the pulls are asked for; they take longer than the rest.

    Returns
    -------
    tuple : curvature (P, P), gradient (P,), pulls by corner pass (groups, P); (0, P) where not asked for.
    """
    made = problem.unknowns
    hessian = made.information
    gradient = made.rows.T @ (made.rows @ theta - made.targets)
    if problem.anchors is not None:
        at = made.curve_slice(0)
        residual, rows = problem.anchors.residuals(theta[at])
        hessian[at, at] += rows.T @ rows
        gradient[at] += rows.T @ residual
    logs = log_terms(problem, now, found)
    for log in logs:
        own, picked = log.own(made)
        for jac, slope, curvature in log.terms:
            moved = jac[picked]
            hessian[np.ix_(own, own)] += (moved * curvature) @ moved.T
            gradient[own] += moved @ slope
    pulls = group_pulls(logs, made, hessian) if per_group else np.zeros((0, made.count))
    return hessian, gradient, pulls


def group_pulls(logs: Sequence[LogTerms], made: Unknowns, hessian: FloatArray) -> FloatArray:
    """Pulls of the corner passes on the answer.

    The pull of a pass is its gradient g_k, made larger by how much the pass has drawn the fit to itself:
    H (H - H_k)^-1 g_k, so that H^-1 times it is what leaving the pass out would change (the jackknife; few passes look
    too sure without it).

    Parameters
    ----------
    logs : terms of each, at the answer.
    hessian : (P, P) curvature there, beliefs included.

    Returns
    -------
    ndarray : (groups, P), log by log; a pass that is in two stretches of a log has two pulls.
    """
    pulls = []
    for log in logs:
        own, picked = log.own(made)
        # all terms one behind the other, pass by pass
        group = np.tile(log.group, len(log.terms))
        order = np.argsort(group, kind="stable")
        jac = np.concatenate([jac[picked] for jac, _, _ in log.terms], axis=1)[:, order]
        slope, curvature = (np.concatenate(parts)[order] for parts in list(zip(*log.terms, strict=True))[1:])
        _, first = np.unique(group[order], return_index=True)
        for start, stop in pairwise([*first, len(group)]):
            mine = slice(start, stop)
            pull, rest = np.zeros(made.count), hessian.copy()
            rest[np.ix_(own, own)] -= (jac[:, mine] * curvature[mine]) @ jac[:, mine].T
            pull[own] += jac[:, mine] @ slope[mine]
            pulls.append(hessian @ np.linalg.solve(rest, pull))
    return np.array(pulls).reshape(-1, made.count)


def bounded(problem: Problem, theta: FloatArray) -> FloatArray:
    """Unknowns moved inside the limits of tyre and lock curve (`BOUNDS`, `CURVE_BOUNDS`); the argument stays as it is.

    Parameters
    ----------
    theta : (P,).
    """
    theta = theta.copy()
    for j, column in enumerate(problem.unknowns.columns):
        if column.name in BOUNDS and not column.adds:
            theta[j] = np.clip(theta[j], *BOUNDS[column.name])
    for side in range(problem.unknowns.sides):
        at = problem.unknowns.curve_slice(side)
        theta[at] = np.clip(theta[at], CURVE_BOUNDS[:, 0], CURVE_BOUNDS[:, 1])
    return theta
