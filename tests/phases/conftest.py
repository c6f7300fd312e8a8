"""A car without mass or tyres on an invented circuit: curvature over distance, a speed profile under fixed limits."""

from collections.abc import Callable

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from analyzer.signals.session import Signals

RATE_HZ = 100.0
# (straight before m, radius m, angle deg, left +1 or right -1); the angles add up to one revolution
CIRCUIT = (
    (300, 40, 90, 1),
    (200, 30, 60, -1),
    (150, 25, 150, 1),
    (260, 80, 50, 1),
    (120, 35, 80, -1),
    (90, 35, 80, 1),
    (240, 20, 130, 1),
)


def road(corners: tuple[tuple[float, float, float, int], ...], lead_out_m: float = 200.0) -> np.ndarray:
    """Curvature (1/m) per metre of one lap."""
    pieces = []
    for straight, radius, angle, side in corners:
        pieces += [np.zeros(int(straight)), np.full(round(radius * np.radians(angle)), side / radius)]
    return np.concatenate([*pieces, np.zeros(int(lead_out_m))])


def drive_road(
    curvature: np.ndarray,
    *,
    grip_m_s2: float = 11.0,
    top_m_s: float = 55.0,
    noise_m_s2: float = 0.3,
    yaw_bias_rad_s: float = 0.0,
    seed: int = 1,
    **fields: object,
) -> Signals:
    """Signals of a car that brakes with 0.8 and drives off with 0.4 of its grip and corners with all of it."""
    bend = gaussian_filter1d(curvature, 6.0)
    limit = np.minimum(np.sqrt(grip_m_s2 / np.maximum(np.abs(bend), 1e-6)), top_m_s)
    speed = limit.copy()
    for k in range(1, len(speed)):
        speed[k] = min(limit[k], np.sqrt(speed[k - 1] ** 2 + 2 * 0.4 * grip_m_s2))
    for k in range(len(speed) - 2, -1, -1):
        speed[k] = min(speed[k], np.sqrt(speed[k + 1] ** 2 + 2 * 0.8 * grip_m_s2))
    clock = np.concatenate([[0.0], np.cumsum(1 / speed[:-1])])
    time = np.arange(0, clock[-1], 1 / RATE_HZ)
    distance = np.interp(time, clock, np.arange(len(speed)))
    speed, bend = np.interp(distance, np.arange(len(speed)), speed), np.interp(distance, np.arange(len(bend)), bend)
    acceleration = gaussian_filter1d(np.gradient(speed, 1 / RATE_HZ), 3)
    rng = np.random.default_rng(seed)
    shake = noise_m_s2 * rng.standard_normal((3, len(time)))
    yaw = speed * bend
    heading = np.cumsum(yaw) / RATE_HZ
    # A car at its top speed is at full throttle without accelerating.
    throttle = np.where(speed > 0.99 * top_m_s, 1.0, acceleration / (0.3 * grip_m_s2))
    values = {
        "time_s": time,
        "rate_hz": RATE_HZ,
        "valid": np.ones(len(time), bool),
        "wheel_speed_m_s": np.repeat(speed[:, None], 4, axis=1),
        "throttle": np.clip(gaussian_filter1d(throttle, 10), 0, 1),
        "steer_rad": 2.5 * bend,
        "lat_m_s2": speed * yaw + shake[0],
        "long_m_s2": acceleration + shake[1],
        "yaw_rate_rad_s": yaw + 0.03 * shake[2] + yaw_bias_rad_s,
        "yaw_acceleration_rad_s2": np.gradient(yaw, 1 / RATE_HZ),
        "yaw_rate_sd_rad_s": np.full(len(time), 0.01),
        "speed_m_s": speed,
        "speed_trusted": np.ones(len(time), bool),
        "braking": acceleration < -0.3 * grip_m_s2,
        "x_m": np.cumsum(speed * np.cos(heading)) / RATE_HZ,
        "y_m": np.cumsum(speed * np.sin(heading)) / RATE_HZ,
        "distance_m": distance,
        "position_source": "dead_reckoned",
        "lap_channel": None,
        "calibration": (),
        "annotations": (),
    }
    return Signals(**{**values, **fields})


@pytest.fixture
def one_lap() -> np.ndarray:
    """Curvature of one lap of the circuit of seven corners."""
    return road(CIRCUIT)


@pytest.fixture
def build_road() -> Callable[..., np.ndarray]:
    return road


@pytest.fixture
def drive() -> Callable[..., Signals]:
    return drive_road
