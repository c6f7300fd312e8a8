"""A session made from formulas, whose wheels roll freely."""

import math

import numpy as np
from vehicle.made_axle import made_car

from analyzer.logs.recording import Recording
from analyzer.signals.timebase import low_pass

CAR = made_car()


def recording(time, **channels):
    return Recording(name="made.csv", time_s=time, channels={"time": time, **channels})


def made_session(*, scales=(0, 0, 0, 0), yaw_bias=0.0, lat_bias=0.0, long_bias=0.0, gyro=True, noise=0.0):
    """40 % straight, corners of 0.3 rad/s to both sides at 20 m/s; wheels roll freely. `scales` in per cent."""
    rng = np.random.default_rng(5)
    time = np.arange(0, 120, 0.02)
    yaw = low_pass(0.3 * np.sign(np.sin(2 * math.pi * time / 20)) * (np.mod(time, 10) > 4), cutoff_hz=1.0, rate_hz=50.0)
    speed = 20 + 2 * np.sin(2 * math.pi * time / 33)
    front, rear = CAR.front_track_m / 2, CAR.rear_track_m / 2
    true = [speed - yaw * front, speed + yaw * front, speed - yaw * rear, speed + yaw * rear]
    wheels = [w * (1 + q / 100) + noise * rng.standard_normal(len(time)) for w, q in zip(true, scales, strict=True)]
    channels = dict(zip(("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr"), wheels, strict=True))
    channels |= {
        "throttle": np.full(len(time), 0.3),
        "steer": yaw * 0.1,
        "lat_g": speed * yaw + lat_bias,
        "long_g": np.gradient(speed, 0.02) + long_bias,
    }
    if gyro:
        channels["yaw_rate"] = yaw + yaw_bias
    return recording(time, **channels), yaw, speed, true
