"""What the rear axle could have put down as one piece, from what this log shows it can hold."""

import numpy as np

from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

SEEN_PERCENTILE = 99.0  # friction the axle reached on this log in 1 % of its hard-working time, against noise


def rear_lateral_force_N(signals: Signals, car: Car) -> np.ndarray:
    """(n,) lateral force of the rear axle (N).

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


def front_lateral_force_N(signals: Signals, car: Car) -> np.ndarray:
    """(n,) lateral force of the front axle (N): what the rear axle leaves of m a_y."""
    return car.mass_kg * signals.lat_m_s2 - rear_lateral_force_N(signals, car)


def locked_drive_force_N(signals: Signals, axle: AxleState, car: Car) -> np.ndarray:
    """(n,) longitudinal force (N) that the rear axle could put down as one piece, at its lateral force of the moment.

    Notes
    -----
    F_x = sqrt((mu F_z)^2 - F_y^2), mu being the highest friction that both wheels together showed on this log. So it
    says what the axle has been seen to do, not what a tyre table promises; NaN when the axle never worked hard.
    """
    lateral = rear_lateral_force_N(signals, car)
    load = axle.load_left_N + axle.load_right_N
    longitudinal = axle.longitudinal_force_left_N + axle.longitudinal_force_right_N
    friction = np.hypot(longitudinal, lateral) / np.where(load > 0, load, np.nan)
    seen = friction[signals.valid & np.isfinite(friction) & ~axle.braked]
    if len(seen) < 100:
        return np.full(load.shape, np.nan)
    limit = np.percentile(seen, SEEN_PERCENTILE) * load
    return np.sqrt(np.maximum(limit**2 - lateral**2, 0.0))
