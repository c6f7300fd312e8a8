"""Spins, understeer off the throttle and chatter: more or fewer a lap than before, with an exact interval.

Two Poisson counts a, b over L_a, L_b laps: given a + b, a is binomial with p = r L_a / (r L_a + L_b), r the ratio of
the rates; the exact (Clopper-Pearson) interval of p gives that of r.

A spin is an event of its own. Understeer off the throttle is found where the differential's share passes a threshold,
which all corners of a run may pass together when the estimate moves a little; so more or less of it is said only when
the torque that holds against the turn in the turn-in phase changed the same way, beyond its interval.

References
----------
Przyborowski and Wilenski, "Homogeneity of results in testing samples from Poisson series", Biometrika 31, 1940;
Clopper and Pearson, Biometrika 26, 1934 (both from memory).
"""

from dataclasses import dataclass

from scipy.special import betaincinv

from analyzer.comparison.phase_changes import PhaseChange
from analyzer.comparison.together import SharedView
from analyzer.findings.finding import Finding
from analyzer.lockcurve.estimate import Interval

KINDS = ("inside_wheel_spin", "coast_understeer", "chatter")


@dataclass(frozen=True)
class EventChange:
    """One kind of event.

    Attributes
    ----------
    kind : finding's kind.
    count_before, count_after, laps_before, laps_after : events and laps they were counted over.
    rate_ratio : events a lap after over before, 95 %; None, with a reason, where there were none before.
    verdict : `more`, `fewer`, `none` (none on either side) or `cannot_tell`.
    """

    kind: str
    count_before: int
    count_after: int
    laps_before: float
    laps_after: float
    rate_ratio: Interval
    verdict: str


def event_changes(views: list[SharedView], phases: tuple[PhaseChange, ...]) -> tuple[EventChange, ...]:
    """One entry a kind; events count as independent, which is common practice.

    Understeer that is the car's own does not count. Chatter is left out where a log is too slow to show it.
    """
    laps = [sum(v.run.lap_count for v in views if v.run.side == side) for side in (0, 1)]
    found = []
    for kind in KINDS:
        if kind == "chatter" and not all(_shows_chatter(v) for v in views):
            continue
        counts = [sum(_counts(f, kind) for v in views if v.run.side == side for f in v.findings) for side in (0, 1)]
        ratio = rate_ratio(count_before=counts[0], count_after=counts[1], laps_before=laps[0], laps_after=laps[1])
        said = "cannot_tell" if any(counts) else "none"
        if ratio.lower is not None and ratio.lower > 1 and _backed(kind, phases, 1):
            said = "more"
        elif ratio.upper is not None and ratio.upper < 1 and _backed(kind, phases, -1):
            said = "fewer"
        found.append(EventChange(kind, counts[0], counts[1], laps[0], laps[1], ratio, said))
    return tuple(found)


def _counts(finding: Finding, kind: str) -> bool:
    return finding.kind == kind and finding.differential_is_seen


def _shows_chatter(view: SharedView) -> bool:
    measured = view.run.analysis.chatter
    return measured is not None and measured.events is not None


def _backed(kind: str, phases: tuple[PhaseChange, ...], sign: int) -> bool:
    """Whether the phases bear out the count; see the module's text."""
    if kind != "coast_understeer":
        return True
    found = [p.transfer_torque_Nm for p in phases if p.corner is None and p.phase == "turn_in"]
    return any(i.lower is not None and i.upper is not None and min(sign * i.lower, sign * i.upper) > 0 for i in found)


def rate_ratio(*, count_before: int, count_after: int, laps_before: float, laps_after: float) -> Interval:
    """Rate after over rate before with its exact 95 % interval.

    Parameters
    ----------
    count_before, count_after : events.
    laps_before, laps_after : laps (or any exposure) they were counted over.

    Returns
    -------
    Interval : of the ratio (1); without a value, with a reason, where there were no events before.

    Examples
    --------
    >>> ratio = rate_ratio(count_before=20, count_after=10, laps_before=10, laps_after=10)
    >>> round(ratio.value, 2), round(ratio.lower, 2), round(ratio.upper, 2)
    (0.5, 0.21, 1.12)
    """
    both = count_before + count_after
    if not both:
        return Interval(None, None, None, "none on either side")
    low = float(betaincinv(count_after, count_before + 1, 0.025)) if count_after else 0.0
    high = float(betaincinv(count_after + 1, count_before, 0.975)) if count_before else 1.0
    exposure = laps_before / laps_after
    lower = exposure * low / (1 - low)
    upper = exposure * high / (1 - high) if high < 1 else None
    if not count_before:
        return Interval(None, lower, None, "none before")
    return Interval(exposure * count_after / count_before, lower, upper)
