"""Understeer off the throttle: what the differential holds against the turn, and what it does not explain."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyzer.findings.events import above, confidence, events, lasting, phase_at, placed
from analyzer.findings.evidence import CoastUndersteer
from analyzer.findings.finding import Finding
from analyzer.findings.handling import Handling, fit_handling, steer_for_moment_rad
from analyzer.findings.rear_axle import RearAxle, rear_lateral_force_N
from analyzer.phases.segments import Corner
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

CLOSED_THROTTLE = 0.03  # pedal channels rest within 2-3 % of zero
# of the front tyres' side force that the moment takes: about 1.5 % of corner speed, 0.1 s in a corner of 6 s
LEAST_FRONT_SHARE = 0.03
ACT_FRONT_SHARE = 0.06
SURE_SIGMAS = 1.645  # the moment must be over what ends an event, not only over none, with 95 % certainty
# and over the threshold itself by so many standard deviations: without, one in five told on minimum channels lay just
# under it (set on the ten minimum sessions of `tests/findings/sessions.py` under seed 20)
OVER_SIGMAS = 0.5
HOLDS_ON = 0.6  # hysteresis: part of the threshold at which the event ends
LEAST_S = 0.3  # shorter than one steering correction it is no state of the car
CORRECTION_S = 0.3  # time between two steering corrections (common practice, no source)
# understeer of the car's own: clear to the driver, about 15 degrees at the steering wheel
CLEAR_EXTRA_RAD = np.radians(1.0)
CLEAR_SIGMAS = 2.5  # over the scatter of the car's own steady cornering
# the balance is fitted below 6 m/s2 and bends towards the limit by about 0.2 degrees per g
# beyond (common practice, no source)
BEND_RAD_PER_M_S2 = np.radians(0.2) / 9.81
FITTED_TO_M_S2 = 6.0
# of the cornering stiffness that turns the moment into degrees (car file, not fitted here)
STIFFNESS_RELATIVE_SD = 0.25


def find_coast_understeer(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Throttle closed, brakes off: the differential's yaw moment against the turn; and understeer without one.

    Notes
    -----
    A free axle has no yaw moment. The moment N = M t_r/(2R) needs N/L more side force in front: it is found where that
    is 3 % or more of what the front tyres carry, differs from none by more than its uncertainty, lasts, and the
    steering does not contradict it. Understeer beyond the car's own balance (fitted on this log with the throttle
    open) without such a moment is said not to be the differential's, once a corner.
    """
    signals, axle, car = rear.signals, rear.axle, rear.car
    handling = fit_handling(signals, car)
    coasting = rear.cornering & (signals.throttle <= CLOSED_THROTTLE) & ~signals.braking & ~axle.braked
    front = np.abs(car.mass_kg * signals.lat_m_s2 - rear_lateral_force_N(signals, car))
    share = np.nan_to_num(rear.opposing_moment_Nm / car.wheelbase_m / np.maximum(front, 0.05 * car.mass_kg * 9.81))
    extra = None if handling is None else _extra_steer_rad(signals, rear, handling, car)
    held = [
        _held(signals, corners, car, axle, rear, handling, share, extra, start, stop)
        for start, stop in events(
            begins=coasting & (share > LEAST_FRONT_SHARE),
            goes_on=coasting & (share > HOLDS_ON * LEAST_FRONT_SHARE),
            rate_hz=signals.rate_hz,
            least_s=LEAST_S,
        )
    ]
    held = [f for f in held if f is not None]
    if handling is None:
        return tuple(held)
    threshold = np.maximum(CLEAR_EXTRA_RAD, CLEAR_SIGMAS * _balance_sd_rad(signals, handling, car))
    own = coasting & np.isfinite(rear.opposing_moment_Nm) & (share < HOLDS_ON * LEAST_FRONT_SHARE)
    others = [
        _of_the_car(signals, corners, car, rear, handling, extra, start, stop)
        for start, stop in events(
            begins=own & (extra > threshold),
            goes_on=own & (extra > HOLDS_ON * threshold),
            rate_hz=signals.rate_hz,
            least_s=LEAST_S,
        )
    ]
    return once_a_corner((*held, *others))


def _extra_steer_rad(signals: Signals, rear: RearAxle, handling: Handling, car: Car) -> np.ndarray:
    """(n,) steer into the turn beyond the car's balance and what turns its inertia (rad, road wheel)."""
    turning_in = steer_for_moment_rad(car.yaw_inertia * signals.yaw_acceleration_rad_s2, car)
    return rear.turn * (signals.steer_rad - handling.steer_rad(signals, car) - turning_in)


def _balance_sd_rad(signals: Signals, handling: Handling, car: Car) -> np.ndarray:
    """(n,) how sure the balance is there: scatter, its bend towards the limit, and the steer that turns the inertia."""
    beyond = np.maximum(np.abs(signals.lat_m_s2) - FITTED_TO_M_S2, 0.0)
    turning_in = steer_for_moment_rad(car.yaw_inertia * signals.yaw_acceleration_rad_s2, car)
    still = np.hypot(handling.residual_sd_rad, BEND_RAD_PER_M_S2 * beyond)
    return np.hypot(still, STIFFNESS_RELATIVE_SD * turning_in)


