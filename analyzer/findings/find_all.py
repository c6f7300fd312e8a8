"""All findings of a session, worst first."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from analyzer.findings.asymmetry import Excess, excess_of_passes, find_asymmetry
from analyzer.findings.both_wheel_spin import find_both_wheel_spin
from analyzer.findings.car_lost import find_car_lost
from analyzer.findings.chatter import Chatter, find_chatter
from analyzer.findings.coast_understeer import find_coast_understeer, once_a_corner
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_locking import find_inside_wheel_locking
from analyzer.findings.inside_wheel_spin import find_inside_wheel_spin
from analyzer.findings.lock_up_snap import find_lock_up_snap
from analyzer.findings.one_wheel_spin import find_one_wheel_spin
from analyzer.findings.rear_axle import RearAxle, rear_axle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

Finder = Callable[[RearAxle, Sequence[Corner]], tuple[Finding, ...]]

# What happens in a moment or a corner. These finders take the same arguments, so that a new kind is one file and one
# line here.
FINDERS: tuple[Finder, ...] = (
    find_car_lost,
    find_inside_wheel_spin,
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
LEAST_CONFIDENCE = 0.5  # as likely not to have happened: not worth a driver's attention


@dataclass(frozen=True)
class Found:
    """What a stretch of a session gives: its events, its corner passes' excess over the curve, and its chatter."""

    start_s: float
    end_s: float
    events: tuple[Finding, ...]
    excess: Excess
    chatter: Chatter


def find_in(
    signals: Signals,
    corners: Sequence[Corner],
    axle: AxleState,
    lock_curve: LockCurveEstimate,
    car: Car,
    *,
    own: slice = slice(None),
) -> Found:
    """What a stretch of a session gives to its findings.

    Parameters
    ----------
    signals, corners, axle : of the stretch; corners in order of time.
    own : samples that count. Events that begin and corners whose apex is in the others are left to the next stretch.
    """
    rear = rear_axle(signals, axle, car)
    start, stop, _ = own.indices(len(signals.time_s))
    start_s, end_s = float(signals.time_s[start]), float(signals.time_s[stop - 1])
    chatter, trembles = find_chatter(rear, corners, own)
    events = [f for find in FINDERS for f in find(rear, corners)]
    return Found(
        start_s=start_s,
        end_s=end_s,
        events=(*(f for f in events if start_s <= f.start_s <= end_s), *trembles),
        excess=excess_of_passes(rear, [c for c in corners if start <= c.apex < stop], lock_curve),
        chatter=chatter,
    )


def find_all(parts: Sequence[Found], *, of_the_session: tuple[Finding, ...] = ()) -> tuple[Finding, ...]:
    """Every finding that is more likely than not, by severity, then kind, then size; `of_the_session` sorted in."""
    events = once_a_corner([f for part in parts for f in part.events])
    sides = find_asymmetry([p.excess for p in parts], start_s=parts[0].start_s, end_s=parts[-1].end_s)
    kinds = list(SIZE)
    return tuple(
        sorted(
            (f for f in (*of_the_session, *events, *sides) if f.confidence >= LEAST_CONFIDENCE),
            key=lambda f: (
                SEVERITY_RANK[f.severity],
                kinds.index(f.kind) if f.kind in kinds else len(kinds),
                -f.confidence * float(f.evidence.get(SIZE.get(f.kind, ""), 0.0) or 0.0),
                f.start_s,
            ),
        )
    )
