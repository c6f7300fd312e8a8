"""The rear axle seen from the corner: inside and outside instead of left and right."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.lockcurve.session_state import AxleState
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car

# Below 0.2 g the yaw rate is too small to name an inside wheel (0.2 g at 20 m/s is 0.1 rad/s, about ten times a
# good gyro's noise).
LEAST_LATERAL_M_S2 = 2.0
LEAST_SPEED_M_S = 5.0  # slip divides by speed: below this, pulse wheels are too coarse


@dataclass(frozen=True, eq=False)
class RearAxle:
    """Arrays (n,), NaN where nothing can be said; each is worked out when first asked for."""

    signals: Signals
    axle: AxleState
    car: Car

    @cached_property
    def _left_turn(self) -> BoolArray:
        return self.signals.yaw_rate_rad_s >= 0

    @cached_property
    def turn(self) -> FloatArray:
        """(n,) +1 in a left turn (inside is left), -1 in a right turn."""
        return np.where(self._left_turn, 1.0, -1.0)

    @cached_property
    def cornering(self) -> BoolArray:
        """(n,) bool: tight enough to name the inside wheel, fast enough for slips, and valid."""
        signals = self.signals
        return (
            signals.valid
            & (np.abs(signals.lat_m_s2) >= LEAST_LATERAL_M_S2)
            & (signals.speed_m_s >= LEAST_SPEED_M_S)
            & (signals.lat_m_s2 * signals.yaw_rate_rad_s > 0)
        )

    @cached_property
    def inside_slip(self) -> FloatArray:
        """(n,) longitudinal slip of the inside wheel (1)."""
        return np.where(self._left_turn, self.axle.slip_left, self.axle.slip_right)

    @cached_property
    def outside_slip(self) -> FloatArray:
        """(n,) longitudinal slip of the outside wheel (1)."""
        return np.where(self._left_turn, self.axle.slip_right, self.axle.slip_left)

    @cached_property
    def inside_use(self) -> FloatArray:
        """(n,) combined slip of the inside wheel over its slip at peak force (1)."""
        return np.where(self._left_turn, self.axle.use_left, self.axle.use_right)

    @cached_property
    def outside_use(self) -> FloatArray:
        """(n,) combined slip of the outside wheel over its slip at peak force (1)."""
        return np.where(self._left_turn, self.axle.use_right, self.axle.use_left)

    @cached_property
    def inside_force_N(self) -> FloatArray:
        """(n,) longitudinal tyre force of the inside wheel (N)."""
        axle = self.axle
        return np.where(self._left_turn, axle.longitudinal_force_left_N, axle.longitudinal_force_right_N)

    @cached_property
    def over_speed_m_s(self) -> FloatArray:
        """(n,) how much faster the inside wheel's surface turns than the outside's (m/s); usually negative."""
        return self.car.rear_rolling_radius_m * self.turn * self.axle.speed_difference_rad_s

    @cached_property
    def slip_difference_sd(self) -> FloatArray:
        """(n,) standard deviation of inside_slip - outside_slip (1)."""
        signals = self.signals
        yaw = self.car.rear_track_m * signals.yaw_rate_sd_rad_s
        noise = np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + yaw**2)
        return noise / np.maximum(signals.speed_m_s, LEAST_SPEED_M_S)

    @cached_property
    def transfer_torque_Nm(self) -> FloatArray:
        """(n,) T_inside - T_outside (N.m), positive resists the turn."""
        return self.turn * self.axle.torque_difference_Nm

    @cached_property
    def opposing_moment_Nm(self) -> FloatArray:
        """(n,) yaw moment of the transfer torque (N.m), positive against the turn."""
        return self.transfer_torque_Nm * self.car.rear_track_m / (2 * self.car.rear_rolling_radius_m)

    @cached_property
    def peak_slip(self) -> float:
        """Longitudinal slip at the peak of the force, as the axle's own numbers imply (1); NaN when they cannot."""
        return _peak_slip(self.axle)


def rear_axle(signals: Signals, axle: AxleState, car: Car) -> RearAxle:
    """Turn left/right into inside/outside.

    Parameters
    ----------
    signals, axle : of the same n samples.

    Notes
    -----
    Left turn (ISO 8855: yaw rate positive): inside = left. With D = T_left - T_right the wheels push with
    F_left - F_right = D/R, which yaws the car by -D t_r/(2R); so the transfer torque M = D sign(yaw rate) opposes the
    turn with M t_r/(2R).
    """
    return RearAxle(signals, axle, car)


def rear_lateral_force_N(signals: Signals, car: Car) -> FloatArray:
    """(n,) lateral force of the rear axle (N).

    Parameters
    ----------
    signals : n samples; the force has the sign of their lateral acceleration, left positive.

    Notes
    -----
    Single-track balance about the front axle: Fy_rear = (m a_y a - I_z yaw_acc)/L. The moment of the differential is
    left out: it is a few per cent of m a_y a.

    References
    ----------
    Milliken & Milliken, Race Car Vehicle Dynamics, SAE 1995, ch. 5 (two-degree-of-freedom automobile).
    """
    moment = car.mass_kg * signals.lat_m_s2 * car.cg_to_front_m - car.yaw_inertia * signals.yaw_acceleration_rad_s2
    return moment / car.wheelbase_m


def front_lateral_force_N(signals: Signals, car: Car) -> FloatArray:
    """(n,) lateral force of the front axle (N): what the rear axle leaves of m a_y."""
    return car.mass_kg * signals.lat_m_s2 - rear_lateral_force_N(signals, car)


def _peak_slip(axle: AxleState) -> float:
    """Slip at peak force: combined use is at least |slip|/peak, with equality when the wheel runs straight, so the
    largest |slip|/use (99th percentile, against noise) is the peak slip."""
    ratios = []
    for slip, use in ((axle.slip_left, axle.use_left), (axle.slip_right, axle.use_right)):
        good = np.isfinite(slip) & np.isfinite(use) & (use > 0.2)
        ratios.append(np.abs(slip[good]) / use[good])
    both = np.concatenate(ratios)
    return float(np.percentile(both, 99)) if len(both) >= 50 else float("nan")
