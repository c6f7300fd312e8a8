"""What the fit may move besides the lock curve: tyre, calibration left-overs and the car file's own uncertainty."""

import math
from dataclasses import dataclass

import numpy as np

from analyzer.signals.session import Sensors
from analyzer.vehicle.car import Car


@dataclass(frozen=True)
class Prior:
    """One nuisance parameter: where it starts and how sure that is (one standard deviation), and its budget group."""

    name: str
    start: float
    deviation: float
    group: str


UNUSED_SD = 1e-6  # of what a log's measurements do not hang on

# What cars and loggers are like where the car file is silent.
# Radius over load: common coefficients of the published form R_e = R_0 - (F_0/C)(D atan(B F/F_0) + E F/F_0) (B 8,
# D 0.24, E 0.01; Pacejka, Tyre and Vehicle Dynamics, 4.3.6, from memory) and published tyre files give 0.2 to 0.55 %
# per static load; a stiff belt less. How much of that is bent, between a straight line and that form, nobody knows.
RADIUS_FALL, RADIUS_FALL_SD = 0.0030, 0.0015
# Place of the sensor unit: in the cockpit, on the tunnel or under the seat; common practice, no source.
SENSOR_X_SD_M, SENSOR_Y_SD_M, SENSOR_TURNED_SD = 0.4, 0.2, 0.02
# Gravity on a leaning sensor: 2 to 4 degrees of roll per g for road-based cars, under 1 for racing cars, and half of
# that in pitch; common practice, no source. The sensor's own scale errs by about 1 % as well.
LEAN, LEAN_SD, PITCH_LEAN, PITCH_LEAN_SD = 0.02, 0.02, 0.01, 0.012
SENSOR_SCALE_SD = 0.01
GYRO_SCALE_SD = 0.008
# Corner weights are set to half a per cent, or never: 2.5 % at most, all as likely (common practice, no source).
CROSS_WEIGHT_SD = 0.015
# Plates that stick carry more than plates that slip: as much with an oil that keeps them from chattering, up to 1.3
# times without (common practice, no source).
STATIC_RATIO, STATIC_RATIO_SD = 1.08, 0.08
# A scale that no other channel checks: all values within a fifth equally likely (JCGM 100, 4.3.7), for a test that is
# called close would show more (`signals/consistency.py`).
UNCHECKED_SD = float(np.log(1.2) / np.sqrt(3))