def _held(
    signals: Signals,
    corners: Sequence[Corner],
    car: Car,
    axle: AxleState,
    rear: RearAxle,
    handling: Handling | None,
    share: np.ndarray,
    extra: np.ndarray | None,
    start: int,
    stop: int,
) -> Finding | None:
    """What the differential holds against the turn; None where that is not sure."""
    window = slice(start, stop)
    known = np.isfinite(rear.opposing_moment_Nm[window])
    moment = float(rear.opposing_moment_Nm[window][known].mean())
    lever = car.rear_track_m / (2 * car.rear_rolling_radius_m)
    # the error of the split is one error along an event, not one a sample
    moment_sd = float(axle.torque_difference_sd_Nm[window][known].mean()) * lever
    mean_share = float(share[window][known].mean())
    over = moment * (1 - HOLDS_ON * LEAST_FRONT_SHARE / mean_share)
    if moment * (1 - LEAST_FRONT_SHARE / mean_share) < OVER_SIGMAS * moment_sd or over < SURE_SIGMAS * moment_sd:
        return None
    explained = float(steer_for_moment_rad(moment, car))
    extra_mean = None if extra is None else float(extra[window].mean())
    if extra_mean is not None:
        sd = float(_balance_sd_rad(signals, handling, car)[window].mean())
        if extra_mean < -2 * sd:
            return None  # the car steered less than its own balance asks: whatever held it, it did not understeer
    duration = (stop - start) / signals.rate_hz
    at_wheel = float(np.degrees(car.steering_ratio))
    evidence = CoastUndersteer(
        of_the_differential=True,
        phase=phase_at(corners, start, stop),
        duration_s=duration,
        yaw_moment_Nm=moment,
        yaw_moment_sd_Nm=moment_sd,
        front_side_force_share=mean_share,
        transfer_torque_Nm=moment / lever,
        explained_steer_deg=explained * at_wheel,
        explained_steer_sd_deg=STIFFNESS_RELATIVE_SD * explained * at_wheel,
        extra_steer_deg=None if extra_mean is None else extra_mean * at_wheel,
        extra_road_wheel_deg=None if extra_mean is None else float(np.degrees(extra_mean)),
        understeer_gradient_deg_per_g=None if handling is None else handling.gradient_deg_per_g,
        steady_scatter_deg=None,
        speed_m_s=float(signals.speed_m_s[window].mean()),
    )
    return placed(
        evidence,
        signals,
        corners,
        start,
        stop,
        severity="act" if mean_share >= ACT_FRONT_SHARE else "caution",
        confidence=confidence(above(over, moment_sd), lasting(duration)),
    )


def _of_the_car(
    signals: Signals,
    corners: Sequence[Corner],
    car: Car,
    rear: RearAxle,
    handling: Handling,
    extra: np.ndarray,
    start: int,
    stop: int,
) -> Finding:
    """Understeer with no moment of the differential behind it."""
    window = slice(start, stop)
    duration = (stop - start) / signals.rate_hz
    mean, moment = float(extra[window].mean()), float(rear.opposing_moment_Nm[window].mean())
    at_wheel = float(np.degrees(car.steering_ratio))
    # samples along one turn-in are not independent: one counts per driver's correction
    sd = float(_balance_sd_rad(signals, handling, car)[window].mean()) / np.sqrt(max(duration / CORRECTION_S, 1.0))
    explained = max(float(steer_for_moment_rad(moment, car)), 0.0)
    evidence = CoastUndersteer(
        of_the_differential=False,
        phase=phase_at(corners, start, stop),
        duration_s=duration,
        yaw_moment_Nm=moment,
        yaw_moment_sd_Nm=None,
        front_side_force_share=None,
        transfer_torque_Nm=None,
        explained_steer_deg=explained * at_wheel,
        explained_steer_sd_deg=STIFFNESS_RELATIVE_SD * explained * at_wheel,
        extra_steer_deg=mean * at_wheel,
        extra_road_wheel_deg=float(np.degrees(mean)),
        understeer_gradient_deg_per_g=handling.gradient_deg_per_g,
        steady_scatter_deg=handling.residual_sd_rad * at_wheel,
        speed_m_s=float(signals.speed_m_s[window].mean()),
    )
    sure = confidence(above(mean - HOLDS_ON * CLEAR_EXTRA_RAD, sd), lasting(duration))
    return placed(evidence, signals, corners, start, stop, severity="note", confidence=sure)


def once_a_corner(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Of understeer that is not the differential's, the clearest of each corner, which says in how many passes it
    happened: a habit of the car, not an event. All others as they are."""
    by_corner: dict[int | None, list[tuple[Finding, CoastUndersteer]]] = {}
    others = []
    for found in findings:
        evidence = found.evidence
        if isinstance(evidence, CoastUndersteer) and not evidence.of_the_differential:
            by_corner.setdefault(found.corner, []).append((found, evidence))
        else:
            others.append(found)
    merged = []
    for group in by_corner.values():
        worst, evidence = max(group, key=lambda pair: pair[0].confidence * (pair[1].extra_steer_deg or 0.0))
        group.sort(key=lambda pair: pair[0].start_s)
        laps = ", ".join(of.laps or str(found.lap) for found, of in group)
        passes = sum(of.passes for _, of in group)
        merged.append(replace(worst, evidence=replace(evidence, passes=passes, laps=laps)))
    return (*others, *merged)
