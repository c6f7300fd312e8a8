"""Several logs fitted at once: one tyre and one car for all, calibration left-overs by log, a lock curve a side.

What is wrong with the car file or the tyre model is wrong alike in every log, so it cancels in the difference of two
curves; that is why the interval of a change can be narrower than those of the curves it is taken from.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Problem, bounded, evaluate, held, newton_step, normal_equations, slopes
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error, within_holds

SHARED_GROUPS = ("tyre", "car")
CURVE = len(model.NAMES)


@dataclass(frozen=True)
class JointFit:
    """Curves (2, 5) before and after, and paired draws (k, 2, 5) of both."""

    curves: np.ndarray
    draws: np.ndarray
    largest_torque_Nm: float
    torque_span_Nm: tuple[float, float]


class _Layout:
    """Which entries of the joint parameter vector belong to each log: shared, the log's own, its side's curve."""

    def __init__(self, problems: list[Problem], sides: list[int]) -> None:
        priors = problems[0].priors
        shared = [j for j, p in enumerate(priors) if p.group in SHARED_GROUPS]
        own = [j for j, p in enumerate(priors) if p.group not in SHARED_GROUPS]
        self.size = len(shared) + len(own) * len(problems) + 2 * CURVE
        first_curve = self.size - 2 * CURVE
        self.index = []
        for k, side in enumerate(sides):
            entries = np.empty(len(priors) + CURVE, int)
            entries[shared] = np.arange(len(shared))
            entries[own] = len(shared) + len(own) * k + np.arange(len(own))
            entries[len(priors) :] = first_curve + CURVE * side + np.arange(CURVE)
            self.index.append(entries)
        self.start, self.information = np.zeros(self.size), np.zeros(self.size)
        for problem, entries in zip(problems, self.index, strict=True):
            self.start[entries], self.information[entries] = problem.start, problem.information

    def curves(self, theta: np.ndarray) -> np.ndarray:
        """(..., 2, 5) curves of joint parameters (..., size)."""
        return theta[..., -2 * CURVE :].reshape(*theta.shape[:-1], 2, CURVE)


def fit_jointly(problems: list[Problem], sides: list[int], *, iterations: int = 40) -> JointFit:
    """Fit all logs at once.

    Parameters
    ----------
    problems : one a log, with the same priors.
    sides : 0 before, 1 after, for each log.
    """
    layout = _Layout(problems, sides)
    theta = layout.start.copy()
    states: list[np.ndarray | None] = [None] * len(problems)
    damping = 1e-2
    for _ in range(iterations):
        now = [evaluate(p, theta[i], s, None) for p, i, s in zip(problems, layout.index, states, strict=True)]
        loss = _loss(problems, layout, theta, now)
        hessian, gradient, _ = _assemble(problems, layout, theta, now, per_group=False)
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
            trial_loss = _loss(problems, layout, trial, there)
            if trial_loss < loss:
                break
            damping *= 6
        if trial_loss >= loss:
            break
        theta, states = trial, [e.solution.state for e in there]
        damping = max(damping / 8, 1e-6)
        if loss - trial_loss < 2e-3:
            break
    now = [evaluate(p, theta[i], None, None) for p, i in zip(problems, layout.index, strict=True)]
    hessian, _, groups = _assemble(problems, layout, theta, now, per_group=True)
    torque = [e.solution.at.input_torque_Nm for e in now]
    slipping = [t[p.slipping] for t, p in zip(torque, problems, strict=True)]
    draws = _draws(theta, layout, hessian, groups, np.concatenate(slipping))
    by_side = [np.concatenate([s for s, k in zip(slipping, sides, strict=True) if k == side]) for side in (0, 1)]
    both = [np.percentile(s, [3, 97]) if len(s) > 20 else (0.0, 0.0) for s in by_side]
    span = (float(max(b[0] for b in both)), float(min(b[1] for b in both)))
    largest = float(max(np.percentile(t, 99.5) for t in torque))
    return JointFit(layout.curves(theta), draws, max(largest, 100.0), span)


def _prior_loss(information: np.ndarray, start: np.ndarray, theta: np.ndarray) -> float:
    return float(0.5 * (information * (theta - start) ** 2).sum())


def _loss(problems, layout: _Layout, theta: np.ndarray, evaluations) -> float:
    """Every log's data loss, and each prior once."""
    data = sum(
        e.loss - _prior_loss(p.information, p.start, theta[i])
        for p, i, e in zip(problems, layout.index, evaluations, strict=True)
    )
    return data + _prior_loss(layout.information, layout.start, theta)


def _assemble(problems, layout: _Layout, theta: np.ndarray, evaluations, *, per_group: bool):
    hessian = np.diag(layout.information)
    gradient = layout.information * (theta - layout.start)
    groups = []
    for problem, entries, now in zip(problems, layout.index, evaluations, strict=True):
        own = theta[entries]
        h, g, sums = normal_equations(problem, own, now, slopes(problem, own, now), per_group)
        hessian[np.ix_(entries, entries)] += h - np.diag(problem.information)
        gradient[entries] += g - problem.information * (own - problem.start)
        if per_group:
            wide = np.zeros((len(sums), layout.size))
            wide[:, entries] = sums
            groups.append(wide)
    return hessian, gradient, np.concatenate(groups) if per_group else None


def _draws(
    theta: np.ndarray, layout: _Layout, hessian: np.ndarray, groups: np.ndarray, slipping_torque_Nm: np.ndarray
) -> np.ndarray:
    rng = np.random.default_rng(SEED)
    count = len(groups)
    times = rng.multinomial(count, np.full(count, 1 / count), size=REPLICATES)
    sampling = (times - 1) @ groups * np.sqrt(count / max(count - 1, 1))
    nuisance = rng.standard_normal((REPLICATES, layout.size)) * np.sqrt(layout.information)
    curves = layout.curves(theta - (sampling + nuisance) @ np.linalg.inv(hessian))
    fitted = layout.curves(theta)
    # the same tyre-model error in both curves: drawn once from the same seed
    for side in (0, 1):
        rng_of_both = np.random.default_rng(SEED + 1)
        curves[:, side] += model_error(
            fitted[side], slipping_torque_Nm=slipping_torque_Nm, rng=rng_of_both, replicates=REPLICATES
        )
    return within_holds(curves)