def priors(
    car: Car,
    *,
    sensors: Sensors,
    long_bias_sd_m_s2: float,
) -> tuple[Prior, ...]:
    """The nuisance parameters of a session. Log-scale ones start at 0 and multiply the car file's figure.

    A scale that no other channel checks is as wide as it is then unsure; a change of speed that stands in for an
    accelerometer hangs on the clock's and the wheel speeds'.

    The tyre's deviations span racing tyres (common practice, no source) and what published tyres differ by: slip
    stiffness over load falls or rises with load (SAE 870421's rises by 0.2 per doubling), the effective radius is a
    tenth of a per cent smaller at twice the load, shape is 1.3 across and 1.65 along. The car's come from the car file.

    Parameters
    ----------
    sensors : what the log measured; the parameters of a channel that it put together are as good as fixed
        (`UNUSED_SD`).
    long_bias_sd_m_s2 : how sure calibration left the zero along the car (one standard deviation).

    Returns
    -------
    tuple : always the same names in the same order, whatever was measured.
    """
    tyre, sure = car.tyre, car.uncertainty

    def per_cent(p: float) -> float:
        return float(np.log1p(p / 100))

    def within(p: float) -> float:
        return per_cent(p) / math.sqrt(3)  # of limits, all values between alike (JCGM 100, 4.3.7)

    def place(axis: str, silent: float, used: bool) -> tuple[float, float]:
        return car.sensor_place(axis, silent) if used else (0.0, UNUSED_SD)

    fall = car.radius_fall(RADIUS_FALL, RADIUS_FALL_SD)
    open_ = {scale: UNCHECKED_SD if scale in sensors.unchecked else 0.0 for scale in ("time", "wheel_scale", "lat_g")}
    change_sd = UNUSED_SD if sensors.long_g else max(float(np.hypot(open_["time"], open_["wheel_scale"])), UNUSED_SD)
    lat_gain, lat_gain_sd = _lean(car.roll_lean(LEAN, LEAN_SD), sensors.lat_g)
    return (
        Prior("log_slip_stiffness", np.log(tyre.slip_stiffness), 0.4, "tyre"),
        Prior(
            "log_cornering_ratio", np.log(tyre.cornering_stiffness_per_rad / tyre.slip_stiffness) - 0.18, 0.35, "tyre"
        ),
        Prior("log_friction", np.log(tyre.peak_friction), per_cent(tyre.peak_friction_percent), "tyre"),
        Prior("log_friction_ratio", 0.0, 0.08, "tyre"),
        Prior("friction_fall", 0.10, 0.07, "tyre"),
        Prior("stiffness_fall", 0.05, 0.10, "tyre"),
        Prior("shape", 1.4, 0.10, "tyre"),
        Prior("combined_weight", 0.85, 0.2, "tyre"),
        Prior("radius_fall", *fall, "radius"),
        Prior("radius_bend", fall[0] / 2, max(fall[0] / 2, UNUSED_SD), "radius"),
        Prior("rear_front_scale", 0.0, math.sqrt(2) * within(sure.rolling_radius_percent), "wheel_calibration"),
        Prior("rear_front_growth", 0.0, 0.002, "wheel_calibration"),
        Prior("rear_left_right_scale", 0.0, 0.0005, "wheel_calibration"),
        Prior("front_left_right_scale", 0.0, 0.0005, "wheel_calibration"),
        Prior("yaw_bias", 0.0, 0.0015 if sensors.gyro else 0.010, "yaw_rate"),
        Prior("log_yaw_scale", 0.0, GYRO_SCALE_SD if sensors.gyro else 0.04, "yaw_rate"),
        Prior(
            "log_speed_scale",
            0.0,
            float(
                np.linalg.norm([within(sure.rolling_radius_percent), within(sure.track_percent), open_["wheel_scale"]])
            ),
            "wheel_calibration",
        ),
        Prior("log_front_track", 0.0, math.sqrt(2) * within(sure.track_percent), "wheel_calibration"),
        Prior("sensor_x_m", *place("x", SENSOR_X_SD_M, sensors.long_g or sensors.lat_g), "sensor_pose"),
        Prior("sensor_y_m", *place("y", SENSOR_Y_SD_M, sensors.long_g or sensors.lat_g), "sensor_pose"),
        Prior("sensor_turned", 0.0, SENSOR_TURNED_SD if sensors.long_g and sensors.lat_g else UNUSED_SD, "sensor_pose"),
        Prior("lat_gain", lat_gain, float(np.hypot(lat_gain_sd, open_["lat_g"])), "sensor_pose"),
        Prior("long_gain", *_lean(car.pitch_lean(PITCH_LEAN, PITCH_LEAN_SD), sensors.long_g), "sensor_pose"),
        Prior("change_gain", 0.0, change_sd, "sensor_pose"),
        Prior("long_bias", 0.0, long_bias_sd_m_s2, "acceleration"),
        Prior("lat_bias", 0.0, 0.08, "acceleration"),
        Prior("steer_offset", 0.0, 0.003, "acceleration"),
        Prior("log_mass", 0.0, within(sure.mass_percent), "car"),
        Prior("log_cg_height", 0.0, within(sure.cg_height_percent), "car"),
        Prior("log_load_transfer", 0.0, within(car.load_transfer_percent), "car"),
        Prior("cross_weight", 0.0, CROSS_WEIGHT_SD, "car"),
        Prior("log_drag", 0.0, within(sure.drag_percent), "car"),
        Prior("log_downforce", 0.0, within(sure.downforce_percent), "car"),
        Prior("log_wheel_inertia", 0.0, within(sure.wheel_inertia_percent), "car"),
        Prior("log_rolling_resistance", 0.0, within(30.0), "car"),
        Prior("log_static_ratio", math.log(STATIC_RATIO), STATIC_RATIO_SD / STATIC_RATIO, "plates"),
    )


def _lean(lean: tuple[float, float], used: bool) -> tuple[float, float]:
    """Where a sensor's gain starts, and how sure that is, its own scale with the lean."""
    return (lean[0], float(np.hypot(lean[1], SENSOR_SCALE_SD))) if used else (0.0, UNUSED_SD)


# limits that keep the fit inside what a tyre can be
BOUNDS = {
    "log_slip_stiffness": (np.log(5.0), np.log(90.0)),
    "log_friction": (np.log(0.3), np.log(3.0)),
    "friction_fall": (-0.1, 0.4),
    "stiffness_fall": (-0.3, 0.6),
    "shape": (1.05, 1.9),
    "combined_weight": (0.0, 1.3),
    "log_static_ratio": (0.0, np.log(1.6)),
}
