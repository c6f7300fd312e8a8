"""What all runs of a car know together, and a fit that uses it.

What all runs of a car know together, and what of it a run may use: never its own word, nothing that has ended, and
nobody's who contradicts the rest.

A fit that uses what other runs know of the car, beside the one that does not.
"""

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TypeAlias

import numpy as np

from analyzer.knowledge.carried import ended, wandering
from analyzer.knowledge.told import Gaussian, Told, misfit, together, told_by
from analyzer.lockcurve.estimate import CurvePoint, LockCurveEstimate
from analyzer.lockcurve.fit import Fit, refit
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.uncertainty import curve_draws, spread
from analyzer.lockcurve.unknowns import ALL

# Of logbooks in which all runs speak of one car, the share in which any run is named: each of n runs is tested at 1/n
# of it. Half a session of rain that nobody noted, or a sensor that was moved, is many times further off.
NAMED_BY_CHANCE = 0.01
OTHER_CODE = "made by another version of halfshaft; analyse it again"
OTHER_CAR = "driven with another car file"
TORQUES = np.arange(5, 100, 5)  # percentiles
NO_SURER = "would not make this answer any surer"
GROUP = "knowledge"  # of beliefs that come from other runs


@dataclass(frozen=True)
class CarRun:
    """One run's word about its car.

    Attributes
    ----------
    name : its logs, as a person knows them.
    logs : a fingerprint of each log (`provenance.recording_hash`): the run is known by them.
    driven_with : `car` (what the car file says), `channels`, `tyres`, `weather`, `sensor`, in words or hashes; a run
        tells another only what does not hang on what differs.
    code : version of the program that made it.
    date_s : when it was driven (s since 1970), None where nobody says.
    """

    name: str
    logs: tuple[str, ...]
    driven_with: Mapping[str, str]
    code: str
    told: Told
    date_s: float | None = None

    @property
    def digest(self) -> str:
        """Changes whenever what the run tells, or what that hangs on, does."""
        about = repr((self.logs, sorted(self.driven_with.items()), self.code, self.told.names)).encode()
        numbers = self.told.information.tobytes() + self.told.weighted.tobytes()
        return hashlib.sha256(about + numbers).hexdigest()[:16]

    def shares_a_log(self, other: "CarRun") -> bool:
        """Whether they are, in part, the same drive: one log in common is enough."""
        return not set(self.logs).isdisjoint(other.logs)


@dataclass(frozen=True)
class Heard:
    """A run whose word is used: its name, and `CarRun.digest`."""

    name: str
    digest: str


@dataclass(frozen=True)
class LeftOut:
    """A run whose word is not used, with the reason; `probability` where it contradicts the rest."""

    name: str
    reason: str
    probability: float | None = None


@dataclass(frozen=True)
class Usable:
    """What a run may use of the others.

    Attributes
    ----------
    known : for a run with its own wandering, without any prior.
    runs : those it is from; empty where there is nothing to use.
    offered : the same, also where a result does better without them.
    left_out : the others, each with the reason.
    probability : of a run as far from the others' word as this one, or further, by chance; None without others.
    contradicts : whether that is so small that nobody is heard.
    """

    known: Gaussian
    runs: tuple[Heard, ...]
    left_out: tuple[LeftOut, ...]
    probability: float | None
    contradicts: bool = False
    offered: tuple[Heard, ...] = ()


