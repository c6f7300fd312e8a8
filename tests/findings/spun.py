"""A spin of the whole car planted into a simulated log.

At the exit of a corner the throttle goes down, the rear lets go of the road and the car turns round about itself while
it slides on: a rigid body on tyres that slide, with friction against the way it moves. After a second both feet are on
the pedals and the wheels stand still. The car rests, and drives off along a straight.
"""

import numpy as np
import pandas as pd

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import Car

FRICTION = 0.9  # of tyres that slide
TURNING_RAD_S = 2.0  # yaw rate of a car that spins
FLOORED_S, REST_S, AWAY_M_S2 = 1.0, 3.0, 4.0
CHANNELS = (
    *("time", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr"),
    *("throttle", "steer", "lat_g", "long_g", "yaw_rate", "brake"),
)


def with_a_spin(log: pd.DataFrame, car: Car, *, at_s: float, goes_on_s: float) -> pd.DataFrame:
    """The log up to `at_s`, the spin, and the log from `goes_on_s` on (a straight, throttle open); CHANNELS only."""
    log = log[list(CHANNELS)]
    step = float(np.median(np.diff(log["time"])))
    before, after = log[log["time"] <= at_s], log[log["time"] >= goes_on_s]
    event = _spin(before.iloc[-1], after.iloc[0], car, step)
    out = pd.concat([before, event, after], ignore_index=True)
    return out.assign(time=log["time"].iloc[0] + step * np.arange(len(out)))


def _spin(first: pd.Series, last: pd.Series, car: Car, step: float) -> pd.DataFrame:
    speed = first[["wheel_speed_fl", "wheel_speed_fr"]].mean() / 3.6
    way = np.sign(first["yaw_rate"])
    side, time, turning = 0.0, 0.0, abs(np.radians(first["yaw_rate"]))
    rows = []
    while speed > 0.2:
        floored = time < FLOORED_S
        turning += (TURNING_RAD_S - turning) * step / 0.15
        turned = turning * min(1.0, speed / 5.0)  # it comes to rest as it slows down
        side -= turned * step  # the path hardly bends: side slip is what the car turns
        along, across = speed * np.cos(side), speed * np.sin(side) * way
        rolls = [
            abs(along - way * turned * track / 2 * left)
            for track, left in ((car.front_track_m, 1), (car.front_track_m, -1))
        ]
        rear = [abs(along - way * turned * car.rear_track_m / 2 * left) + 4.0 for left in (1, -1)]
        brakes = min(max(time - FLOORED_S, 0.0) / 0.3, 1.0)
        wheels = [3.6 * w * (1 - brakes) for w in (*rolls, *rear)]
        push = FRICTION if not floored else 0.8 * FRICTION
        rows.append(
            [
                *(0.0, *wheels),
                100.0 * floored,
                -60.0 * way,
                -push * across / speed,
                -push * along / speed,
                np.degrees(way * turned),
                60.0 * brakes,
            ]
        )
        speed -= push * STANDARD_GRAVITY_M_S2 * step * (0.3 if floored else 1.0)
        time += step
    rows += [[0.0] * len(CHANNELS)] * round(REST_S / step)
    away = last[list(CHANNELS[1:5])].to_numpy(float)  # each with the scale of its channel
    for share in np.arange(0.0, 1.0, AWAY_M_S2 * step / (away.mean() / 3.6)):
        rows.append([0.0, *(share * away), 60.0, 0.0, 0.0, AWAY_M_S2 / STANDARD_GRAVITY_M_S2, 0.0, 0.0])
    event = pd.DataFrame(rows, columns=list(CHANNELS))
    # hands that fight the car, and sensors that tremble: what stands still is a fault to a log's reader
    rng, moves = np.random.default_rng(1), event["wheel_speed_rl"] > 0
    event["steer"] += 40.0 * np.sin(7.0 * step * np.arange(len(event))) * moves
    for name, noise in (("steer", 0.3), ("lat_g", 0.02), ("long_g", 0.02), ("yaw_rate", 0.3)):
        event[name] += noise * rng.standard_normal(len(event))
    for name in CHANNELS[1:5]:  # a wheel that runs without its noise has lost its values
        event[name] = np.maximum(event[name] + 0.1 * (event[name] > 0) * rng.standard_normal(len(event)), 0.0)
    return event
