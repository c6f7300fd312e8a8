"""Understeer off the throttle, and how much of it the differential explains."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import above, confidence, lasting
from analyzer.findings.events import corner_at, events, phase_at, place
from analyzer.findings.finding import Finding
from analyzer.findings.handling import Handling, fit_handling, steer_for_moment_rad
from analyzer.findings.rear_axle import RearAxle, rear_axle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner, Laps
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

CLOSED_THROTTLE = 0.03  # pedal channels rest within 2-3 % of zero
LEAST_EXTRA_RAD = np.radians(0.3)  # about 4-5 degrees at the steering wheel: what a driver notices
CLEAR_SIGMAS = 2.5  # over the scatter of the car's own steady cornering
HOLDS_ON = 0.6  # hysteresis: part of the threshold at which the event ends
CORRECTION_S = 0.3  # time between two steering corrections (common practice, no source)
LEAST_S = 0.3  # shorter than one steering correction it is no state of the car
MINOR_SHARE = 0.15  # below this share the differential is not the thing to change
MAJOR_SHARE = 0.4
# of the cornering stiffness that turns the moment into degrees (car file, not fitted here)
STIFFNESS_RELATIVE_SD = 0.25


def find_coast_understeer(
    signals: Signals, corners: Sequence[Corner], laps: Laps, axle: AxleState, lock_curve: LockCurveEstimate, car: Car
) -> tuple[Finding, ...]:
    """Throttle closed, brakes off, and more steer than the car's own balance explains.

    Notes
    -----
    The balance (neutral steer plus understeer gradient) is fitted on this log with the throttle open; the steer that
    yaws the car's inertia is added to it, so that turning in quickly is no understeer. Understeer that the
    differential's yaw moment does not explain is reported too, and said not to be the differential's.
    """
    handling = fit_handling(signals, car)
    if handling is None:
        return ()
    rear = rear_axle(signals, axle, car)
    turning_in = steer_for_moment_rad(car.yaw_inertia * signals.yaw_acceleration_rad_s2, car)
    extra = rear.turn * (signals.steer_rad - handling.steer_rad(signals, car) - turning_in)
    threshold = max(LEAST_EXTRA_RAD, CLEAR_SIGMAS * handling.residual_sd_rad)
    coasting = rear.cornering & (signals.throttle <= CLOSED_THROTTLE) & ~signals.braking & ~axle.braked
    found = (
        _finding(signals, corners, car, rear, handling, extra, start, stop)
        for start, stop in events(
            begins=coasting & (extra > threshold),
            goes_on=coasting & (extra > HOLDS_ON * threshold),
            rate_hz=signals.rate_hz,
            least_s=LEAST_S,
        )
    )
    return tuple(f for f in found if f is not None)


def _finding(
    signals: Signals,
    corners: Sequence[Corner],
    car: Car,
    rear: RearAxle,
    handling: Handling,
    extra_rad: np.ndarray,
    start: int,
    stop: int,
) -> Finding | None:
    window = slice(start, stop)
    known = np.isfinite(rear.opposing_moment_Nm[window])
    if known.sum() < 0.5 * (stop - start):
        return None  # without the torque split nothing can be said about the differential's share
    corner = corner_at(corners, start, stop)
    moment = float(rear.opposing_moment_Nm[window][known].mean())
    extra = float(extra_rad[window].mean())
    explained = max(float(steer_for_moment_rad(moment, car)), 0.0)
    share = min(explained / extra, 1.0)
    at_wheel = float(np.degrees(car.steering_ratio))
    extra_deg, explained_deg = extra * at_wheel, explained * at_wheel
    duration = (stop - start) / signals.rate_hz
    # samples along one turn-in are not independent: one counts per driver's correction
    mean_sd = max(handling.residual_sd_rad, 1e-4) / np.sqrt(max(duration / CORRECTION_S, 1.0))
    where = place(corner, float(signals.distance_m[start]))
    start_text = (
        f"Off the throttle {where} the car took {extra_deg:.0f} degrees more steering wheel than its own balance "
        "asks for"
    )
    if share < MINOR_SHARE:
        sentence = (
            f"{start_text}: this is not the differential's, which accounts for {explained_deg:.1f} degrees of it."
        )
    else:
        rest = "" if share > 0.85 else "; the rest is not the differential's"
        sentence = (
            f"{start_text}: the differential holds against the turn with {moment:.0f} N.m and accounts for about "
            f"{explained_deg:.0f} degrees, {100 * share:.0f} % of it{rest}."
        )
    return Finding(
        kind="coast_understeer",
        lap=corner.lap if corner else None,
        corner=corner.number if corner else None,
        start_s=float(signals.time_s[start]),
        end_s=float(signals.time_s[stop - 1]),
        severity="act"
        if share >= MAJOR_SHARE and explained >= LEAST_EXTRA_RAD
        else "caution"
        if share >= MINOR_SHARE
        else "note",
        confidence=confidence(above(extra - HOLDS_ON * LEAST_EXTRA_RAD, mean_sd), lasting(duration)),
        sentence=sentence,
        evidence={
            "phase": phase_at(corner, (start + stop) // 2),
            "duration_s": duration,
            "extra_steer_deg": extra_deg,
            "extra_road_wheel_deg": float(np.degrees(extra)),
            "yaw_moment_Nm": moment,
            "explained_steer_deg": explained_deg,
            "explained_steer_sd_deg": STIFFNESS_RELATIVE_SD * explained_deg,
            "differential_share": share,
            "transfer_torque_Nm": float(np.nanmean(rear.transfer_torque_Nm[window])),
            "understeer_gradient_deg_per_g": handling.gradient_deg_per_g,
            "steady_scatter_deg": handling.residual_sd_rad * at_wheel,
            "speed_m_s": float(signals.speed_m_s[window].mean()),
            "assumption": "cornering stiffness from the car file; near the limit the true share is larger",
        },
    )