@dataclass(frozen=True)
class Knowledge:
    """The runs of one car.

    Examples
    --------
    >>> Knowledge(car="club car", runs=()).contradicting
    ()
    """

    car: str
    runs: tuple[CarRun, ...] = field(repr=False)

    def usable_by(self, run: CarRun) -> Usable:
        """What a run may use: the others' word, its own never.

        Parameters
        ----------
        run : need not be among the runs; those that share a log with it are passed over without a word.

        Returns
        -------
        Usable : in the order of unknowns of `run`. Runs of another version or another car file are left out with the
            reason, and so are those that contradict the rest.
        """
        others, left_out = [], []
        for one in self.runs:
            if one.shares_a_log(run):
                continue
            why = OTHER_CODE if one.code != run.code else OTHER_CAR if _other_car(one, run) else None
            if why is None:
                others.append(one)
            else:
                left_out.append(LeftOut(one.name, why))
        if not others:
            return Usable(Gaussian.nothing(run.told.names), (), tuple(left_out), None)
        every = Hearing([*others, run])
        out = every.left_out
        left_out += [LeftOut(one.name, _contradicts(out[i]), out[i]) for i, one in enumerate(others) if i in out]
        own = len(others)
        used = [] if own in out else [one for i, one in enumerate(others) if i not in out]
        heard = tuple(Heard(one.name, one.digest) for one in used)
        return Usable(
            known=every.others_of(own) if used else Gaussian.nothing(run.told.names),
            runs=heard,
            offered=heard,
            left_out=tuple(left_out),
            probability=out[own] if own in out else every.misfit(own),
            contradicts=own in out,
        )

    @cached_property
    def contradicting(self) -> tuple[LeftOut, ...]:
        """The runs that contradict the others of the same car file and version."""
        return tuple(
            LeftOut(self.runs[k].name, _contradicts(probability), probability)
            for group, hearing in self._heard_together
            for i, probability in hearing.left_out.items()
            for k in [group[i]]
        )

    @cached_property
    def heard_by_each(self) -> tuple[tuple[str, ...], ...]:
        """Digests of the runs whose word each run uses, run by run."""
        found: list[tuple[str, ...]] = [()] * len(self.runs)
        for group, hearing in self._heard_together:
            kept = [k for i, k in enumerate(group) if i not in hearing.left_out]
            for k in kept:
                mine = self.runs[k]
                found[k] = tuple(self.runs[j].digest for j in kept if j != k and not self.runs[j].shares_a_log(mine))
        return tuple(found)

    @cached_property
    def _heard_together(self) -> list[tuple[list[int], "Hearing"]]:
        """Runs, by number, of one car file and one version, held against each other."""
        groups: dict[tuple[str, str | None], list[int]] = {}
        for k, run in enumerate(self.runs):
            groups.setdefault((run.code, run.driven_with.get("car")), []).append(k)
        return [(group, Hearing([self.runs[k] for k in group])) for group in groups.values()]

    @property
    def newest(self) -> CarRun:
        """The run driven last; there must be one."""
        return max(self.runs, key=lambda one: one.date_s or 0.0)

    def of_the_newest(self) -> Gaussian | None:
        """What is known for another run like the last one, its prior included; None without runs."""
        if not self.runs:
            return None
        last = max(range(len(self.runs)), key=lambda k: self.runs[k].date_s or 0.0)
        group, hearing = next(one for one in self._heard_together if last in one[0])
        return hearing.next_like(group.index(last)) + Gaussian.prior(self.newest.told)


WayDriven: TypeAlias = tuple[
    tuple[str, ...], tuple[tuple[str, str], ...]
]  # names of what is told; tyres, weather and such


