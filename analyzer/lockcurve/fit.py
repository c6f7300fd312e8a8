"""The fit, and how good its measurements are.

The fit of lock curve, tyre, calibration left-overs and car figures to one or several logs: Levenberg-Marquardt with
implicit derivatives through the profiled state. What is minimised stands in `problem`.

Measurement errors as the session shows them, instead of assumed ones.

A first fit takes the front wheels' speed and the locking torque for as good as they are on a rough road. What it
leaves of them, corner pass by corner pass, says how good they were in this log: an error that is one in a whole pass
does not average out in it. With r_k the mean residual of pass k in assumed deviations, a log's errors are

    s = c sqrt[ (sum_k r_k^2 + n / c^2) / (K + n) ]

times the assumed ones. c, `COMMON`, makes up for what all passes have in common, which no residual shows; n is the
weight of the assumption, in passes. What is common does not average out over the passes either: all of the answer
but the tyre's form is wider by sqrt(1 + s^2), s that of the front wheels' speed.

`COMMON` and `ASSUMED_PASSES` are by `python -m tests.accuracy.many 40 --nuisances none all --first-seed 200`: of
smooth sessions 99 % of the points inside intervals 81 % wide, of rough ones 95 % inside 131 % (with assumed errors
and one grip a session, seeds 100 to 123: all inside 102 %, and 83 % inside 107 %).
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.lockcurve.loss import Evaluation, Slopes, evaluate, judged, normal_equations, slopes
from analyzer.lockcurve.problem import Problem, bounded
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle_solution import AxleSolution

MOST_ITERATIONS = 40
FIRST_DAMPING, LEAST_DAMPING = 1e-2, 1e-6
SETTLED = 2e-3  # of the loss, whose unit is one half of a squared standard deviation
COMMON = 2.5  # all that is unknown of an error over what differs from pass to pass
ASSUMED_PASSES = 3.0
# of the assumed errors, 0.2 % of the front speed and 35 N.m: what the fitted form gets wrong of a real tyre is the same
# in all passes. With 0.2 the curve of a tyre sensitive to load was held in 48 to 57 % of the points, of a heavy
# car with a wrong file in 67 to 78 %
LEAST_SHARE = 0.7
LEAST_ROWS = 3  # of a pass
FAR = 3.0  # medians; of a normal distribution 4 % lie beyond
FRONT = 2  # row of the front wheels' speed among the equations


@dataclass(frozen=True)
class Fit:
    """Result: unknowns (P,), curvature (P, P), and the corner passes' pulls (groups, P) for the intervals; `evaluation`
    and `slopes` are there."""

    theta: FloatArray
    hessian: FloatArray
    group_gradients: FloatArray
    evaluation: Evaluation
    slopes: Slopes
    problem: Problem
    converged: bool

    @property
    def solution(self) -> AxleSolution:
        """State of the rear axle at every sample of the problem."""
        return self.evaluation.solution

    @property
    def curves(self) -> FloatArray:
        """(sides, 5) lock-curve parameters."""
        return self.problem.unknowns.curves(self.theta)

    @property
    def curve(self) -> FloatArray:
        """(5,) of the only or the first side."""
        first: FloatArray = self.curves[0]
        return first

    @property
    def nuisance(self) -> dict[str, tuple[float, float]]:
        """Parameter of the only or the first log -> its value and standard deviation."""
        return self.nuisance_of(0)

    def nuisance_of(self, log: int) -> dict[str, tuple[float, float]]:
        """Parameter of a log -> its value and standard deviation, in the parameter's own unit.

        Parameters
        ----------
        log : its place in `problem.logs`.

        Notes
        -----
        The deviation is by the curvature; `uncertainty.spread` resamples corner passes instead.
        """
        made, owner = self.problem.unknowns, self.problem.logs[log]
        values = made.parameters(self.theta, owner)
        weights = made.parameters(np.eye(made.count), owner)  # (P, names)
        variance = (weights * np.linalg.solve(self.hessian, weights)).sum(axis=0)
        each = zip(made.names, values, np.sqrt(variance), strict=True)
        return {name: (float(value), float(sd)) for name, value, sd in each}


def fit(problem: Problem, *, start: FloatArray | None = None) -> Fit:
    """Fit a problem.

    Parameters
    ----------
    start : (P,) unknowns to begin from, where a like problem was fitted before.

    Returns
    -------
    Fit : `converged` says whether `MOST_ITERATIONS` were enough.
    """
    return _fit(problem, *minimised(problem, start=start))


def refit(before: Fit, problem: Problem) -> Fit:
    """Fit a problem that has the samples of a fit and other beliefs: what the samples say where it ends is known.

    Parameters
    ----------
    before : of the same samples in the same order with the same columns; only its beliefs or anchors may differ.
    """
    now = judged(problem, before.theta, before.evaluation.solution, None)
    return _fit(problem, *_minimised(problem, before.theta, now, before.slopes))


def _fit(problem: Problem, theta: FloatArray, now: Evaluation, converged: bool) -> Fit:
    found = slopes(problem, theta, now)
    hessian, _, groups = normal_equations(problem, theta, now, found, True)
    return Fit(theta, hessian, groups, now, found, problem, converged)


def minimised(problem: Problem, *, start: FloatArray | None = None) -> tuple[FloatArray, Evaluation, bool]:
    """Unknowns of least loss by Levenberg-Marquardt; scale and trust of each sample are refreshed every step (iterative
    weighting).

    Parameters
    ----------
    start : (P,) unknowns to begin from; None: the problem's own.

    Returns
    -------
    tuple : unknowns (P,), the loss there, and whether it settled.
    """
    theta = problem.start if start is None else start
    now = evaluate(problem, theta, None, None)
    return _minimised(problem, theta, now, slopes(problem, theta, now))


def _minimised(
    problem: Problem, theta: FloatArray, now: Evaluation, found: Slopes
) -> tuple[FloatArray, Evaluation, bool]:
    """As `minimised`, from unknowns (P,) with the loss and its slopes there."""
    damping = FIRST_DAMPING
    converged = False
    for iteration in range(MOST_ITERATIONS):
        if iteration:
            found = slopes(problem, theta, now)
        hessian, gradient, _ = normal_equations(problem, theta, now, found, False)
        blocked = _held(problem, theta, gradient)
        for _ in range(12):
            step = _newton_step(hessian, gradient, damping, blocked)
            trial = bounded(problem, theta + step)
            if -0.5 * gradient @ step < SETTLED:  # what the step promises is not worth a look
                return trial, evaluate(problem, trial, None, None), True
            there = evaluate(problem, trial, now.solution.state, now.scale)
            if there.loss < now.loss:
                break
            damping *= 6
        gained = now.loss - there.loss
        if gained <= 0:
            converged = True
            break
        theta, now = trial, judged(problem, trial, there.solution, None)
        damping = max(damping / 8, LEAST_DAMPING)
        if gained < SETTLED:
            converged = True
            break
    return theta, evaluate(problem, theta, None, None), converged


def _held(problem: Problem, theta: FloatArray, gradient: FloatArray) -> BoolArray:
    """(P,) bool, unknowns at a limit that the loss pushes further out: they take no part in the step."""
    inward = bounded(problem, theta - 1e-6 * np.sign(gradient))
    held: BoolArray = (gradient != 0) & (inward == theta) & (bounded(problem, theta) == theta)
    return held


def _newton_step(hessian: FloatArray, gradient: FloatArray, damping: float, held: BoolArray) -> FloatArray:
    """(P,) damped Newton step (Marquardt's scaling) of the unknowns that are not held."""
    step = np.zeros(len(gradient))
    free = ~held
    reduced = hessian[np.ix_(free, free)]
    step[free] = np.linalg.solve(reduced + damping * np.diag(np.diag(reduced)), -gradient[free])
    return step


def fit_weighed(problem: Problem) -> Fit:
    """Fit with assumed errors, then with those that the first fit shows."""
    theta, now, _ = minimised(problem)
    return fit(weighed(problem, now), start=theta)


def weighed(problem: Problem, now: Evaluation) -> Problem:
    """The problem with the errors that the residuals of its fit show, log by log.

    Parameters
    ----------
    problem : with assumed errors.
    now : its loss where a first fit ended.
    """
    inputs, residual = problem.inputs, now.solution.at.residual
    front, lock = np.ones(len(inputs)), np.ones(len(inputs))
    by_log = []
    for log in problem.logs:
        mine = problem.samples_of(log)
        slips = mine[problem.slipping[mine]]
        by_log.append(shown(residual[FRONT, mine], problem.group[mine]))
        front[mine] = counted(by_log[-1], problem.sensors)
        lock[mine] = max(shown(now.measured[slips], problem.group[slips]), LEAST_SHARE)
    return replace(
        problem,
        inputs=replace(inputs, front_sd_m_s=inputs.front_sd_m_s * front),
        lock_sd_Nm=problem.lock_sd_Nm * lock,
        widened=widening(by_log),
    )


def counted(front: float, sensors: Sensors) -> float:
    """Errors of the front wheels' speed over the assumed ones, as they count (1).

    Parameters
    ----------
    front : what they show (`shown`).
    sensors : without a gyro the front wheels tell the yaw rate as well: what they agree with is themselves.
    """
    return max(front, LEAST_SHARE if sensors.gyro else 1.0)


def widening(front: Sequence[float]) -> float:
    """Factor on the deviations of an answer, of the errors that the front wheels show in each log over the assumed ones
    (1)."""
    return float(np.sqrt(1.0 + np.mean(np.square(front))))


def shown(residual: FloatArray, group: IntArray) -> float:
    """Errors of one log over the assumed ones (1): s of the module's text.

    Parameters
    ----------
    residual : (n,) in assumed standard deviations.
    group : (n,) corner pass of each, 0 or more; passes of less than `LEAST_ROWS` samples say nothing.

    Examples
    --------
    No pass at all leaves the assumption as it was:

    >>> shown(np.zeros(0), np.zeros(0, int))
    1.0

    Four passes whose means are off by 0.4 deviations, 1/c, show errors just as assumed:

    >>> residual, group = np.tile([0.4, 0.4, 0.4], 4), np.repeat(np.arange(4), 3)
    >>> round(shown(residual, group), 2)
    1.0
    """
    count = np.bincount(group, minlength=1)
    total = np.bincount(group, weights=residual, minlength=1)
    enough = count >= LEAST_ROWS
    means = np.abs(total[enough] / count[enough])
    if len(means):  # one pass that went wrong says nothing of the others
        means = np.minimum(means, FAR * np.median(means))
    mean_square = (np.square(means).sum() + ASSUMED_PASSES / COMMON**2) / (len(means) + ASSUMED_PASSES)
    return COMMON * float(np.sqrt(mean_square))
