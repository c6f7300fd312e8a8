"""The path of the car: from position, or dead-reckoned from speed and yaw rate."""

import numpy as np

EARTH_RADIUS_M = 6_371_008.8  # mean radius, IUGG


def first_position(latitude_rad: np.ndarray, longitude_rad: np.ndarray) -> tuple[float, float]:
    """The first latitude and the first longitude that are known (rad)."""
    return float(latitude_rad[np.isfinite(latitude_rad)][0]), float(longitude_rad[np.isfinite(longitude_rad)][0])


def from_position(
    latitude_rad: np.ndarray, longitude_rad: np.ndarray, origin_rad: tuple[float, float] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """x east, y north (m) in the local tangent plane at `origin_rad`, else at the first position; angles in rad."""
    lat0, lon0 = first_position(latitude_rad, longitude_rad) if origin_rad is None else origin_rad
    return EARTH_RADIUS_M * np.cos(lat0) * (longitude_rad - lon0), EARTH_RADIUS_M * (latitude_rad - lat0)


def dead_reckoned(speed_m_s: np.ndarray, yaw_rate_rad_s: np.ndarray, rate_hz: float) -> tuple[np.ndarray, np.ndarray]:
    """x, y (m) by integrating yaw rate and speed from the first sample, heading along x at first; drifts."""
    heading = np.cumsum(yaw_rate_rad_s) / rate_hz
    return np.cumsum(speed_m_s * np.cos(heading)) / rate_hz, np.cumsum(speed_m_s * np.sin(heading)) / rate_hz