class Hearing:
    """Runs that are held against each other: who speaks of one car, and what the others tell each.

    Each is tested against all the others (`told.misfit`); the worst goes while it is worse than chance, and the
    rest is tested anew. Of two that contradict each other nobody can say which is wrong: both go.

    Attributes
    ----------
    left_out : number of a run -> probability of its contradiction by chance.
    """

    def __init__(self, runs: Sequence[CarRun]) -> None:
        self._runs = runs
        # the words are added up once for each way of driving, so that one run is left out by taking its word off
        self._words: dict[WayDriven, list[Gaussian]] = {}
        self._sums: dict[WayDriven, Gaussian] = {}
        self.left_out: dict[int, float] = {}
        least = NAMED_BY_CHANCE / max(len(runs), 1)
        while len(kept := [k for k in range(len(runs)) if k not in self.left_out]) > 1:
            found = {k: self.misfit(k) for k in kept}
            worst = min(kept, key=lambda k: found[k])
            if found[worst] >= least:
                break
            for k in kept if len(kept) == 2 else [worst]:
                self._leave_out(k, found[k])

    def others_of(self, k: int) -> Gaussian:
        """What those who are heard tell a run, without its own word and without any prior.

        Parameters
        ----------
        k : number of the run; its own wandering is in the answer.
        """
        words, total = self._told(k)
        return (total if k in self.left_out else total - words[k]).wandered(wandering(total.names))

    def next_like(self, k: int) -> Gaussian:
        """What all who are heard tell another run that is driven like one of these, without any prior.

        Parameters
        ----------
        k : number of the run that it is like.
        """
        total = self._told(k)[1]
        return total.wandered(wandering(total.names))

    def misfit(self, k: int) -> float:
        """Probability that chance sets a run as far from the others that are heard, or further.

        Parameters
        ----------
        k : number of the run.
        """
        told = self._runs[k].told
        return misfit(Gaussian.said(told), self.others_of(k) + Gaussian.prior(told))

    def _told(self, k: int) -> tuple[list[Gaussian], Gaussian]:
        """The words of all runs as they are for run k, and the sum of those that are heard."""
        run = self._runs[k]
        key = (run.told.names, tuple(sorted(run.driven_with.items())))
        if key not in self._words:
            words = self._words[key] = [_word(one, run) for one in self._runs]
            heard = [word for i, word in enumerate(words) if i not in self.left_out]
            self._sums[key] = together(heard, run.told.names)
        return self._words[key], self._sums[key]

    def _leave_out(self, k: int, probability: float) -> None:
        self.left_out[k] = probability
        for key, words in self._words.items():
            self._sums[key] = self._sums[key] - words[k]


def _word(one: CarRun, run: CarRun) -> Gaussian:
    """What `one` tells `run` of the car: what differs between them is taken out, with what was known of it before."""
    told = one.told
    out = ended(one.driven_with, run.driven_with) & set(told.names)
    gone = np.array([name in out for name in told.names])
    before = Gaussian.prior(told)
    own = Gaussian(told.names, before.information * np.outer(gone, gone), before.weighted * gone)
    said = (Gaussian.said(told) + own).without(out) if out else Gaussian.said(told)
    return said.wandered(wandering(told.names)).in_order(run.told.names)


def _other_car(one: CarRun, other: CarRun) -> bool:
    return one.driven_with.get("car") != other.driven_with.get("car")


def _contradicts(probability: float) -> str:
    return f"contradicts the other runs (probability by chance {probability:.1g})"


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
    """What a run tells of its car.

    Parameters
    ----------
    blind : fit that knew of no other run.
    name : as a person knows it.
    logs : `provenance.recording_hash` of each.
    driven_with : keys of `carried.ENDS` -> words or hashes.
    code : version of the program; runs of another one are not heard.
    """
    return CarRun(name, tuple(logs), dict(driven_with), code, told_by(blind))


def informed(blind: Fit, usable: Usable) -> tuple[Fit, Usable]:
    """The fit with what others know of the car as measurements of its unknowns, and what it used.

    Where that makes the curve no surer, `blind` is the answer: a log whose passes scatter less than its equations take
    for granted knows more than its curvature says, and others' word then outweighs what is better.

    Parameters
    ----------
    blind : fit that knew of no other run; the informed one begins where it ended.
    usable : the others' word.

    Returns
    -------
    tuple : the fit, and `usable` as it was used: without `runs` where `blind` is the answer.
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
    """A problem with what is known of the car's unknowns.

    Parameters
    ----------
    known : of a run like this one, its wandering in it; what the problem has no column for is taken out.
    """
    columns = problem.unknowns.columns
    at = {c.name: i for i, c in enumerate(columns) if c.owner == ALL and not c.adds}
    weights, targets = known.in_order(tuple(at)).rows()
    rows = np.zeros((len(weights), problem.unknowns.count))
    rows[:, list(at.values())] = weights
    return replace(problem, unknowns=problem.unknowns.with_rows(rows, targets, GROUP))


def knowledge_used(car: str, usable: Usable, alone: LockCurveEstimate, estimate: LockCurveEstimate) -> KnowledgeUsed:
    """What an estimate used of other runs, beside the curve from its logs alone.

    Parameters
    ----------
    car : whose knowledge was offered.
    usable : as `informed` gave it back.
    alone, estimate : the curve without and with the others' word.
    """
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
