"""What a logger would have written: wheel pulses, biased and noisy sensors, canonical channels in canonical units."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd
from scipy.signal import lfilter, lfilter_zi

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, STANDARD_GRAVITY_M_S2, WHEELS
from analyzer.simulation.nuisances import Options, option

_METRES_PER_DEGREE = 111_195.0  # of latitude, on a sphere of the mean earth radius 6371.0 km
_MINIMUM = ("time", *(f"wheel_speed_{w}" for w in WHEELS), "throttle", "steer", "lat_g")
# steps that values are rounded to: a logger's resolution
_RESOLUTION = {
    "throttle": 0.1,
    "steer": 0.1,
    "lat_g": 0.001,
    "long_g": 0.001,
    "yaw_rate": 0.01,
    "brake": 0.1,
    "gps_speed": 0.01,
    "engine_speed": 1.0,
    "engine_torque": 0.1,
    "diff_temperature": 0.1,
    "latitude": 1e-7,
    "longitude": 1e-7,
}


@dataclass(frozen=True, kw_only=True)
class Sensors(Options):
    """What the logger sees. Everything here is an error source that a real log has, drawn from the session's seed.

    Attributes
    ----------
    rate_Hz : log rate; 1000 must be a multiple of it.
    channels : `full` or `minimum` (wheel speeds, throttle, steer, lateral acceleration).
    teeth, tooth_error : ring teeth, and standard deviation of a tooth's place in tooth pitches.
    timer_s : resolution of the edge timer.
    wheel_resolution_km_h : step of the wheel speed channels.
    wheel_scale_sd : standard deviation of each wheel's calibration error (0.004 is 0.4 %).
    roll_deg_per_g, pitch_deg_per_g : body lean that tilts the accelerometers; 0 is a sensor that stays level. It leans
        out of the corner and back under power, so gravity adds to what it reads.
    unit_x_m, unit_y_m, unit_z_m : place of the sensor unit ahead of, left of and above the centre of gravity (above
        it, too, for the axes that the body leans about).
    unit_turned_deg : the unit turned about the vertical, positive to the left.
    gyro_scale_percent : the gyro reads more by this.
    acceleration_filter_Hz : low-pass of first order that the logger puts on both accelerations; 0 is none.
    acceleration_late_s, yaw_late_s, wheel_late_s : what is logged is this old.
    wheel_noise_percent : standard deviation of wheel speed over bumps, where the hub moves fore and aft, wanders
        within 0.016 s (a wheel that hops at 10 Hz) and is other at every wheel.
    origin_deg : latitude and longitude of the circuit's origin; open ocean by default, where no circuit is.
    brake_Nm_per_bar : brake torque of all wheels per bar.
    """

    rate_Hz: float = 100.0
    channels: Literal["full", "minimum"] = "full"
    teeth: int = 48
    tooth_error: float = 0.01
    timer_s: float = 1e-6
    wheel_resolution_km_h: float = 0.05
    wheel_scale_sd: float = 0.004
    yaw_noise_deg_s: float = 0.15
    yaw_bias_deg_s: float = 0.4
    acceleration_noise_g: float = 0.012
    acceleration_bias_g: float = 0.008
    steer_noise_deg: float = 0.2
    steer_offset_deg: float = 1.0
    roll_deg_per_g: float = option("roll_deg_per_g")
    pitch_deg_per_g: float = option("pitch_deg_per_g")
    unit_x_m: float = option("unit_x_m")
    unit_y_m: float = option("unit_y_m")
    unit_z_m: float = option("unit_z_m")
    unit_turned_deg: float = option("unit_turned_deg")
    gyro_scale_percent: float = option("gyro_scale_percent")
    acceleration_filter_Hz: float = option("acceleration_filter_Hz")
    acceleration_late_s: float = option("acceleration_late_s")
    yaw_late_s: float = option("yaw_late_s")
    wheel_late_s: float = option("wheel_late_s")
    wheel_noise_percent: float = option("wheel_noise_percent")
    gps: bool = True
    gps_rate_Hz: float = 10.0
    gps_speed_noise_m_s: float = 0.05
    gps_position_noise_m: float = 0.3
    position: bool = True
    lap: bool = True
    engine_torque: bool = False
    diff_temperature: bool = True
    brake_Nm_per_bar: float = 72.0
    origin_deg: tuple[float, float] = (44.0, -30.0)


def tooth_speed(
    *, angle_rad: FloatArray, step_s: float, at_s: FloatArray, teeth: int, tooth_error: float, timer_s: float,
    rng: np.random.Generator,
) -> FloatArray:  # fmt: skip
    """Angular speed (rad/s) that a pulse timer reports at `at_s`.

    Parameters
    ----------
    angle_rad : (n,) true wheel angle at every `step_s`, first at time `step_s`.
    at_s : (m,) times of the reports, rising.
    tooth_error : standard deviation of a tooth's place over the pitch.
    timer_s : step of the timer that dates the edges.

    Returns
    -------
    ndarray : (m,).

    Notes
    -----
    Each tooth passes at its own place (pitch error drawn once, so it repeats every turn). Between two reports the
    logger counts whole teeth and divides by the time from the last edge before the one report to the last edge before
    the other: no quantising of speed by counting, a delay of about half the interval. No edge, no change.
    """
    pitch = 2 * math.pi / teeth
    angle = np.maximum.accumulate(angle_rad)
    places = (np.arange(teeth) + tooth_error * rng.standard_normal(teeth) + rng.uniform()) * pitch
    turns = int(angle[-1] / (2 * math.pi)) + 1
    edges = (np.arange(-1, turns + 1)[:, None] * 2 * math.pi + np.sort(places)[None, :]).ravel()
    edges = edges[(edges > angle[0]) & (edges < angle[-1])]
    if len(edges) < 2:
        return np.zeros(len(at_s))
    times = np.interp(edges, angle, step_s * np.arange(1, len(angle) + 1))
    times = np.round(times / timer_s) * timer_s
    last = np.searchsorted(times, at_s, side="right") - 1
    before = np.concatenate([[-1], last[:-1]])
    fresh = (last > before) & (before >= 0)
    speed = np.full(len(at_s), np.nan)
    speed[fresh] = (last - before)[fresh] * pitch / (times[last[fresh]] - times[before[fresh]])
    filled: FloatArray = pd.Series(speed).ffill().bfill().to_numpy()
    return filled


def sensed_log(
    *, truth: pd.DataFrame, angles_rad: FloatArray, step_s: float, radii_m: FloatArray, steering_ratio: float,
    sensors: Sensors, rng: np.random.Generator,
) -> pd.DataFrame:  # fmt: skip
    """The log in canonical names and units.

    Parameters
    ----------
    truth : one row per log sample, with the columns `simulated_session.simulate_session` describes.
    angles_rad : (n, 4) wheel angles at every `step_s`.
    radii_m : (4,) radii that the logger was given, before its calibration error.
    steering_ratio : steering-wheel angle over road-wheel angle; the log has the former.
    sensors : what is logged, how fast, and how wrong.
    """
    n, time = len(truth), truth["time"].to_numpy()
    # its own, so that bumps leave every other draw as it is
    bump_rng = np.random.default_rng([*rng.bit_generator.seed_seq.generate_state(2), 1])
    g = STANDARD_GRAVITY_M_S2
    log = {"time": time}
    for i, wheel in enumerate(WHEELS):
        spin = tooth_speed(
            angle_rad=angles_rad[:, i],
            step_s=step_s,
            at_s=np.maximum(time - sensors.wheel_late_s, step_s),
            teeth=sensors.teeth,
            tooth_error=sensors.tooth_error,
            timer_s=sensors.timer_s,
            rng=rng,
        )
        scale = 1 + sensors.wheel_scale_sd * rng.standard_normal()
        if sensors.wheel_noise_percent > 0:
            spin = spin * (1 + sensors.wheel_noise_percent / 100 * _hop(n, sensors.rate_Hz, bump_rng))
        log[f"wheel_speed_{wheel}"] = _rounded(spin * radii_m[i] * scale * 3.6, sensors.wheel_resolution_km_h)

    def noisy(value: FloatArray, bias_sd: float, noise_sd: float) -> FloatArray:
        return value + bias_sd * rng.standard_normal() + noise_sd * rng.standard_normal(n)

    log["throttle"] = 100 * truth["throttle"].to_numpy()
    log["steer"] = noisy(
        np.degrees(truth["steer"].to_numpy()) * steering_ratio, sensors.steer_offset_deg, sensors.steer_noise_deg
    )
    long, lat = (
        _logged(felt / g, time, sensors.acceleration_filter_Hz, sensors.acceleration_late_s)
        for felt in felt_accelerations(truth, sensors)
    )
    log["lat_g"] = noisy(lat, sensors.acceleration_bias_g, sensors.acceleration_noise_g)
    log["long_g"] = noisy(long, sensors.acceleration_bias_g, sensors.acceleration_noise_g)
    yaw = _logged(np.degrees(truth["yaw_rate_mean"].to_numpy()), time, 0.0, sensors.yaw_late_s)
    log["yaw_rate"] = noisy(
        yaw * (1 + sensors.gyro_scale_percent / 100), sensors.yaw_bias_deg_s, sensors.yaw_noise_deg_s
    )
    log["brake"] = np.maximum(0, truth["brake_torque"].to_numpy() / sensors.brake_Nm_per_bar)
    if sensors.gps:
        log |= _satellite(truth, sensors, rng)
    log["engine_speed"] = np.abs(truth["engine_speed"].to_numpy()) * 30 / math.pi
    log["gear"] = truth["gear"].to_numpy()
    if sensors.engine_torque:
        log["engine_torque"] = truth["engine_torque"].to_numpy()
    if sensors.lap:
        log["lap"] = truth["lap"].to_numpy()
    if sensors.diff_temperature:
        log["diff_temperature"] = truth["diff_temperature"].to_numpy()
    for name, step in _RESOLUTION.items():
        if name in log:
            log[name] = _rounded(log[name], step)
    names = [name for name in CHANNELS if name in log and (sensors.channels == "full" or name in _MINIMUM)]
    return pd.DataFrame({name: log[name] for name in names})


def felt_accelerations(truth: pd.DataFrame, sensors: Sensors) -> tuple[FloatArray, FloatArray]:
    """Specific force (m/s2) along and across the axes of the sensor unit, before filter, zero and noise.

    Parameters
    ----------
    truth : one row per log sample, with the columns `simulated_session.simulate_session` describes.

    Returns
    -------
    tuple : forward and left positive, (n,) each.

    Notes
    -----
    Rigid body, with the unit at (x, y, z) from the centre of gravity, yaw rate r, and body angles phi (roll, left side
    up, + with a_y) and theta (nose up, + with a_x) that are the lean per g times the specific force:

        a_x(unit) = a_x - r^2 x - dr/dt y + z d2(-theta)/dt2     a_y(unit) = a_y + dr/dt x - r^2 y - z d2(phi)/dt2

    then turned about the vertical, and leaning: a_y cos(phi) + f_z sin(phi), f_z the vertical specific force. Terms of
    r dtheta/dt and the centripetal force of phi are of second order and left out.
    """
    long, lat = truth["longitudinal_acceleration"].to_numpy(), truth["lateral_acceleration"].to_numpy()
    g = STANDARD_GRAVITY_M_S2
    up = truth["vertical_acceleration"].to_numpy() if "vertical_acceleration" in truth else np.full(len(truth), g)
    roll, pitch = np.radians(sensors.roll_deg_per_g) * lat / g, np.radians(sensors.pitch_deg_per_g) * long / g
    if sensors.unit_x_m or sensors.unit_y_m or sensors.unit_z_m:
        x, y, z = sensors.unit_x_m, sensors.unit_y_m, sensors.unit_z_m
        step = float(np.median(np.diff(truth["time"])))
        yaw, instant = truth["yaw_rate_mean"].to_numpy(), truth["yaw_rate"].to_numpy()
        turning = np.diff(instant, prepend=instant[0]) / step  # its mean since the sample before, as the others are
        twice = [np.gradient(np.gradient(angle, step), step) for angle in (pitch, roll)]
        long = long - yaw**2 * x - turning * y - z * twice[0]
        lat = lat + turning * x - yaw**2 * y - z * twice[1]
    if sensors.unit_turned_deg:
        c, s = math.cos(math.radians(sensors.unit_turned_deg)), math.sin(math.radians(sensors.unit_turned_deg))
        long, lat = c * long + s * lat, c * lat - s * long
    return long * np.cos(pitch) + up * np.sin(pitch), lat * np.cos(roll) + up * np.sin(roll)


def _logged(value: FloatArray, time: FloatArray, cutoff_Hz: float, late_s: float) -> FloatArray:
    """`value` through a low-pass of first order, and late."""
    if cutoff_Hz > 0:
        keep = math.exp(-2 * math.pi * cutoff_Hz * float(np.median(np.diff(time))))
        b, a = [1 - keep], [1, -keep]
        value = lfilter(b, a, value, zi=lfilter_zi(b, a) * value[0])[0]
    return np.interp(time - late_s, time, value) if late_s > 0 else value


def _hop(count: int, rate_Hz: float, rng: np.random.Generator) -> FloatArray:
    """Standard-normal noise with the memory of a hopping wheel."""
    keep = math.exp(-1 / (0.016 * rate_Hz))
    hopping: FloatArray = lfilter([math.sqrt(1 - keep**2)], [1, -keep], rng.standard_normal(count))
    return hopping


def _satellite(truth: pd.DataFrame, sensors: Sensors, rng: np.random.Generator) -> dict[str, FloatArray]:
    """Ground speed and position at the receiver's own rate, held in between as loggers do."""
    every = max(1, round(sensors.rate_Hz / sensors.gps_rate_Hz))
    held = (np.arange(len(truth)) // every) * every
    speed = np.hypot(truth["vx"].to_numpy(), truth["vy"].to_numpy())
    speed = speed + sensors.gps_speed_noise_m_s * rng.standard_normal(len(truth))
    out = {"gps_speed": speed[held] * 3.6}
    drift = _drift(len(truth), every, sensors, rng), _drift(len(truth), every, sensors, rng)
    if sensors.position:
        latitude, longitude = sensors.origin_deg
        north = truth["y"].to_numpy() + drift[0]
        east = truth["x"].to_numpy() + drift[1]
        out["latitude"] = (latitude + north / _METRES_PER_DEGREE)[held]
        out["longitude"] = (longitude + east / (_METRES_PER_DEGREE * math.cos(math.radians(latitude))))[held]
    return out


def _drift(count: int, every: int, sensors: Sensors, rng: np.random.Generator) -> FloatArray:
    """Position error (m) that wanders over about half a minute."""
    knots = np.arange(0, count + every * 300, every * 300)
    return np.interp(np.arange(count), knots, sensors.gps_position_noise_m * rng.standard_normal(len(knots)))


def _rounded(value: FloatArray, step: float) -> FloatArray:
    digits = max(0, -math.floor(math.log10(step))) + 1
    return np.round(np.round(value / step) * step, digits)
