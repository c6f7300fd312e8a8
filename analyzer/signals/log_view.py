"""The log as its channels are held against each other: one grid, the car's speed and where it can be believed."""

from dataclasses import dataclass

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2, WHEEL_CHANNELS
from analyzer.logs.recording import Recording
from analyzer.signals.log_stretches import read_off, wheel_speeds_m_s
from analyzer.vehicle.car import Car

# grids: what pedals and wheels do within a row of the coarse one, and what a car does as a whole, which is under 2 Hz
FINE_HZ, RATE_HZ = 50.0, 10.0
MOVING_M_S = 4.5  # slow circles of 15 m begin here
GENTLE = 0.7  # of what the car corners at; beyond it wheels grow light and the front drifts
# of the middle wheel's speed; a hairpin of 8 m takes a tenth from the inner wheel, tyres hold best at a tenth or less
# (common practice, no source). For how long it is not believed, and of how much of the driving that is told
HELD, HELD_S, RARELY = 0.75, 0.5, 0.3
USUAL_TRACK_M = 1.5  # without a car file, with wider limits


@dataclass(frozen=True)
class View:
    """The log on a 10 Hz grid, every row the mean of half a second about it. All (m,)."""

    time: FloatArray
    channels: dict[str, FloatArray]
    wheels: dict[str, FloatArray]
    front: FloatArray | None
    rear: FloatArray | None
    speed: FloatArray
    change: FloatArray
    moving: BoolArray
    rolling: BoolArray
    track_m: float
    rear_track_m: float

    @property
    def seconds_moving(self) -> float:
        return float(self.moving.sum()) / RATE_HZ

    @property
    def front_turn(self) -> FloatArray | None:
        """Yaw rate (rad/s) by the front wheels; None without both."""
        if not {"wheel_speed_fl", "wheel_speed_fr"} <= self.wheels.keys():
            return None
        return (self.wheels["wheel_speed_fr"] - self.wheels["wheel_speed_fl"]) / self.track_m

    @property
    def across(self) -> FloatArray | None:
        """Lateral acceleration (m/s2) by speed times yaw rate, or as logged where no gyro is; None without both."""
        gyro = self.channels.get("yaw_rate")
        return self.channels.get("lat_g") if gyro is None else np.maximum(self.speed, MOVING_M_S) * gyro

    def shed(self, car: Car | None, across_m_s2: FloatArray) -> FloatArray:
        """Share (m,) of its load that the inner front wheel sheds: h (2 (1 - q) a_y / t + a_x / l) / (g w), q the
        rear's share of the moment, w the front's of the weight; none without a car file."""
        if car is None:
            return np.zeros_like(across_m_s2)
        rear = car.rear_load_transfer_fraction if car.rear_load_transfer_fraction is not None else 0.5
        long = self.channels.get("long_g")
        along = self.change if long is None else smooth(long)
        moved = 2 * (1 - rear) * np.abs(across_m_s2) / car.front_track_m + along / car.wheelbase_m
        return np.asarray(moved * car.cg_height_m / (STANDARD_GRAVITY_M_S2 * car.front_weight_fraction))

    def gentle(self, across_m_s2: FloatArray) -> BoolArray:
        """(m,) bool, rolling and well under the lateral acceleration (m,) that the car corners at."""
        return self.rolling & (across_m_s2 < GENTLE * np.percentile(across_m_s2[self.moving], 97))


def ahead_of(speed_m_s: FloatArray, other_m_s: FloatArray) -> FloatArray:
    """(m,) logarithm of one speed over another."""
    return np.asarray(np.log(np.maximum(speed_m_s, 0.1) / np.maximum(other_m_s, 0.1)))


