"""Understeer off the throttle, against the car's own balance.

The car's own balance, fitted on the log: steer that a turn needs with the differential left out of it.

Understeer off the throttle: what the differential holds against the turn, and what it does not explain.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.findings.events import above, confidence, events, lasting, phase_at, placed
from analyzer.findings.evidence import CoastUndersteer
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle, rear_lateral_force_N
from analyzer.lockcurve.session_state import AxleState
from analyzer.phases.phases import Corner
from analyzer.robust import by_huber, regression, scatter
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car

LEAST_SPEED_M_S = 8.0
MODERATE_M_S2 = (1.0, 6.0)  # below, the steer is mostly friction and offset; above, tyres leave the linear range
STEADY_YAW_ACC_RAD_S2 = 0.25  # faster changes need steer for yaw inertia
LEAST_SAMPLES = 200  # 2 s at 100 Hz: a corner's worth of steady driving, for a line through two unknowns
LEAST_SPREAD_M_S2 = 1.5  # the gradient needs a range of lateral acceleration to be seen
AS_USUAL = 1.0  # standard deviations: beyond it a driver corrects or pushes, which is what is asked about
LEAST_SCATTER_RAD = 1e-5  # of extra steer; a sensor resolves less than this nowhere
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
BEND_RAD_PER_M_S2 = np.radians(0.2) / STANDARD_GRAVITY_M_S2
FITTED_TO_M_S2 = 6.0
# of the cornering stiffness that turns the moment into degrees (car file, not fitted here)
STIFFNESS_RELATIVE_SD = 0.25


@dataclass(frozen=True)
class Handling:
    """steer = L yaw_rate / v + gradient a_y + offset, at the road wheel (rad).

    Attributes
    ----------
    gradient_rad_per_m_s2 : understeer gradient; positive understeers.
    offset_rad : steer that is left when the car runs straight.
    residual_sd_rad : robust scatter of steady samples about the line.
    samples : steady samples that were used.
    """

    gradient_rad_per_m_s2: float
    offset_rad: float
    residual_sd_rad: float
    samples: int

    @property
    def gradient_deg_per_g(self) -> float:
        """Understeer gradient in degrees at the road wheel per g."""
        return float(np.degrees(self.gradient_rad_per_m_s2) * STANDARD_GRAVITY_M_S2)

    def steer_rad(self, signals: Signals, car: Car) -> FloatArray:
        """Steer that the turn needs by this balance.

        Parameters
        ----------
        signals : n samples; under `LEAST_SPEED_M_S` the turn counts as driven at that speed.

        Returns
        -------
        ndarray : (n,) mean road-wheel angle (rad), left positive.
        """
        speed = np.maximum(signals.speed_m_s, LEAST_SPEED_M_S)
        geometric = car.wheelbase_m * signals.yaw_rate_rad_s / speed
        return geometric + self.gradient_rad_per_m_s2 * signals.lat_m_s2 + self.offset_rad


def fit_handling(signals: Signals, car: Car) -> Handling | None:
    """Robust fit on moderate, steady samples with the throttle open; None when the log has too few.

    Parameters
    ----------
    signals : the whole session or a stretch of it.
    car : for its wheelbase.

    Notes
    -----
    Steer of a steady turn is L/R + K a_y (SAE J670 understeer gradient). Throttle open, so that what the differential
    does off the throttle is not learnt as the car's own balance. The loss is sqrt(1 + (r / scatter)^2), the scatter
    that of the plain fit; it is convex, and weighing each residual anew goes down to its only minimum.

    References
    ----------
    SAE J670-2008, understeer/oversteer gradient; Milliken & Milliken, Race Car Vehicle Dynamics, SAE 1995, ch. 5.
    """
    lateral = np.abs(signals.lat_m_s2)
    use = (
        signals.valid
        & ~signals.braking
        & signals.speed_trusted
        & (signals.speed_m_s > LEAST_SPEED_M_S)
        & (lateral > MODERATE_M_S2[0])
        & (lateral < MODERATE_M_S2[1])
        & (np.abs(signals.yaw_acceleration_rad_s2) < STEADY_YAW_ACC_RAD_S2)
        & (signals.throttle > 0.05)
    )
    lat = signals.lat_m_s2[use]
    if len(lat) < LEAST_SAMPLES or np.ptp(np.abs(lat)) < LEAST_SPREAD_M_S2:
        return None
    extra = signals.steer_rad[use] - car.wheelbase_m * signals.yaw_rate_rad_s[use] / signals.speed_m_s[use]
    design = np.column_stack([lat, np.ones_like(lat)])
    line = regression(design, extra, pull=partial(by_huber, limit=AS_USUAL), least=LEAST_SCATTER_RAD)
    gradient, offset = line.coefficients
    return Handling(
        gradient_rad_per_m_s2=float(gradient),
        offset_rad=float(offset),
        residual_sd_rad=scatter(line.residual),
        samples=len(lat),
    )


def steer_for_moment_rad(moment_Nm: FloatArray | float, car: Car) -> FloatArray | float:
    """Extra steer at the road wheel that holds a turn against a yaw moment.

    Parameters
    ----------
    moment_Nm : (n,) or one; positive against the turn.
    car : its cornering stiffness is that of the file, not the fitted one.

    Returns
    -------
    ndarray : of the shape of `moment_Nm` (rad), into the turn positive.

    Notes
    -----
    Single track: the moment N needs N/L more force in front and N/L less behind, so
    d_steer = (N/L) (1/C_f + 1/C_r), with C = cornering stiffness per load times the static axle load. Near the limit
    tyres are softer and the true angle is larger: this is the least that the moment costs.
    """
    weight = car.mass_kg * STANDARD_GRAVITY_M_S2
    front = car.tyre.cornering_stiffness_per_rad * weight * car.front_weight_fraction
    rear = car.tyre.cornering_stiffness_per_rad * weight * (1 - car.front_weight_fraction)
    return moment_Nm / car.wheelbase_m * (1 / front + 1 / rear)


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
    share = np.nan_to_num(
        rear.opposing_moment_Nm / car.wheelbase_m / np.maximum(front, 0.05 * car.mass_kg * STANDARD_GRAVITY_M_S2)
    )
    steered = None if handling is None else _Steered.of(signals, rear, handling, car)
    held = [
        _held(signals, corners, car, axle, rear, steered, share, start, stop)
        for start, stop in events(
            begins=coasting & (share > LEAST_FRONT_SHARE),
            goes_on=coasting & (share > HOLDS_ON * LEAST_FRONT_SHARE),
            rate_hz=signals.rate_hz,
            least_s=LEAST_S,
        )
    ]
    sure = [f for f in held if f is not None]
    if steered is None:
        return tuple(sure)
    threshold = np.maximum(CLEAR_EXTRA_RAD, CLEAR_SIGMAS * steered.sd_rad)
    own = coasting & np.isfinite(rear.opposing_moment_Nm) & (share < HOLDS_ON * LEAST_FRONT_SHARE)
    others = [
        _of_the_car(signals, corners, car, rear, steered, start, stop)
        for start, stop in events(
            begins=own & (steered.extra_rad > threshold),
            goes_on=own & (steered.extra_rad > HOLDS_ON * threshold),
            rate_hz=signals.rate_hz,
            least_s=LEAST_S,
        )
    ]
    return once_a_corner((*sure, *others))


@dataclass(frozen=True)
class _Steered:
    """(n,) steer into the turn beyond the car's own balance, and how sure that balance is there (rad, road wheel)."""

    handling: Handling
    extra_rad: FloatArray
    sd_rad: FloatArray

    @classmethod
    def of(cls, signals: Signals, rear: RearAxle, handling: Handling, car: Car) -> "_Steered":
        extra = _extra_steer_rad(signals, rear, handling, car)
        return cls(handling, extra, _balance_sd_rad(signals, handling, car))


