"""Speeds of the wheels, and of the front axle from both of its own."""

from collections.abc import Mapping

import numpy as np

from analyzer.vehicle.car import Car

LEAST_SPEED_M_S = 8.0  # slower than this nothing is told of the car
SLIDES_M_S, SLIDES_SHARE = 1.0, 0.03  # front wheels further apart than their turn and their scales make them


def surface_speeds_m_s(channels: Mapping[str, np.ndarray], unit: str, car: Car) -> np.ndarray:
    """(n, 4) surface speeds front left, front right, rear left, rear right (m/s); NaN columns where not logged.

    Parameters
    ----------
    channels : each (n,), `wheel_speed_fl` and so on where logged, and others.
    unit : theirs, `m/s` or `rad/s`.
    """
    count = len(next(iter(channels.values())))
    wheels = np.full((count, 4), np.nan, order="F")  # wheel by wheel in memory, as filters take them
    for i, corner in enumerate(("fl", "fr", "rl", "rr")):
        values = channels.get(f"wheel_speed_{corner}")
        if values is not None:
            wheels[:, i] = values * (car.rolling_radii_m[i] if unit == "rad/s" else 1.0)
    return wheels


def mean_of_both(left: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Mean of two wheels (n,), the other one where one is NaN."""
    both = (left + right) / 2
    return np.where(np.isfinite(both), both, np.fmax(left, right))


def front_axle_m_s(front: np.ndarray, channels: Mapping[str, np.ndarray], car: Car) -> np.ndarray:
    """(n,) speed of the middle of the front axle from its wheels (n, 2): their mean; from the faster alone where the
    other stands or slides, so that they are further apart than the car's turn and their scales make them.

    Parameters
    ----------
    channels : `yaw_rate` (rad/s), or `lat_g` (m/s2) where it is not logged.
    """
    faster = np.fmax(front[:, 0], front[:, 1])
    gyro = channels.get("yaw_rate")
    turning = channels["lat_g"] / np.maximum(faster, LEAST_SPEED_M_S) if gyro is None else gyro
    by_turn = car.front_track_m * np.abs(turning)
    beyond = np.abs(front[:, 0] - front[:, 1]) - by_turn - SLIDES_M_S - SLIDES_SHARE * faster
    alone = np.clip(np.nan_to_num(beyond) / SLIDES_M_S, 0.0, 1.0)
    return (1 - alone) * mean_of_both(front[:, 0], front[:, 1]) + alone * (faster - by_turn / 2)
