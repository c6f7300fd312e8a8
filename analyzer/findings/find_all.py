"""All findings of a session, worst first."""

from collections.abc import Callable, Sequence

from analyzer.findings.asymmetry import find_asymmetry
from analyzer.findings.both_wheel_spin import find_both_wheel_spin
from analyzer.findings.chatter import find_chatter
from analyzer.findings.coast_understeer import find_coast_understeer
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_locking import find_inside_wheel_locking
from analyzer.findings.inside_wheel_spin import find_inside_wheel_spin
from analyzer.findings.lock_up_snap import find_lock_up_snap
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner, Laps
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

Finder = Callable[[Signals, Sequence[Corner], Laps, AxleState, LockCurveEstimate, Car], tuple[Finding, ...]]

# Every finder takes the same arguments, so that a new kind is one file and one line here.
FINDERS: tuple[Finder, ...] = (
    find_inside_wheel_spin,
    find_both_wheel_spin,
    find_coast_understeer,
    find_inside_wheel_locking,
    find_asymmetry,
    find_lock_up_snap,
    find_chatter,
)
SEVERITY_RANK = {"act": 0, "caution": 1, "note": 2}
# what a finding of this kind is ordered by among its equals, largest first
SIZE = {
    "setup_contradicted": "times_better_than_file",
    "lock_trend": "change_over_run",
    "inside_wheel_spin": "sliding_distance_m",
    "both_wheel_spin": "duration_s",
    "coast_understeer": "explained_steer_deg",
    "inside_wheel_locking": "duration_s",
    "lock_up_snap": "yaw_acceleration_change_rad_s2",
    "chatter": "duration_s",
}
LEAST_CONFIDENCE = 0.5  # as likely not to have happened: not worth a driver's attention


def find_all(
    signals: Signals,
    corners: Sequence[Corner],
    laps: Laps,
    axle: AxleState,
    lock_curve: LockCurveEstimate,
    car: Car,
    *,
    of_the_session: tuple[Finding, ...] = (),
) -> tuple[Finding, ...]:
    """Every finding that is more likely than not, by severity, then kind, then size; `of_the_session` sorted in."""
    found = [f for find in FINDERS for f in find(signals, corners, laps, axle, lock_curve, car)]
    kinds = list(SIZE)
    return tuple(
        sorted(
            (f for f in (*of_the_session, *found) if f.confidence >= LEAST_CONFIDENCE),
            key=lambda f: (
                SEVERITY_RANK[f.severity],
                kinds.index(f.kind) if f.kind in kinds else len(kinds),
                -f.confidence * float(f.evidence.get(SIZE.get(f.kind, ""), 0.0) or 0.0),
                f.start_s,
            ),
        )
    )
