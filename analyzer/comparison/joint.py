"""Several logs fitted at once: one tyre and one car for all, calibration left-overs by log, a lock curve a side.

What is wrong with the car file or the tyre model is wrong alike in every log, so it cancels in the difference of two
curves; that is why the interval of a change can be narrower than those of the curves it is taken from. What the sides
have in common beyond that is put to use in `joint_parameters` (hold-offs, left-overs) and `joint_draws` (corners).
"""

from dataclasses import dataclass

import numpy as np

from analyzer.comparison.joint_draws import form_error, joint_draws, prior_root
from analyzer.comparison.joint_parameters import JointLog, Layout
from analyzer.lockcurve.fit import (
    MOST_ITERATIONS,
    Evaluation,
    bounded,
    evaluate,
    held,
    newton_step,
    normal_equations,
    slopes,
)
from analyzer.lockcurve.uncertainty import within_holds

# Of the hold-off's own prior deviation: wear and heat move it by less, ramps a step steeper with the same ring springs
# by about that much (it goes as the tangent of their angle).
TIE_SHARE = 0.08


@dataclass(frozen=True)
class Curvature:
    """Shape of the joint loss at the fit; its last 10 parameters are the curves before and after.

    Attributes
    ----------
    data, information : (size, size) curvature of the data's loss, and of the priors'.
    gradients : (groups, size) of each corner pass; `clusters` and `log` say which cluster and log it is of.
    names : (size,) parameter and its group, `("lock_curve", ...)` for the curves.
    """

    data: np.ndarray
    information: np.ndarray
    gradients: np.ndarray
    clusters: tuple[tuple, ...]
    log: np.ndarray
    names: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class JointFit:
    """Result of a joint fit.

    Attributes
    ----------
    logs, thetas, evaluations : the logs, their parameters (P + 5,) and the fit at them, in the same order.
    curves : (2, 5) before and after.
    draws : (k, 2, 5) paired draws of both curves.
    log_draws : (k, P + 5) draws of each log's parameters.
    curvature : of the loss at the fit, for planning.
    largest_torque_Nm : largest input torque.
    torque_span_Nm : input torques at which both sides slipped.
    tie_sd_Nm : how far apart the hold-offs of both sides may be, on drive and on coast, one standard deviation; None
        without a tie.
    """

    logs: tuple[JointLog, ...]
    thetas: tuple[np.ndarray, ...]
    evaluations: tuple[Evaluation, ...]
    curves: np.ndarray
    draws: np.ndarray
    log_draws: tuple[np.ndarray, ...]
    curvature: Curvature
    largest_torque_Nm: float
    torque_span_Nm: tuple[float, float]
    tie_sd_Nm: tuple[float, float] | None


def fit_jointly(
    logs: tuple[JointLog, ...],
    *,
    tied: bool = True,
    tie_sd_Nm: tuple[float, float] | None = None,
    one_tyre: bool = True,
    one_gyro: bool = True,
    alike: bool = True,
) -> JointFit:
    """Fit all logs at once.

    Parameters
    ----------
    logs : of both sides.
    tied : tie the hold-offs of both sides; False leaves each free.
    tie_sd_Nm : how far apart they may be, on drive and on coast, one standard deviation; None: as far as wear, heat and
        another ramp angle take them.
    one_tyre, one_gyro : the same tyre, the same scale of the yaw rate on both sides; otherwise each side has its own.
    alike : what calibration leaves of the sensors is partly one error (`ALIKE_SHARE`); not on another circuit.
    """
    tie_sd = None
    if tied:
        usual = float(TIE_SHARE * logs[0].problem.hold_sd_Nm)
        tie_sd = tie_sd_Nm or (usual, usual)
    own = (*(() if one_tyre else ("tyre",)), *(() if one_gyro else ("log_yaw_scale",)))
    layout = Layout(logs, tie_sd_Nm=tie_sd, own=own, alike=alike)
    return _result(logs, layout, *_minimise(logs, layout), tie_sd_Nm=tie_sd)


