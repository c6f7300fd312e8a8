"""A session on one time base, calibrated: what every later layer works on."""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.in_words import signed
from analyzer.logs.recording import Annotation

STRAIGHTS_SLOPE_SD_M_S2 = 0.1  # a road that climbs 1 % where it is straight passes for the sensor's zero
DERIVED_LONG_BIAS_SD_M_S2 = 0.15  # the change of speed knows nothing of the road's slope: 1.5 % of it


@dataclass(frozen=True)
class CalibrationStep:
    """One thing that calibration found: what, how large, how sure, in which unit, and the sentence that says so."""

    code: str
    value: float
    standard_deviation: float | None
    unit: str
    message: str


def taken_out(code: str, value: float, standard_deviation: float, unit: str, words: str) -> CalibrationStep:
    """A step that says by how much something was off; what rounds to nothing is said to be small, without a sign.

    Parameters
    ----------
    code : as in `CalibrationStep`.
    value, standard_deviation : of what was taken out, in `unit`.
    words : the sentence, without its end, with {} where the size goes.
    """
    size = signed(value, 2)
    by, rest = (f"{size} {unit}", "; taken out.") if float(size) else (f"less than 0.01 {unit}", ".")
    return CalibrationStep(code, value, standard_deviation, unit, words.format(by) + rest)


@dataclass(frozen=True)
class Sensors:
    """What a session measured of the car's motion; a channel that is False was put together from others.

    Attributes
    ----------
    gyro, long_g, lat_g : the log has its own yaw rate, longitudinal, lateral acceleration.
    slip_known : the ground speed is good enough for slip: a front wheel rolls beside it, or satellites tell it and an
        accelerometer tells how late they do.
    unchecked : scales that no other channel checks: the clock's (`time`), the wheel speeds' (`wheel_scale`), lateral
        acceleration's (`lat_g`).
    """

    gyro: bool = True
    long_g: bool = True
    lat_g: bool = True
    slip_known: bool = True
    unchecked: tuple[str, ...] = ()

    @classmethod
    def common(cls, several: "Iterable[Sensors]") -> "Sensors":
        """What all of them measured. They share clock and units, so a scale that one of them checks is checked."""
        every = tuple(several)
        return cls(
            gyro=all(s.gyro for s in every),
            long_g=all(s.long_g for s in every),
            lat_g=all(s.lat_g for s in every),
            slip_known=all(s.slip_known for s in every),
            unchecked=tuple(u for u in every[0].unchecked if all(u in s.unchecked for s in every)),
        )


@dataclass(frozen=True)
class Signals:
    """Calibrated channels on a uniform time base, in SI; ISO 8855 signs (left turn positive).

    All arrays have length n unless said otherwise. Samples with `valid` False lie in gaps or faults: their
    values are interpolated for filters only and take no part in any result.

    Attributes
    ----------
    time_s : log time (s), uniform.
    rate_hz : sample rate (Hz).
    valid : bool.
    wheel_speed_m_s : (n, 4) surface speeds front left, front right, rear left, rear right (m/s), scales calibrated;
        NaN column where a wheel is not logged.
    throttle : pedal 0 to 1.
    steer_rad : mean road-wheel angle of the front axle (rad).
    lat_m_s2, long_m_s2 : specific force at the centre of gravity, lateral (left positive) and longitudinal (m/s2).
    yaw_rate_rad_s, yaw_acceleration_rad_s2 : fused yaw rate and its derivative.
    yaw_rate_sd_rad_s : standard deviation of the yaw rate (rad/s).
    speed_m_s : ground speed (m/s) from front wheels, or GPS where those cannot be trusted.
    speed_trusted : bool, front wheels roll freely (not braked, not locked, not in the air).
    braking : bool, brakes on (from the brake channel, or from deceleration beyond coasting).
    x_m, y_m, distance_m : path (dead-reckoned or from position) and distance along it (m).
    position_source : `position` or `dead_reckoned`.
    lap_channel : lap number from the log as float (NaN where unknown), or None.
    calibration : what was found, in order.
    annotations : what is wrong where (from reading, faults and calibration).
    sensors : what the session measured.
    wheel_speed_noise_m_s : standard deviation of white noise of the rear wheel speeds (m/s).
    """

    time_s: FloatArray
    rate_hz: float
    valid: BoolArray
    wheel_speed_m_s: FloatArray
    throttle: FloatArray
    steer_rad: FloatArray
    lat_m_s2: FloatArray
    long_m_s2: FloatArray
    yaw_rate_rad_s: FloatArray
    yaw_acceleration_rad_s2: FloatArray
    yaw_rate_sd_rad_s: FloatArray
    speed_m_s: FloatArray
    speed_trusted: BoolArray
    braking: BoolArray
    x_m: FloatArray
    y_m: FloatArray
    distance_m: FloatArray
    position_source: str
    lap_channel: FloatArray | None
    calibration: tuple[CalibrationStep, ...]
    annotations: tuple[Annotation, ...]
    sensors: Sensors = Sensors()
    wheel_speed_noise_m_s: float = 0.05

    @property
    def long_bias_sd_m_s2(self) -> float:
        """How sure the zero of the longitudinal acceleration is (m/s2); wide where it was had from the speed."""
        found = [s.standard_deviation for s in self.calibration if s.code == "longitudinal_bias"]
        if not found or found[0] is None:
            return DERIVED_LONG_BIAS_SD_M_S2
        return float(np.hypot(found[0], STRAIGHTS_SLOPE_SD_M_S2))
