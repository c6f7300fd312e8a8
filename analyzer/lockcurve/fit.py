"""The fit of lock curve, tyre, calibration left-overs and car figures to one or several logs: Levenberg-Marquardt with
implicit derivatives through the profiled state. What is minimised stands in `problem`."""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve.problem import (
    Evaluation,
    Problem,
    Slopes,
    bounded,
    evaluate,
    judged,
    normal_equations,
    slopes,
)
from analyzer.vehicle.axle_solution import AxleSolution

MOST_ITERATIONS = 40
FIRST_DAMPING, LEAST_DAMPING = 1e-2, 1e-6
SETTLED = 2e-3  # of the loss, whose unit is one half of a squared standard deviation


@dataclass(frozen=True)
class Fit:
    """Result: unknowns (P,), curvature (P, P), and the corner passes' pulls (groups, P) for the intervals; `evaluation`
    and `slopes` are there."""

    theta: np.ndarray
    hessian: np.ndarray
    group_gradients: np.ndarray
    evaluation: Evaluation
    slopes: Slopes
    problem: Problem
    converged: bool

    @property
    def solution(self) -> AxleSolution:
        """State of the rear axle at every sample of the problem."""
        return self.evaluation.solution

    @property
    def curves(self) -> np.ndarray:
        """(sides, 5) lock-curve parameters."""
        return self.problem.unknowns.curves(self.theta)

    @property
    def curve(self) -> np.ndarray:
        """(5,) of the only or the first side."""
        return self.curves[0]

    @property
    def nuisance(self) -> dict[str, tuple[float, float]]:
        """Parameter of the only or the first log -> its value and standard deviation."""
        return self.nuisance_of(0)

    def nuisance_of(self, log: int) -> dict[str, tuple[float, float]]:
        """Parameter of a log -> its value and standard deviation."""
        made, owner = self.problem.unknowns, self.problem.logs[log]
        values = made.parameters(self.theta, owner)
        weights = made.parameters(np.eye(made.count), owner)  # (P, names)
        variance = (weights * np.linalg.solve(self.hessian, weights)).sum(axis=0)
        each = zip(made.names, values, np.sqrt(variance), strict=True)
        return {name: (float(value), float(sd)) for name, value, sd in each}


def fit(problem: Problem, *, start: np.ndarray | None = None) -> Fit:
    """Fit a problem.

    Parameters
    ----------
    start : (P,) unknowns to begin from, where a like problem was fitted before.
    """
    return _fit(problem, *minimised(problem, start=start))


def refit(before: Fit, problem: Problem) -> Fit:
    """Fit a problem that has the samples of a fit and other beliefs: what the samples say where it ends is known."""
    now = judged(problem, before.theta, before.evaluation.solution, None)
    return _fit(problem, *_minimised(problem, before.theta, now, before.slopes))


def _fit(problem: Problem, theta: np.ndarray, now: Evaluation, converged: bool) -> Fit:
    found = slopes(problem, theta, now)
    hessian, _, groups = normal_equations(problem, theta, now, found, True)
    return Fit(theta, hessian, groups, now, found, problem, converged)


def minimised(problem: Problem, *, start: np.ndarray | None = None) -> tuple[np.ndarray, Evaluation, bool]:
    """Unknowns (P,) of least loss by Levenberg-Marquardt, the loss there, and whether it settled; scale and trust of
    each sample are refreshed every step (iterative weighting)."""
    theta = problem.start if start is None else start
    now = evaluate(problem, theta, None, None)
    return _minimised(problem, theta, now, slopes(problem, theta, now))


def _minimised(
    problem: Problem, theta: np.ndarray, now: Evaluation, found: Slopes
) -> tuple[np.ndarray, Evaluation, bool]:
    """As `minimised`, from unknowns (P,) with the loss and its slopes there."""
    damping = FIRST_DAMPING
    converged = False
    for iteration in range(MOST_ITERATIONS):
        if iteration:
            found = slopes(problem, theta, now)
        hessian, gradient, _ = normal_equations(problem, theta, now, found, False)
        scale = (now.sd, now.trust)
        blocked = _held(problem, theta, gradient)
        for _ in range(12):
            step = _newton_step(hessian, gradient, damping, blocked)
            trial = bounded(problem, theta + step)
            if -0.5 * gradient @ step < SETTLED:  # what the step promises is not worth a look
                return trial, evaluate(problem, trial, None, None), True
            there = evaluate(problem, trial, now.solution.state, scale)
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


def _held(problem: Problem, theta: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    """(P,) bool, unknowns at a limit that the loss pushes further out: they take no part in the step."""
    inward = bounded(problem, theta - 1e-6 * np.sign(gradient))
    return (gradient != 0) & (inward == theta) & (bounded(problem, theta) == theta)


def _newton_step(hessian: np.ndarray, gradient: np.ndarray, damping: float, held: np.ndarray) -> np.ndarray:
    """(P,) damped Newton step (Marquardt's scaling) of the unknowns that are not held."""
    step = np.zeros(len(gradient))
    free = ~held
    reduced = hessian[np.ix_(free, free)]
    step[free] = np.linalg.solve(reduced + damping * np.diag(np.diag(reduced)), -gradient[free])
    return step
