"""An invented session for the tests of reading: a kinematic car on an invented circuit, nothing taken from the program.

ISO 8855 signs. Wheel speeds follow from the circle each wheel runs on; the driven axle slips on power, the front axle
under braking; the rear axle shows half the free difference.
"""

from dataclasses import dataclass

import numpy as np

TRACK_M, WHEELBASE_M, STEERING_RATIO, RADIUS_M = 1.45, 2.5, 14.0, 0.31
GRAVITY = 9.80665
RATE_HZ = 50.0
CAR = """[car]
name = "invented car"
mass_kg = 1000
wheelbase_m = 2.5
front_weight_fraction = 0.45
cg_height_m = 0.45
front_track_m = 1.45
rear_track_m = 1.45
front_rolling_radius_m = 0.31
rear_rolling_radius_m = 0.31
steering_ratio = 14
"""


@dataclass(frozen=True)
class MadeLog:
    """Channels in SI, canonical names; throttle 0 to 1, brake in Pa, steer at the steering wheel."""

    time: np.ndarray
    channels: dict[str, np.ndarray]

    def change(self, **channels) -> "MadeLog":
        """The log with some channels replaced; None takes one out."""
        merged = {**self.channels, **channels}
        return MadeLog(self.time, {k: v for k, v in merged.items() if v is not None})


def made_log(seconds: float = 120.0, *, rate_hz: float = RATE_HZ, seed: int = 7) -> MadeLog:
    """One invented session."""
    rng = np.random.default_rng(seed)
    time = np.arange(round(seconds * rate_hz)) / rate_hz
    corner = 10.0  # seconds from corner to corner
    phase = (time % corner) / corner
    hand = np.where((time // corner) % 3 == 2, -1.0, 1.0)  # two left, one right
    # straight on power, coasting, brakes, corner, power
    target = np.interp(phase, [0, 0.27, 0.37, 0.5, 0.7, 1.0], [22.0, 38.0, 37.0, 17.0, 16.0, 22.0])
    width = int(0.4 * rate_hz) | 1
    smooth = lambda x: np.convolve(np.pad(x, width // 2, mode="edge"), np.full(width, 1 / width), mode="valid")  # noqa: E731
    speed = smooth(target)
    yaw = smooth(np.where((phase > 0.45) & (phase < 0.85), hand * 9.0 / speed, 0.0))
    ahead = np.gradient(speed, time)
    throttle = np.clip(smooth(np.where(ahead > 0.3, 0.3 + ahead / 6, 0.0)), 0, 1)
    brake = np.where(ahead < -3, -ahead * 3e5, 0.0)
    slip_rear = 0.03 * np.clip(ahead, 0, None) / 5
    slip_front = 0.03 * np.clip(-ahead - 2, 0, None) / 10
    noise = lambda size: rng.normal(0, size, len(time))  # noqa: E731
    half = yaw * TRACK_M / 2
    curvature = yaw / speed
    channels = {
        "wheel_speed_fl": (speed - half) * (1 - slip_front) + noise(0.03),
        "wheel_speed_fr": (speed + half) * (1 - slip_front) + noise(0.03),
        "wheel_speed_rl": (speed - half * 0.5) * (1 + slip_rear) + noise(0.03),
        "wheel_speed_rr": (speed + half * 0.5) * (1 + slip_rear) + noise(0.03),
        "throttle": throttle,
        "steer": STEERING_RATIO * (WHEELBASE_M * curvature + 0.0015 * speed * yaw) + noise(0.005),
        "lat_g": speed * yaw + noise(0.15),
        "long_g": ahead + noise(0.15),
        "yaw_rate": yaw + noise(0.005),
        "brake": brake,
        "gps_speed": speed + noise(0.05),
        "engine_speed": 150 + 12 * speed,
        "lap": 1 + np.floor(time / 60),
    }
    return MadeLog(time, channels)


# canonical name -> (unit stated, factor from SI to that unit)
CONTRACT_UNITS = {
    "wheel_speed_fl": ("km/h", 3.6),
    "wheel_speed_fr": ("km/h", 3.6),
    "wheel_speed_rl": ("km/h", 3.6),
    "wheel_speed_rr": ("km/h", 3.6),
    "throttle": ("%", 100.0),
    "steer": ("deg", 180 / np.pi),
    "lat_g": ("g", 1 / GRAVITY),
    "long_g": ("g", 1 / GRAVITY),
    "yaw_rate": ("deg/s", 180 / np.pi),
    "brake": ("bar", 1e-5),
    "gps_speed": ("km/h", 3.6),
    "engine_speed": ("rpm", 60 / (2 * np.pi)),
    "lap": ("1", 1.0),
}
