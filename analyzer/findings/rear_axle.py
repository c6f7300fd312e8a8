"""The rear axle seen from the corner: inside and outside instead of left and right."""

from dataclasses import dataclass

import numpy as np

from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

# Below 0.2 g the yaw rate is too small to name an inside wheel (0.2 g at 20 m/s is 0.1 rad/s, about ten times a
# good gyro's noise).
LEAST_LATERAL_M_S2 = 2.0
LEAST_SPEED_M_S = 5.0  # slip divides by speed: below this, pulse wheels are too coarse


@dataclass(frozen=True)
class RearAxle:
    """Arrays (n,), NaN where nothing can be said.

    Attributes
    ----------
    turn : +1 in a left turn (inside is left), -1 in a right turn.
    cornering : bool, the turn is tight enough to name the inside wheel, fast enough for slips, and the sample is valid.
    inside_slip, outside_slip : longitudinal slips.
    inside_use, outside_use : combined slip over slip at peak force.
    inside_force_N : longitudinal tyre force of the inside wheel.
    over_speed_m_s : how much faster the inside wheel's surface turns than the outside's; negative in the usual case.
    slip_difference_sd : standard deviation of inside_slip - outside_slip.
    transfer_torque_Nm : T_inside - T_outside, positive resists the turn.
    opposing_moment_Nm : yaw moment of the transfer torque about the vertical axis, positive against the turn.
    peak_slip : longitudinal slip at the peak of the tyre force, as the axle's own numbers imply; NaN when they cannot.
    """

    turn: np.ndarray
    cornering: np.ndarray
    inside_slip: np.ndarray
    outside_slip: np.ndarray
    inside_use: np.ndarray
    outside_use: np.ndarray
    inside_force_N: np.ndarray
    over_speed_m_s: np.ndarray
    slip_difference_sd: np.ndarray
    transfer_torque_Nm: np.ndarray
    opposing_moment_Nm: np.ndarray
    peak_slip: float


def rear_axle(signals: Signals, axle: AxleState, car: Car) -> RearAxle:
    """Turn left/right into inside/outside.

    Notes
    -----
    Left turn (ISO 8855: yaw rate positive): inside = left. With D = T_left - T_right the wheels push with
    F_left - F_right = D/R, which yaws the car by -D t_r/(2R); so the transfer torque M = D sign(yaw rate) opposes the
    turn with M t_r/(2R).
    """
    left_turn = signals.yaw_rate_rad_s >= 0
    turn = np.where(left_turn, 1.0, -1.0)
    radius, speed = car.rear_rolling_radius_m, np.maximum(signals.speed_m_s, LEAST_SPEED_M_S)
    transfer = turn * axle.torque_difference_Nm
    noise = np.sqrt(2 * signals.wheel_speed_noise_m_s**2 + (car.rear_track_m * signals.yaw_rate_sd_rad_s) ** 2)
    return RearAxle(
        turn=turn,
        cornering=signals.valid
        & (np.abs(signals.lat_m_s2) >= LEAST_LATERAL_M_S2)
        & (signals.speed_m_s >= LEAST_SPEED_M_S)
        & (signals.lat_m_s2 * signals.yaw_rate_rad_s > 0),
        inside_slip=np.where(left_turn, axle.slip_left, axle.slip_right),
        outside_slip=np.where(left_turn, axle.slip_right, axle.slip_left),
        inside_use=np.where(left_turn, axle.use_left, axle.use_right),
        outside_use=np.where(left_turn, axle.use_right, axle.use_left),
        inside_force_N=np.where(left_turn, axle.longitudinal_force_left_N, axle.longitudinal_force_right_N),
        over_speed_m_s=radius * turn * axle.speed_difference_rad_s,
        slip_difference_sd=noise / speed,
        transfer_torque_Nm=transfer,
        opposing_moment_Nm=transfer * car.rear_track_m / (2 * radius),
        peak_slip=_peak_slip(axle),
    )


def _peak_slip(axle: AxleState) -> float:
    """Slip at peak force: combined use is at least |slip|/peak, with equality when the wheel runs straight, so the
    largest |slip|/use (99th percentile, against noise) is the peak slip."""
    slip = np.abs(np.concatenate([axle.slip_left, axle.slip_right]))
    use = np.concatenate([axle.use_left, axle.use_right])
    good = np.isfinite(slip) & np.isfinite(use) & (use > 0.2)
    return float(np.percentile(slip[good] / use[good], 99)) if good.sum() >= 50 else float("nan")
