"""Moments that the whole car feels: lock that arrives with a snap, and a car that is lost."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.events import above, confidence, phase_at, placed, runs
from analyzer.findings.evidence import CarLost, LockUpSnap
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle
from analyzer.phases.segments import Corner
from analyzer.signals.lost_car import BEFORE_S as LOST_BEFORE_S
from analyzer.signals.lost_car import LOST, STOPS_M_S

STEP_S = 0.15  # quicker than a driver corrects (reaction 0.2 s or more, common practice, no source)
BEFORE_S, AFTER_S = 0.1, 0.6  # where the lock-up of a throttle application is looked for
OPENS_AT = 0.08
SNAP_YAW_RAD_S2 = 0.7  # yaw acceleration that arrives in STEP_S: near half of what a hard turn-in builds up
SEEN_SHARE = 0.75  # of an abrupt jump: the torques are filtered at 3 Hz, which spreads it over more than STEP_S
LOST_SURE = 0.95  # 35 degrees of side slip and a stop, or a quarter turn: little else looks like that


def find_lock_up_snap(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Yaw moment against the turn that the differential builds up within 0.15 s of a throttle application, in a corner.

    A moment into the turn at that point is the inside wheel letting go, and is found as spin.
    """
    signals, axle, car = rear.signals, rear.axle, rear.car
    step = max(1, round(STEP_S * signals.rate_hz))
    before, after = round(BEFORE_S * signals.rate_hz), round(AFTER_S * signals.rate_hz)
    open_ = signals.throttle > OPENS_AT
    found = []
    for start, stop in runs(open_):
        first, last = max(start - before, 0), min(start + after, len(open_) - step - 1)
        if (stop - start) / signals.rate_hz < AFTER_S or last <= first or not rear.cornering[start]:
            continue
        change = rear.opposing_moment_Nm[first + step : last + step] - rear.opposing_moment_Nm[first:last]
        change[rear.over_speed_m_s[first:last] > 0] = np.nan  # the inside wheel was spinning: that is not lock-up
        # the throttle often opens while the brakes still let go: the jump must lie clear of them
        change[axle.braked[first:last] | axle.braked[first + step : last + step]] = np.nan
        if not np.isfinite(change).any():
            continue
        at = first + int(np.nanargmax(change))
        size = float(change[at - first])
        jerk = size / car.yaw_inertia
        if jerk < SEEN_SHARE * SNAP_YAW_RAD_S2:
            continue
        sd = axle.torque_difference_sd_Nm[[at, at + step]] * car.rear_track_m / (2 * car.rear_rolling_radius_m)
        evidence = LockUpSnap(
            phase=phase_at(corners, at, at + step, sample=at),
            yaw_moment_change_Nm=size,
            yaw_acceleration_change_rad_s2=jerk,
            rise_s=step / signals.rate_hz,
            throttle=float(signals.throttle[at + step]),
            transfer_torque_before_Nm=float(rear.transfer_torque_Nm[at]),
            transfer_torque_after_Nm=float(rear.transfer_torque_Nm[at + step]),
        )
        sure = confidence(above(jerk - SEEN_SHARE * SNAP_YAW_RAD_S2, float(np.hypot(*sd)) / car.yaw_inertia))
        found.append(placed(evidence, signals, corners, at, at + step + 1, severity="note", confidence=sure))
    return tuple(found)


def find_car_lost(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Each time that the calibration left out because the car turned faster than its path (`signals.lost_car`)."""
    signals, found = rear.signals, []
    for note in signals.annotations:
        if note.code != LOST or not signals.time_s[0] <= note.start_s <= signals.time_s[-1]:
            continue
        start, stop = np.searchsorted(signals.time_s, [note.start_s, note.end_s + 1e-9])
        began = start + int(LOST_BEFORE_S * signals.rate_hz)
        evidence = CarLost(
            phase=phase_at(corners, start, stop, sample=began),
            duration_s=note.end_s - note.start_s,
            yaw_rate_deg_s=float(np.degrees(np.abs(signals.yaw_rate_rad_s[start:stop]).max())),
            speed_m_s=float(signals.speed_m_s[start]),
            throttle=float(signals.throttle[start : began + 1].max()),
            stopped=bool((signals.speed_m_s[start:stop] < STOPS_M_S).any()),
        )
        sure = confidence(LOST_SURE)
        found.append(placed(evidence, signals, corners, start, stop, severity="caution", confidence=sure))
    return tuple(found)
