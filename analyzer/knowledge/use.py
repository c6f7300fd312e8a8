"""A fit that uses what other runs know of the car, beside the one that does not."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.knowledge.gaussian import Gaussian
from analyzer.knowledge.known import CarRun, Heard, LeftOut, Usable
from analyzer.knowledge.told import told_by
from analyzer.lockcurve.estimate import CurvePoint, LockCurveEstimate
from analyzer.lockcurve.fit import Fit, refit
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.summarise import curve_draws
from analyzer.lockcurve.uncertainty import spread
from analyzer.lockcurve.unknowns import ALL

TORQUES = np.arange(5, 100, 5)  # percentiles
NO_SURER = "would not make this answer any surer"
GROUP = "knowledge"  # of beliefs that come from other runs


@dataclass(frozen=True)
class KnowledgeUsed:
    """What a result used of other runs.

    Attributes
    ----------
    car : whose knowledge was offered.
    offered : those whose word could be used.
    runs : those whose word was used: all of them, or nobody's.
    left_out : the others, each with the reason.
    probability : of the run as far from the others' word as it is, or further, by chance; None without others.
    contradicts : whether that is so small that none of them is heard.
    alone : the lock curve from this run's logs alone.
    narrower : by how much the intervals of its points are narrower, in the median (0.2: a fifth); None without any.
    """

    car: str
    offered: tuple[Heard, ...]
    runs: tuple[Heard, ...]
    left_out: tuple[LeftOut, ...]
    probability: float | None
    alone: LockCurveEstimate
    narrower: float | None
    contradicts: bool = False


def car_run(blind: Fit, *, name: str, logs: Sequence[str], driven_with: Mapping[str, str], code: str) -> CarRun:
    """What a run tells of its car, from a fit that knew of no other run."""
    return CarRun(name, tuple(logs), dict(driven_with), code, told_by(blind))


def informed(blind: Fit, usable: Usable) -> tuple[Fit, Usable]:
    """The fit with what others know of the car as measurements of its unknowns, which begins where `blind` ended, and
    what it used.

    Where that makes the curve no surer, `blind` is the answer: a log whose passes scatter less than its equations take
    for granted knows more than its curvature says, and others' word then outweighs what is better.
    """
    if not usable.runs:
        return blind, usable
    found = refit(blind, with_knowledge(blind.problem, usable.known))
    if _curve_sd_Nm(found) < _curve_sd_Nm(blind):
        return found, usable
    left_out = tuple(LeftOut(one.name, NO_SURER) for one in usable.runs)
    return blind, replace(usable, runs=(), left_out=(*usable.left_out, *left_out))


def _curve_sd_Nm(found: Fit) -> float:
    """Standard deviation of the curve, in the median over the torques at which the axle slipped."""
    slipping = found.solution.at.input_torque_Nm[found.problem.slipping]
    torques = np.percentile(slipping, TORQUES) if len(slipping) else np.zeros(1)
    return float(np.median(curve_draws(found.curve, spread(found).curves_of(0), torques).std(axis=0)))


def with_knowledge(problem: Problem, known: Gaussian) -> Problem:
    """A problem with what is known of the car's unknowns; what it has no column for is taken out."""
    columns = problem.unknowns.columns
    at = {c.name: i for i, c in enumerate(columns) if c.owner == ALL and not c.adds}
    weights, targets = known.in_order(tuple(at)).rows()
    rows = np.zeros((len(weights), problem.unknowns.count))
    rows[:, list(at.values())] = weights
    return replace(problem, unknowns=problem.unknowns.with_rows(rows, targets, GROUP))


def knowledge_used(car: str, usable: Usable, alone: LockCurveEstimate, estimate: LockCurveEstimate) -> KnowledgeUsed:
    """What `estimate` used, beside the curve from its logs alone."""
    return KnowledgeUsed(
        car=car,
        offered=usable.offered,
        runs=usable.runs,
        left_out=usable.left_out,
        probability=usable.probability,
        alone=alone,
        narrower=_narrower(alone, estimate) if usable.runs else None,
        contradicts=usable.contradicts,
    )


def _narrower(alone: LockCurveEstimate, estimate: LockCurveEstimate) -> float | None:
    before, now = (np.array([_width_Nm(p) for p in one.points]) for one in (alone, estimate))
    shares = 1 - now / before
    return float(np.nanmedian(shares)) if np.isfinite(shares).any() else None


def _width_Nm(point: CurvePoint) -> float:
    if point.lower_Nm is None or point.upper_Nm is None:
        return np.nan
    return point.upper_Nm - point.lower_Nm
