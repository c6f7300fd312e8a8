"""Gain, place and zero of the sensors on a session made from the formulas of a rigid body, with known figures."""

from dataclasses import replace

import numpy as np
import pytest
from vehicle.made_axle import made_car

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve.session_problem import K3_UNIT, SideSlip, longitudinal_zero, measured_as_a_whole
from analyzer.phases.phases import Laps
from analyzer.signals.session import Sensors, Signals

CAR = made_car()
RATE_HZ, LENGTH_M, LAPS = 50.0, 1600.0, 6
SLIP = SideSlip(CAR.cg_to_rear_m, 0.004, 1.0 * K3_UNIT)


def made_signals(*, gain=0.0, x=0.0, y=0.0, zero=0.0, hill_m=0.0, noise=0.02, seed=3) -> tuple[Signals, Laps]:
    """A circuit of four corners each way, driven at a speed that rises and falls; the road lies up to `hill_m`
    above its mean on one half of the lap, and below it on the other."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, LAPS * LENGTH_M / 25.0 * 1.15, 1 / RATE_HZ)
    way, speed = np.zeros(len(time)), np.zeros(len(time))
    at = 0.0
    for i in range(len(time)):
        speed[i] = 25.0 + 6.0 * np.sin(2 * np.pi * (at / LENGTH_M * 4 + 0.1)) + 1.5 * np.sin(2 * np.pi * time[i] / 37)
        way[i] = at
        at += speed[i] / RATE_HZ
    turn = 2 * np.pi * way / LENGTH_M
    curvature = 0.014 * np.clip(np.sin(4 * turn), 0, None) ** 2 - 0.007 * np.clip(-np.sin(4 * turn), 0, None) ** 2
    yaw = speed * curvature
    rising = lambda values: np.gradient(values) * RATE_HZ  # noqa: E731
    across = speed * yaw
    for _ in range(5):
        sideways = SLIP.speed_m_s(speed, yaw, across)
        across = speed * yaw + rising(sideways)
    along = rising(speed) - yaw * sideways
    slope = hill_m * 2 * np.pi / LENGTH_M * np.cos(turn)
    swing = rising(yaw)
    reads_across = (1 + gain) * across + x * swing - y * yaw**2
    reads_along = along - x * yaw**2 - y * swing + zero + STANDARD_GRAVITY_M_S2 * slope
    lap = np.floor(way / LENGTH_M).astype(int)
    bounds = tuple((int(np.flatnonzero(lap == k)[0]), int(np.flatnonzero(lap == k)[-1]) + 1) for k in range(LAPS))
    shake = noise * rng.standard_normal((2, len(time)))
    signals = Signals(
        time_s=time,
        rate_hz=RATE_HZ,
        valid=np.ones(len(time), bool),
        wheel_speed_m_s=np.repeat(speed[:, None], 4, axis=1),
        throttle=np.full(len(time), 0.3),
        steer_rad=CAR.wheelbase_m * curvature,
        lat_m_s2=reads_across + shake[0],
        long_m_s2=reads_along + shake[1],
        yaw_rate_rad_s=yaw,
        yaw_acceleration_rad_s2=swing,
        yaw_rate_sd_rad_s=np.full(len(time), 0.01),
        speed_m_s=speed,
        speed_trusted=np.ones(len(time), bool),
        braking=np.zeros(len(time), bool),
        x_m=np.zeros(len(time)),
        y_m=np.zeros(len(time)),
        distance_m=way,
        position_source="dead_reckoned",
        lap_channel=None,
        calibration=(),
        annotations=(),
    )
    return signals, Laps(number=lap + 1, bounds=bounds, method="recurrence", length_m=LENGTH_M)


def told(**figures):
    return {one.code: one for one in measured_as_a_whole(*made_signals(**figures), CAR)}


@pytest.mark.parametrize("gain, x, y", [(0.0, 0.0, 0.0), (0.05, 0.4, -0.2), (-0.02, -0.3, 0.25)])
def test_gain_and_place_to_the_side_are_found(gain, x, y):
    found = told(gain=gain, x=x, y=y)
    assert found["lateral_gain"].value == pytest.approx(gain, abs=0.5 * found["lateral_gain"].deviation)
    assert found["accelerometer_y"].value == pytest.approx(y, abs=1.0 * found["accelerometer_y"].deviation)
    assert found["lateral_gain"].deviation < 0.02 and found["accelerometer_y"].deviation < 0.10
    # gain cannot be told from the gyro's scale and the wheels'
    assert set(found["lateral_gain"].coefficients) == {"lat_gain", "log_yaw_scale", "log_speed_scale"}


@pytest.mark.parametrize("zero, hill_m", [(0.0, 0.0), (0.15, 0.0), (0.0, 8.0), (-0.1, 8.0)])
def test_the_zero_along_the_car_is_told_apart_from_a_hillside(zero, hill_m):
    # a hill of 8 m on 1600 m climbs by 3.1 % at its steepest: 0.31 m/s2, which adds up to nothing over the lap
    found = told(zero=zero, hill_m=hill_m)["longitudinal_zero"]
    assert found.value == pytest.approx(zero, abs=1.5 * found.deviation)
    assert found.deviation < 0.06 and found.coefficients == {"long_bias": 1.0}


def test_without_laps_a_slope_may_be_the_zero_and_nothing_is_told():
    signals, laps = made_signals()
    none = replace(laps, bounds=(), method="none", length_m=None)
    assert longitudinal_zero(signals, none, SLIP) is None
    assert "longitudinal_zero" not in {one.code for one in measured_as_a_whole(signals, none, CAR)}


def test_a_channel_that_is_not_logged_tells_nothing():
    signals, laps = made_signals()
    assert measured_as_a_whole(replace(signals, sensors=Sensors(gyro=False)), laps, CAR) == ()
    assert measured_as_a_whole(replace(signals, sensors=Sensors(lat_g=False)), laps, CAR) == ()
    codes = [one.code for one in measured_as_a_whole(replace(signals, sensors=Sensors(long_g=False)), laps, CAR)]
    assert codes == ["lateral_gain"]


def test_a_short_session_tells_nothing():
    signals, laps = made_signals()
    few = signals.rate_hz * 20
    short = replace(
        signals,
        **{
            name: getattr(signals, name)[: int(few)]
            for name in ("time_s", "valid", "speed_m_s", "yaw_rate_rad_s", "lat_m_s2", "long_m_s2", "speed_trusted")
        },
        braking=signals.braking[: int(few)],
    )
    assert measured_as_a_whole(short, laps, CAR) == ()
