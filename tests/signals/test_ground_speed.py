"""Satellites' speed: the staircase that loggers make of it, and how late it comes. Truths are formulas."""

from dataclasses import replace

import numpy as np
import pytest
from signals.made_session import CAR, made_session

from analyzer.errors import CannotTell
from analyzer.signals.calibrate import prepare
from analyzer.signals.delays import align_channels, estimate_delays
from analyzer.signals.kinematics import delay_behind_accelerometer_s, require_slip, without_steps

RATE_HZ = 100.0
TIME = np.arange(0, 200, 1 / RATE_HZ)
SPEED = 25 + 8 * np.sin(0.5 * TIME) + 2 * np.sin(2.1 * TIME)


def held(values, every):
    return values[np.arange(len(values)) // every * every]


def without_fronts(recording, **changes):
    channels = {k: v for k, v in recording.channels.items() if k not in ("wheel_speed_fl", "wheel_speed_fr")}
    return replace(recording, channels=channels | changes)


@pytest.mark.parametrize("every", [10, 20])
def test_a_staircase_becomes_the_receivers_own_samples(every):
    stairs = held(SPEED, every)
    smooth = without_steps(stairs, TIME)
    inside = slice(50, -50)
    assert np.abs(smooth - SPEED)[inside].max() < 0.01 < 0.2 < np.abs(stairs - SPEED)[inside].max()
    assert without_steps(SPEED, TIME) is SPEED  # as fast as the log


def test_no_line_is_drawn_through_lost_reception():
    stairs = held(SPEED, 10)
    stairs[5000:5300] = stairs[5000]
    smooth = without_steps(stairs, TIME)
    assert (smooth[5001:5299] == stairs[5000]).all()
    assert np.abs(smooth - SPEED)[100:4900].max() < 0.01


@pytest.mark.parametrize("late_s", [-0.05, 0.0, 0.12])
def test_the_delay_is_found_behind_an_accelerometer_whatever_the_car_slides(late_s):
    # derived: dV/dt = a_x + a_y beta with beta = b a_y/V^2 - K a_y; b 1.1 m and K 0.006 rad per m/s2 are a sports car's
    across = 9 * np.sin(0.31 * TIME) ** 3
    sideways = 1.1 * across**2 / SPEED**2 - 0.006 * across**2
    along = np.gradient(SPEED, TIME) - sideways + 0.1
    found = delay_behind_accelerometer_s(
        speed_m_s=np.interp(TIME - late_s, TIME, SPEED),
        long_m_s2=along,
        lat_m_s2=across,
        use=np.ones(len(TIME), bool),
        rate_hz=RATE_HZ,
    )
    assert found == pytest.approx(late_s, abs=0.003)


def test_slip_of_the_driven_wheels_is_no_delay_of_the_satellites():
    # rear wheels that slip 0.8 % for each m/s2, as a tyre of 24 times its load in slip stiffness does, lead by u
    # times that: 0.2 s at 25 m/s
    slope = np.gradient(SPEED, TIME)
    made, *_ = made_session()
    rear = SPEED * (1 + 0.008 * slope)
    channels = dict(time=TIME, wheel_speed_rl=rear, wheel_speed_rr=rear, gps_speed=SPEED, long_g=slope)
    recording = replace(made, time_s=TIME, channels=channels)
    aligned, notes = align_channels(recording, estimate_delays(recording))
    assert aligned.channels["gps_speed"] is recording.channels["gps_speed"] and not notes
    late = np.interp(TIME - 0.3, TIME, SPEED)
    found = estimate_delays(replace(recording, channels=channels | {"gps_speed": late}))
    assert found["gps_speed"].delay_s == pytest.approx(0.3, abs=0.02)


def test_without_front_wheels_and_accelerometer_no_slip_is_known():
    made, _, speed, _ = made_session()
    log = without_fronts(made, gps_speed=speed)
    known = prepare(log, car=CAR)
    assert known.sensors.slip_known and "speed_delay" in {s.code for s in known.calibration}
    require_slip("run.csv", known)
    unknown = prepare(replace(log, channels={k: v for k, v in log.channels.items() if k != "long_g"}), car=CAR)
    assert not unknown.sensors.slip_known
    assert [a.severity for a in unknown.annotations if a.code == "slip_unknown"] == ["error"]
    with pytest.raises(CannotTell, match=r"run.csv: .* Log a front wheel speed or longitudinal acceleration"):
        require_slip("run.csv", unknown)
