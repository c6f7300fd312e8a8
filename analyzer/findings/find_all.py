"""All findings of a session, worst first."""

import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from analyzer.findings.chatter import Chatter, find_chatter
from analyzer.findings.coast_understeer import find_coast_understeer, once_a_corner
from analyzer.findings.counterfactual import Judge
from analyzer.findings.evidence import InsideSpin
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle, rear_axle
from analyzer.findings.wheel_spin import (
    find_both_wheel_spin,
    find_inside_wheel_locking,
    find_inside_wheel_spin,
    find_one_wheel_spin,
    with_probability,
)
from analyzer.findings.whole_car import Excess, excess_of_passes, find_asymmetry, find_car_lost, find_lock_up_snap
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.session_state import AxleState
from analyzer.phases.phases import Corner
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car

Finder = Callable[[RearAxle, Sequence[Corner]], tuple[Finding, ...]]

# What happens in a moment or a corner. These finders take the same arguments, so that a new kind is one file and one
# line here.
FINDERS: tuple[Finder, ...] = (
    find_car_lost,
    find_one_wheel_spin,
    find_both_wheel_spin,
    find_coast_understeer,
    find_inside_wheel_locking,
    find_lock_up_snap,
)
SEVERITY_RANK = {"act": 0, "caution": 1, "note": 2}
# what a finding of this kind is ordered by among its equals, largest first
SIZE = {
    "setup_contradicted": "times_better_than_file",
    "lock_trend": "change_over_run",
    "car_lost": "yaw_rate_deg_s",
    "inside_wheel_spin": "sliding_distance_m",
    "one_wheel_spin": "sliding_distance_m",
    "both_wheel_spin": "duration_s",
    "coast_understeer": "explained_steer_deg",
    "inside_wheel_locking": "duration_s",
    "lock_up_snap": "yaw_acceleration_change_rad_s2",
    "chatter": "duration_s",
}
# by how much the log-odds of the differential rise where a wheel spins in every pass of a corner, and fall where it
# spins in one of many. On simulated cars every pass is 2.3 times as likely of the differential, one pass a third as
# likely (`tests/findings/causes.py`, seeds under 120); half of that is taken, for drivers differ
HABIT_LOG_ODDS = 0.5
LEAST_PASSES = 3  # of a corner, for a habit to show
LEAST_CONFIDENCE = 0.5  # as likely not to have happened: not worth a driver's attention


@dataclass(frozen=True)
class Found:
    """What a stretch of a session gives: events, passes (corner, lap), their excess over the curve, and chatter."""

    start_s: float
    end_s: float
    events: tuple[Finding, ...]
    excess: Excess
    chatter: Chatter
    passes: tuple[tuple[int, int], ...] = ()


def find_in(
    signals: Signals,
    corners: Sequence[Corner],
    axle: AxleState,
    lock_curve: LockCurveEstimate,
    car: Car,
    *,
    own: slice = slice(None),
    judge: Judge | None = None,
) -> Found:
    """What a stretch of a session gives to its findings.

    Parameters
    ----------
    signals, corners, axle : of the stretch; corners in order of time.
    own : samples that count. Events that begin and corners whose apex is in the others are left to the next stretch.
    judge : says whose each spin of the inside wheel was; without one that is left open.
    lock_curve : of the whole session, the one that saw nothing of the setup file.
    """
    rear = rear_axle(signals, axle, car)
    start, stop, _ = own.indices(len(signals.time_s))
    start_s, end_s = float(signals.time_s[start]), float(signals.time_s[stop - 1])
    chatter, trembles = find_chatter(rear, corners, own)
    events = [*find_inside_wheel_spin(rear, corners, judge), *(f for find in FINDERS for f in find(rear, corners))]
    return Found(
        start_s=start_s,
        end_s=end_s,
        events=(*(f for f in events if start_s <= f.start_s <= end_s), *trembles),
        excess=excess_of_passes(rear, [c for c in corners if start <= c.apex < stop], lock_curve),
        chatter=chatter,
        passes=tuple((c.number, c.lap) for c in corners if start <= c.apex < stop),
    )


def find_all(parts: Sequence[Found], *, of_the_session: tuple[Finding, ...] = ()) -> tuple[Finding, ...]:
    """Every finding that is more likely than not, by severity, then kind, then size.

    Parameters
    ----------
    parts : of the session's stretches, in order of time, at least one.
    of_the_session : findings that concern it as a whole, sorted in.
    """
    passes = Counter(number for part in parts for number, _ in part.passes)
    events = with_habits(once_a_corner([f for part in parts for f in part.events]), passes)
    sides = find_asymmetry([p.excess for p in parts], start_s=parts[0].start_s, end_s=parts[-1].end_s)
    kinds = list(SIZE)
    return tuple(
        sorted(
            (f for f in (*of_the_session, *events, *sides) if f.confidence >= LEAST_CONFIDENCE),
            key=lambda f: (
                SEVERITY_RANK[f.severity],
                kinds.index(f.kind) if f.kind in kinds else len(kinds),
                -f.confidence * float(getattr(f.evidence, SIZE.get(f.kind, ""), 0.0) or 0.0),
                f.start_s,
            ),
        )
    )


def with_habits(findings: Sequence[Finding], passes: Mapping[int, int]) -> tuple[Finding, ...]:
    """Findings with what their number says of whose the spins were: a slide in every lap is the car, in one a moment.

    Parameters
    ----------
    passes : corner -> how often the session went through it.

    Notes
    -----
    The log-odds of the differential move by `HABIT_LOG_ODDS` (2 k/n - 1) where k of n passes spun. That is too little
    to turn a verdict round: a share of 1 stays open whatever its habit.
    """
    spins = Counter(c for c, _ in {(f.corner, f.lap) for f in findings if isinstance(f.evidence, InsideSpin)})
    told = []
    for found in findings:
        evidence = found.evidence
        if isinstance(evidence, InsideSpin) and found.corner is not None and found.corner in passes:
            count, spun = passes[found.corner], min(spins[found.corner], passes[found.corner])
            evidence = replace(evidence, passes=count, passes_with_spin=spun)
            if evidence.probability_car is not None and count >= LEAST_PASSES:
                odds = HABIT_LOG_ODDS * (2 * spun / count - 1)
                evidence = with_probability(evidence, _moved(evidence.probability_car, odds))
            found = replace(found, evidence=evidence)
        told.append(found)
    return tuple(told)


def _moved(probability: float, log_odds: float) -> float:
    """A probability with other odds."""
    kept = min(max(probability, 1e-6), 1 - 1e-6)
    return 1 / (1 + math.exp(-math.log(kept / (1 - kept)) - log_odds))
