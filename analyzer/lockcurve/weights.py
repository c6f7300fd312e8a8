"""Measurement errors as the session shows them, instead of assumed ones.

A first fit takes the front wheels' speed and the locking torque for as good as they are on a rough road. What it leaves
of them, corner pass by corner pass, says how good they were in this log: an error that is one in a whole pass does not
average out in it. With r_k the mean residual of pass k in assumed deviations, a log's errors are

    s = alike sqrt[ (sum_k r_k^2 + c / alike^2) / (K + c) ]

times the assumed ones. `alike` says that what all passes have in common, which no residual shows, is as large again as
what differs from pass to pass; c is the weight of the assumption, in passes. What is common does not average out over
the passes either: all of the answer but the tyre's form is wider by sqrt(1 + s^2), s that of the front wheels' speed.

Chosen by `python -m tests.accuracy.many 50 --nuisances none all --first-seed 200`: 96 % of the points of smooth ones
inside intervals 71 % wide, 95 % of those of rough ones, 132 % wide. With assumed errors and one grip a session smooth
ones were 102 % wide and rough ones held 83 % (seeds 100 to 123).
"""

from dataclasses import replace

import numpy as np

from analyzer.lockcurve.fit import Fit, fit
from analyzer.lockcurve.problem import Problem

ALIKE = 2.5
ASSUMED_PASSES = 3.0
# of the assumed errors, 0.2 % of the front speed and 35 N.m: what a tyre of another kind than the model gets wrong is
# alike in all passes. With 0.2 the curve of a tyre sensitive to load was held in 48 to 57 % of the points, of a heavy
# car with a wrong file in 67 to 78 %
LEAST_SHARE = 0.7
LEAST_ROWS = 3  # of a pass
FAR = 3.0  # medians; of a normal distribution 4 % lie beyond
FRONT = 2


def fit_weighed(problem: Problem, *, start: np.ndarray | None = None) -> Fit:
    """Fit with assumed errors, then with those that the first fit shows."""
    first = fit(problem, start=start)
    return fit(weighed(first), start=first.theta)


def weighed(fitted: Fit) -> Problem:
    """The problem of a fit with the errors that its residuals show, log by log."""
    problem, now = fitted.problem, fitted.evaluation
    inputs, residual = problem.inputs, now.solution.at.residual
    front, lock = np.ones(len(inputs)), np.ones(len(inputs))
    by_log = []
    for log in problem.logs:
        mine = problem.samples_of(log)
        slips = mine[problem.slipping[mine]]
        by_log.append(shown(residual[FRONT, mine], problem.group[mine]))
        # without a gyro the front wheels tell the yaw rate as well: what they agree with is themselves
        front[mine] = max(by_log[-1], LEAST_SHARE if problem.has_gyro else 1.0)
        lock[mine] = max(shown(now.measured[slips], problem.group[slips]), LEAST_SHARE)
    return replace(
        problem,
        inputs=replace(inputs, front_sd_m_s=inputs.front_sd_m_s * front),
        lock_sd_Nm=problem.lock_sd_Nm * lock,
        widened=float(np.sqrt(1.0 + np.mean(np.square(by_log)))),
    )


def shown(residual: np.ndarray, group: np.ndarray) -> float:
    """Errors over the assumed ones, by residuals (n,) of corner passes `group` (n,)."""
    count = np.bincount(group, minlength=1)
    total = np.bincount(group, weights=residual, minlength=1)
    enough = count >= LEAST_ROWS
    means = np.abs(total[enough] / count[enough])
    if len(means):  # one pass that went wrong says nothing of the others
        means = np.minimum(means, FAR * np.median(means))
    mean_square = (np.square(means).sum() + ASSUMED_PASSES / ALIKE**2) / (len(means) + ASSUMED_PASSES)
    return ALIKE * float(np.sqrt(mean_square))
