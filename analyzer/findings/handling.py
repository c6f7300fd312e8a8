"""The car's own balance, fitted on the log: steer that a turn needs with the differential left out of it."""

from dataclasses import dataclass

import numpy as np

from analyzer.signals.session import Signals
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import Car

LEAST_SPEED_M_S = 8.0
MODERATE_M_S2 = (1.0, 6.0)  # below, the steer is mostly friction and offset; above, tyres leave the linear range
STEADY_YAW_ACC_RAD_S2 = 0.25  # faster changes need steer for yaw inertia
LEAST_SAMPLES = 200
LEAST_SPREAD_M_S2 = 1.5  # the gradient needs a range of lateral acceleration to be seen
MOST_ROUNDS = 50  # of weighing; ten are usual


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

    def steer_rad(self, signals: Signals, car: Car) -> np.ndarray:
        """(n,) steer at the road wheel that the turn needs by this balance (rad)."""
        speed = np.maximum(signals.speed_m_s, LEAST_SPEED_M_S)
        geometric = car.wheelbase_m * signals.yaw_rate_rad_s / speed
        return geometric + self.gradient_rad_per_m_s2 * signals.lat_m_s2 + self.offset_rad


def fit_handling(signals: Signals, car: Car) -> Handling | None:
    """Robust fit on moderate, steady samples with the throttle open; None when the log has too few.

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
    line = np.linalg.lstsq(design, extra, rcond=None)[0]
    scale = max(_robust_sd(extra - design @ line), 1e-5)
    for _ in range(MOST_ROUNDS):
        pull = 1 / np.sqrt(1 + ((extra - design @ line) / scale) ** 2)
        before, line = line, np.linalg.solve((design.T * pull) @ design, (design.T * pull) @ extra)
        if np.allclose(line, before, rtol=1e-9, atol=0.0):
            break
    gradient, offset = line
    return Handling(
        gradient_rad_per_m_s2=float(gradient),
        offset_rad=float(offset),
        residual_sd_rad=_robust_sd(extra - design @ line),
        samples=len(lat),
    )


def _robust_sd(residual: np.ndarray) -> float:
    return float(1.4826 * np.median(np.abs(residual - np.median(residual))))


def steer_for_moment_rad(moment_Nm: np.ndarray | float, car: Car) -> np.ndarray | float:
    """(n,) extra steer at the road wheel (rad) that holds a turn against a yaw moment (n,) (N.m).

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