def view_of(recording: Recording, car: Car | None) -> View:
    """A recording on the grid of `View`.

    Parameters
    ----------
    recording : in SI, with one speed at the least; what its annotations exclude is not moving here.
    car : None where there is no car file yet: usual tracks and a nominal radius stand in.
    """
    time = recording.time_s
    fine = np.arange(0.0, time[-1], 1 / FINE_HZ)
    fine = fine[: len(fine) // 5 * 5]
    read = read_off(time, fine)

    def grid(values: FloatArray) -> FloatArray:
        return smooth(read(values).reshape(-1, 5).mean(axis=1))

    wheels = {name: grid(values) for name, values in _in_m_s(recording, car).items()}
    ends = [
        np.mean([v for name, v in wheels.items() if name.startswith(f"wheel_speed_{end}")], axis=0)
        if any(name.startswith(f"wheel_speed_{end}") for name in wheels)
        else None
        for end in "fr"
    ]
    channels = {
        n: grid(v) for n, v in recording.channels.items() if n not in WHEEL_CHANNELS and n not in ("lap", "gear")
    }
    front, rear = ends
    rough = front if front is not None else channels.get("gps_speed", rear)
    rough = rear if rough is None else rough
    assert rough is not None
    change = np.gradient(smooth(rough)) * RATE_HZ
    # driven wheels run ahead on power, braked front ones behind
    speed = rough
    if front is not None and rear is not None:
        share = np.clip(0.5 + change / 2, 0.0, 1.0)
        speed = share * front + (1 - share) * rear
        change = np.gradient(smooth(speed)) * RATE_HZ
    left_out = np.zeros(len(time), bool)
    for a in recording.annotations:
        if a.excludes and a.start_s is not None and a.end_s is not None:
            left_out |= (time >= a.start_s) & (time <= a.end_s)
    good = np.ones(len(speed), bool)
    if left_out.any():
        good = ~windows.widened(np.interp(fine, time, left_out).reshape(-1, 5).max(axis=1) > 0, 3)
    good &= ~_held(wheels, speed > MOVING_M_S)
    moving = (speed > MOVING_M_S) & good
    braked = windows.widened(change < -2.0, 4)
    return View(
        time=np.arange(len(speed)) / RATE_HZ,
        channels=channels,
        wheels=wheels,
        front=front,
        rear=rear,
        speed=speed,
        change=change,
        moving=moving,
        rolling=moving & ~braked,
        track_m=car.front_track_m if car else USUAL_TRACK_M,
        rear_track_m=car.rear_track_m if car else USUAL_TRACK_M,
    )


def _held(wheels: dict[str, FloatArray], moving: BoolArray) -> BoolArray:
    """Rows (m,) bool about a wheel that its brake holds: it does not show the car's speed, nor while it comes back to
    it. A wheel that is as slow for most of the log is no held one."""
    if len(wheels) < 3:
        return np.zeros(len(moving), bool)
    speeds = np.array(list(wheels.values()))
    held = moving & (speeds.min(axis=0) < HELD * np.median(speeds, axis=0))
    rare = held.sum() < RARELY * moving.sum()
    return windows.widened(held, round(HELD_S * RATE_HZ)) if rare else np.zeros(len(moving), bool)


def _in_m_s(recording: Recording, car: Car | None) -> dict[str, FloatArray]:
    if car is None or recording.wheel_speed_unit != "rad/s":
        return wheel_speeds_m_s(recording)
    radius = {"f": car.front_rolling_radius_m, "r": car.rear_rolling_radius_m}
    return {n: recording.channels[n] * radius[n[-2]] for n in WHEEL_CHANNELS if n in recording.channels}


def smooth(values: FloatArray) -> FloatArray:
    """(m,) running mean over half a second, five rows of `RATE_HZ`."""
    return windows.mean(values, 5)


def place_of(view: View) -> tuple[FloatArray, FloatArray] | None:
    """East and north (m) of the position, None where it is not logged or does not move."""
    if not {"latitude", "longitude"} <= view.channels.keys():
        return None
    latitude, longitude = view.channels["latitude"], view.channels["longitude"]
    radius = 6.371e6  # m, the Earth's mean radius (IUGG); 0.5 % is enough here
    east = radius * (longitude - longitude[0]) * np.cos(np.median(latitude))
    north = radius * (latitude - latitude[0])
    return (east, north) if np.ptp(east) + np.ptp(north) > 60.0 else None
