"""What a finding is: when and where, how bad, how sure, and the evidence of its kind; and findings as people think of
them, by corner and cause over the laps.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analyzer.findings.evidence import KINDS, Blame, CoastUndersteer, Evidence, InsideSpin

OF_THE_SESSION = ("asymmetry", "lock_trend", "setup_contradicted")  # kinds that happened at no one time


@dataclass(frozen=True)
class Finding:
    """One thing that happened, with its evidence.

    Attributes
    ----------
    evidence : what was measured of it; its class says the kind.
    lap, corner, direction : where (None outside of corners, and when it concerns the session).
    start_s, end_s : log time (s).
    distance_m : along the log at its start (m), None when it concerns the session.
    severity : `note`, `caution` or `act`.
    confidence : 0 to 1, that it happened; whose it was has a probability of its own.
    """

    evidence: Evidence
    lap: int | None
    corner: int | None
    direction: str | None
    start_s: float
    end_s: float
    distance_m: float | None
    severity: str
    confidence: float

    @property
    def kind(self) -> str:
        """Stable name such as `inside_wheel_spin`."""
        return KINDS[type(self.evidence)]

    @property
    def is_placed(self) -> bool:
        """Whether it happened at some time, and so at some place; what concerns the session did not."""
        return self.kind not in OF_THE_SESSION

    @property
    def differential_is_seen(self) -> bool:
        """Whether the differential acted in it; understeer that is the car's own is told beside it."""
        return not isinstance(self.evidence, CoastUndersteer) or self.evidence.of_the_differential


@dataclass(frozen=True)
class FindingGroup:
    """Findings of one kind, in one corner, of one cause.

    Attributes
    ----------
    kind : as `Finding.kind`.
    corner, direction : where; None outside of corners, and for what concerns the session.
    cause : whose the spins were; None for kinds that ask for no such verdict.
    events : the findings, worst first.
    """

    kind: str
    corner: int | None
    direction: str | None
    cause: Blame | None
    events: tuple[Finding, ...]

    @property
    def worst(self) -> Finding:
        """The one that stands for them."""
        return self.events[0]

    @property
    def count(self) -> int:
        """How many there are."""
        return len(self.events)

    @property
    def laps(self) -> tuple[int, ...]:
        """Laps in which it happened, sorted; 0 is outside the whole laps."""
        return tuple(sorted({f.lap for f in self.events if f.lap is not None}))

    @property
    def every_lap(self) -> bool:
        """Whether it happened in each of two or more passes of the corner."""
        passes = max((e.passes or 0 for e in _spins(self.events)), default=0)
        return passes > 1 and len(self.laps) >= passes

    @property
    def probability(self) -> float | None:
        """Mean chance of what is said (1): that it was the differential, or the throttle; where neither is clear, that
        it was the differential. None where there is no such verdict."""
        known = [e.probability_car for e in _spins(self.events) if e.probability_car is not None]
        if self.cause is None or not known:
            return None
        mean = sum(known) / len(known)
        return 1 - mean if self.cause is Blame.FOOT else mean

    @property
    def confidence(self) -> float:
        """That the worst happened at all (1)."""
        return self.worst.confidence

    @property
    def lost_s(self) -> float | None:
        """Time that they cost together (s), each up to its next braking point."""
        known = [e.lost_s for e in _spins(self.events) if e.lost_s is not None]
        return sum(known) if known else None

    @property
    def lost_m(self) -> float | None:
        """The same as distance (m)."""
        known = [e.lost_m for e in _spins(self.events) if e.lost_m is not None]
        return sum(known) if known else None


def grouped(findings: Sequence[Finding]) -> tuple[FindingGroup, ...]:
    """Findings by kind, corner and cause, in the order of their worst.

    Parameters
    ----------
    findings : worst first, as `find_all` gives them.
    """
    groups: dict[tuple[str, int | None, Blame | None], list[Finding]] = {}
    for found in findings:
        groups.setdefault((found.kind, found.corner, cause_of(found)), []).append(found)
    return tuple(
        FindingGroup(kind, corner, members[0].direction, cause, tuple(members))
        for (kind, corner, cause), members in groups.items()
    )


def cause_of(found: Finding) -> Blame | None:
    """Whose a spin was; None for other kinds."""
    return found.evidence.foot_or_car if isinstance(found.evidence, InsideSpin) else None


def by_corner(groups: Iterable[FindingGroup]) -> dict[int | None, list[FindingGroup]]:
    """Groups under their corner's number, None for those of no corner; corners in the order of their worst group.

    Parameters
    ----------
    groups : worst first, as `grouped` gives them.
    """
    found: dict[int | None, list[FindingGroup]] = {}
    for group in groups:
        found.setdefault(group.corner, []).append(group)
    return found


def by_cause(groups: Iterable[FindingGroup]) -> dict[Blame, list[FindingGroup]]:
    """Groups of spins under whose they were; all three are there, other groups are not.

    Parameters
    ----------
    groups : of any kinds; their order is kept.
    """
    found: dict[Blame, list[FindingGroup]] = {cause: [] for cause in Blame}
    for group in groups:
        if group.cause is not None:
            found[group.cause].append(group)
    return found


def _spins(findings: Iterable[Finding]) -> list[InsideSpin]:
    return [f.evidence for f in findings if isinstance(f.evidence, InsideSpin)]
