"""The loss of a `Problem` for given unknowns, its slopes, and what each corner pass pulls.

    sum_i w_i [ huber(e_ix) + huber(e_iy) + huber(e_if) + huber(e_id) ]   axle equations, state profiled out
  + sum_slipping w_i huber((M_i - M(T_i; c)) / sd_i)                      a slipping axle measures
  - sum_locked w_i log Phi((q M(T_i; c) - |D_i|) / sd_i)                  a locked axle bounds
  + 1/2 |beliefs|^2                                                       `unknowns`, and anchors where there are any

M_i is T_slow - T_fast of sample i, D_i its torque difference, q the plates' friction sticking over slipping: without it
plates that stick harder than they slip read as more lock. Locked samples tell q from below only; from above the belief
holds it. sd_i is proportional to the tyre's slip stiffness: what scatters is the measured slip, of which the tyre makes
M_i and D_i. With a fixed torque for it, a softer tyre, which makes less torque of the same scatter, would fit better. w
makes one corner pass count about once. Every term depends on all unknowns, so lock curve and tyre are found together:
the same torque at the same input torque, left and right, inside fast and outside fast.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeAlias

import numpy as np

from analyzer.arrays import FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.model import censored
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.unknowns import CURVE, Owner, Unknowns
from analyzer.robust import huber
from analyzer.vehicle.axle import AxleEquations
from analyzer.vehicle.axle_slopes import Derivatives
from analyzer.vehicle.axle_solution import AxleSolution, solve

# While the input torque changes, the filters mix torques, and the mean of a curve with a corner at zero lies above the
# curve at the mean: a slope of about 0.3 times the 0.1 s that a 3 Hz filter remembers, in N.m per N.m/s. Without it
# preloads read 20 % high on simulated cars.
SMEARING_S = 0.03
EQUATIONS = 4
STATIC, STIFFNESS = "log_static_ratio", "log_slip_stiffness"
Scale: TypeAlias = tuple[FloatArray, FloatArray]  # sd over slip stiffness (N.m) and trust of each sample


@dataclass(frozen=True)
class Evaluation:
    """One evaluation of the loss, with what its slopes need."""

    solution: AxleSolution
    capacity_Nm: FloatArray  # of the lock curve at each sample
    sticking: FloatArray  # q, what sticking plates carry over that
    measured: FloatArray  # residual of slipping samples, in sd
    margin: FloatArray  # margin of locked samples, in sd
    sd: FloatArray
    sd_per_stiffness: FloatArray
    trust: FloatArray
    loss: float

    @property
    def scale(self) -> Scale:
        """What another `theta` keeps of this one, so that their losses compare."""
        return self.sd_per_stiffness, self.trust


def evaluate(problem: Problem, theta: FloatArray, start: FloatArray | None, scale: Scale | None) -> Evaluation:
    """Solve the axle's state at some unknowns, and the loss there.

    Parameters
    ----------
    theta : (P,) unknowns.
    start : (2, n) state to begin from; None: from rolling freely.
    scale : (sd (n,) in N.m over the tyre's slip stiffness, trust (n,)) to keep, so that losses of two `theta` compare;
        None: worked out here.
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
    at, value = solution.at, problem.sample_values(theta)
    stiffness = np.exp(value[STIFFNESS]) if _slip_scatters(problem) else 1.0
    if scale is None:
        scatter = np.hypot(problem.lock_sd_Nm, SMEARING_S * problem.torque_rate_Nm_s)
        sd = np.hypot(scatter, at.difference_per_slip * problem.slip_noise)
        surplus = np.abs(at.residual[:2]).max(axis=0)
        trust = 1 / (1 + (surplus / 3.0) ** 2 + _sliding(at) ** 2)
    else:
        sd, trust = scale[0] * stiffness, scale[1]
    capacity = _capacity_Nm(problem, theta, at.input_torque_Nm)
    sticking = np.broadcast_to(np.exp(value[STATIC]), capacity.shape)
    measured = (-problem.sign * at.torque_difference_Nm - capacity) / sd
    margin = (sticking * capacity - np.abs(at.torque_difference_Nm)) / sd
    weight = problem.weight
    loss = (
        (weight * huber(at.residual)[0]).sum()
        + (weight * trust * huber(measured)[0])[problem.slipping].sum()
        + (weight * trust * censored(margin)[0])[problem.locked].sum()
        + 0.5 * ((problem.unknowns.rows @ theta - problem.unknowns.targets) ** 2).sum()
    )
    if problem.anchors is not None:
        loss += 0.5 * (problem.anchors.residuals(theta[problem.unknowns.curve_slice(0)])[0] ** 2).sum()
    return Evaluation(solution, capacity, sticking, measured, margin, sd, sd / stiffness, trust, float(loss))


def _slip_scatters(problem: Problem) -> bool:
    """Whether deviations are proportional to the tyre's stiffness. Where a change of speed stands in for the
    accelerometer, its noise, which nothing measures yet, makes tyres too stiff, and fixed deviations make up for it."""
    return problem.sensors.long_g


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
    margin = (now.sticking * carried - np.sign(at.torque_difference_Nm) * difference) / now.sd
    margin[names.index(STATIC)] += now.sticking * now.capacity_Nm / now.sd
    if _slip_scatters(problem):
        of_stiffness = names.index(STIFFNESS)  # which the deviations go with
        measured[of_stiffness] -= now.measured
        margin[of_stiffness] -= now.margin
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
        curve, held = found.by_curve[:, part], now.sticking[part]
        terms = []
        for row in range(EQUATIONS):
            _, slope, curvature = huber(now.solution.at.residual[row, part])
            terms.append((np.concatenate([found.axle[:, row, part], nothing]), weight * slope, weight * curvature))
        for rows_in, z, jac, loss in (
            (problem.slipping, now.measured, np.concatenate([found.measured[:, part], curve]), huber),
            (problem.locked, now.margin, np.concatenate([found.margin[:, part], -curve * held]), censored),
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