def _extra_steer_rad(signals: Signals, rear: RearAxle, handling: Handling, car: Car) -> FloatArray:
    """(n,) steer into the turn beyond the car's balance and what turns its inertia (rad, road wheel)."""
    turning_in = steer_for_moment_rad(car.yaw_inertia * signals.yaw_acceleration_rad_s2, car)
    return rear.turn * (signals.steer_rad - handling.steer_rad(signals, car) - turning_in)


def _balance_sd_rad(signals: Signals, handling: Handling, car: Car) -> FloatArray:
    """(n,) how sure the balance is there: scatter, its bend towards the limit, and the steer that turns the inertia."""
    beyond = np.maximum(np.abs(signals.lat_m_s2) - FITTED_TO_M_S2, 0.0)
    turning_in = steer_for_moment_rad(car.yaw_inertia * signals.yaw_acceleration_rad_s2, car)
    still = np.hypot(handling.residual_sd_rad, BEND_RAD_PER_M_S2 * beyond)
    deviation: FloatArray = np.hypot(still, STIFFNESS_RELATIVE_SD * turning_in)
    return deviation


def _held(
    signals: Signals,
    corners: Sequence[Corner],
    car: Car,
    axle: AxleState,
    rear: RearAxle,
    steered: _Steered | None,
    share: FloatArray,
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
    extra_mean = None if steered is None else float(steered.extra_rad[window].mean())
    if steered is not None and extra_mean is not None and extra_mean < -2 * float(steered.sd_rad[window].mean()):
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
        understeer_gradient_deg_per_g=None if steered is None else steered.handling.gradient_deg_per_g,
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
    steered: _Steered,
    start: int,
    stop: int,
) -> Finding:
    """Understeer with no moment of the differential behind it."""
    window = slice(start, stop)
    duration = (stop - start) / signals.rate_hz
    mean, moment = float(steered.extra_rad[window].mean()), float(rear.opposing_moment_Nm[window].mean())
    at_wheel = float(np.degrees(car.steering_ratio))
    # samples along one turn-in are not independent: one counts per driver's correction
    sd = float(steered.sd_rad[window].mean()) / np.sqrt(max(duration / CORRECTION_S, 1.0))
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
        understeer_gradient_deg_per_g=steered.handling.gradient_deg_per_g,
        steady_scatter_deg=steered.handling.residual_sd_rad * at_wheel,
        speed_m_s=float(signals.speed_m_s[window].mean()),
    )
    sure = confidence(above(mean - HOLDS_ON * CLEAR_EXTRA_RAD, sd), lasting(duration))
    return placed(evidence, signals, corners, start, stop, severity="note", confidence=sure)


def once_a_corner(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """Of understeer that is not the differential's, the clearest of each corner, which says in how many passes it
    happened: a habit of the car, not an event. All others as they are, first.

    Parameters
    ----------
    findings : of any kinds, in any order; also such as were merged before, of the stretches of a long session.
    """
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