def _minimise(logs: tuple[JointLog, ...], layout: Layout) -> tuple[np.ndarray, list[Evaluation]]:
    """Levenberg-Marquardt as in `lockcurve.fit`, over all logs."""
    problems = [log.problem for log in logs]
    theta = layout.start.copy()
    states: list[np.ndarray | None] = [None] * len(logs)
    damping = 1e-2
    for _ in range(MOST_ITERATIONS):
        now = [evaluate(p, theta[i], s, None) for p, i, s in zip(problems, layout.index, states, strict=True)]
        loss = _data_loss(logs, layout, theta, now) + layout.prior_loss(theta)
        hessian, gradient, _ = _assemble(logs, layout, theta, now, per_group=False)
        blocked = np.zeros(layout.size, bool)
        for problem, entries in zip(problems, layout.index, strict=True):
            blocked[entries] |= held(problem, theta[entries], gradient[entries])
        states = [e.solution.state for e in now]
        for _ in range(12):
            trial = theta + newton_step(hessian, gradient, damping, blocked)
            for problem, entries in zip(problems, layout.index, strict=True):
                trial[entries] = bounded(problem, trial[entries])
            there = [
                evaluate(p, trial[i], s, (e.sd, e.trust))
                for p, i, s, e in zip(problems, layout.index, states, now, strict=True)
            ]
            trial_loss = _data_loss(logs, layout, trial, there) + layout.prior_loss(trial)
            if trial_loss < loss:
                break
            damping *= 6
        if trial_loss >= loss:
            break
        theta, states = trial, [e.solution.state for e in there]
        damping = max(damping / 8, 1e-6)
        if loss - trial_loss < 2e-3:
            break
    return theta, [evaluate(p, theta[i], None, None) for p, i in zip(problems, layout.index, strict=True)]


def _data_loss(logs: tuple[JointLog, ...], layout: Layout, theta: np.ndarray, evaluations: list[Evaluation]) -> float:
    """Every log's loss without its priors, which the layout counts once."""
    total = 0.0
    for log, entries, now in zip(logs, layout.index, evaluations, strict=True):
        off = theta[entries] - log.problem.start
        total += now.loss - 0.5 * float((log.problem.information * off**2).sum())
    return total


def _assemble(
    logs: tuple[JointLog, ...], layout: Layout, theta: np.ndarray, evaluations: list[Evaluation], *, per_group: bool
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Curvature, gradient and (on request) each log's gradients by group (groups, size)."""
    hessian = layout.information.copy()
    gradient = layout.information @ (theta - layout.start)
    groups = []
    for log, entries, now in zip(logs, layout.index, evaluations, strict=True):
        problem, own = log.problem, theta[entries]
        h, g, sums = normal_equations(problem, own, now, slopes(problem, own, now), per_group)
        hessian[np.ix_(entries, entries)] += h - np.diag(problem.information)
        gradient[entries] += g - problem.information * (own - problem.start)
        if per_group:
            wide = np.zeros((len(sums), layout.size))
            wide[:, entries] = sums
            groups.append(wide)
    return hessian, gradient, groups


def _result(
    logs: tuple[JointLog, ...],
    layout: Layout,
    theta: np.ndarray,
    evaluations: list[Evaluation],
    *,
    tie_sd_Nm: tuple[float, float] | None,
) -> JointFit:
    hessian, _, by_log = _assemble(logs, layout, theta, evaluations, per_group=True)
    inverse = np.linalg.inv(hessian)
    influence = -np.concatenate(by_log) @ inverse
    clusters = tuple(c for log in logs for c in log.clusters)
    prior = -prior_root(layout.information, tuple(layout.names)) @ inverse
    torque = [e.solution.at.input_torque_Nm for e in evaluations]
    slipping = [t[log.problem.slipping] for t, log in zip(torque, logs, strict=True)]
    draws = joint_draws(theta, influence, clusters, prior)
    fitted = layout.curves(theta)
    curves = within_holds(layout.curves(draws) + form_error(fitted, np.concatenate(slipping)))
    by_side = [np.concatenate([s for s, log in zip(slipping, logs, strict=True) if log.side == k]) for k in (0, 1)]
    both = [np.percentile(s, [3, 97]) if len(s) > 20 else (0.0, 0.0) for s in by_side]
    largest = float(max(np.percentile(t, 99.5) for t in torque))
    return JointFit(
        logs=logs,
        thetas=tuple(theta[i] for i in layout.index),
        evaluations=tuple(evaluations),
        curves=fitted,
        draws=curves,
        log_draws=tuple(draws[:, i] for i in layout.index),
        curvature=Curvature(
            data=hessian - layout.information,
            information=layout.information,
            gradients=np.concatenate(by_log),
            clusters=clusters,
            log=np.repeat(np.arange(len(logs)), [len(g) for g in by_log]),
            names=tuple(layout.names),
        ),
        largest_torque_Nm=max(largest, 100.0),
        torque_span_Nm=(float(max(b[0] for b in both)), float(min(b[1] for b in both))),
        tie_sd_Nm=tie_sd_Nm,
    )
