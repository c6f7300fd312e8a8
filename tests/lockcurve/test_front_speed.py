"""The front axle's speed from wheels of unequal load, and what is left when they cannot be trusted."""

from dataclasses import replace
from importlib.resources import files

import numpy as np
import pytest
from scipy.ndimage import binary_dilation

from analyzer.lockcurve import session_state as session_state_module
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.observations import observe
from analyzer.lockcurve.problem import make_problem
from analyzer.lockcurve.session_state import session_state
from analyzer.lockcurve.uncertainty import spread
from analyzer.logs.read import read_log
from analyzer.phases.corners import find_corners
from analyzer.phases.laps import find_laps
from analyzer.signals.calibrate import prepare
from analyzer.signals.examine import examined
from analyzer.signals.session import Sensors
from analyzer.vehicle.car import load_car
from analyzer.vehicle.parameters import priors


@pytest.fixture(scope="module")
def session():
    """(signals, corners, car) of the shipped invented session."""
    samples = files("sample_logs")
    car = load_car(samples / "club_car.toml")
    signals = prepare(examined(read_log(samples / "baseline.parquet")), car=car)
    return signals, find_corners(signals, find_laps(signals)), car


def with_fronts(signals, change):
    """Signals whose front wheel speeds (n, 2) are changed."""
    wheels = signals.wheel_speed_m_s.copy()
    wheels[:, :2] = change(wheels[:, :2])
    return replace(signals, wheel_speed_m_s=wheels)


def cornering(signals, observed):
    hard = np.abs(observed.inputs.lat_m_s2) > 7
    return hard & observed.usable & signals.speed_trusted[observed.index]


def test_a_dragged_inner_front_wheel_moves_the_speed_by_its_share_of_the_load(session):
    signals, corners, car = session
    turns_left = signals.lat_m_s2 > 0

    def drag(fronts):
        slowed = fronts.copy()
        slowed[turns_left, 0] *= 0.98
        slowed[~turns_left, 1] *= 0.98
        return slowed

    plain, dragged = observe(signals, corners, car), observe(with_fronts(signals, drag), corners, car)
    hard = cornering(signals, plain)
    lost = 1 - dragged.inputs.front_m_s[hard] / plain.inputs.front_m_s[hard]
    left = plain.inputs.front_left_share[hard]
    # the mean of both would lose half of the 2 %
    assert lost == pytest.approx(0.02 * np.minimum(left, 1 - left), abs=0.0025)
    assert np.median(lost) < 0.006


def test_one_front_wheel_tells_the_speed_of_the_middle(session):
    signals, corners, car = session
    both = observe(signals, corners, car)
    for wheel in (0, 1):

        def without(fronts, wheel=wheel):
            fronts = fronts.copy()
            fronts[:, wheel] = np.nan
            return fronts

        one = observe(with_fronts(signals, without), corners, car)
        assert (one.inputs.front_left_share == wheel).all()
        hard = cornering(signals, both)
        off = one.inputs.front_m_s[hard] / both.inputs.front_m_s[hard] - 1
        # the radius of the outer wheel falls under its load, the inner one's grows: 0.0035
        assert np.abs(np.median(off)) < 0.005 and np.abs(off).mean() < 0.006


def test_without_a_gyro_both_front_wheels_count_alike(session):
    signals, corners, car = session
    assert (observe(replace(signals, sensors=Sensors(gyro=False)), corners, car).inputs.front_left_share == 0.5).all()


def test_where_the_measurements_leave_the_split_open_there_is_none(session, monkeypatch):
    signals, corners, car = session
    observed = observe(signals, corners, car)
    nuisance = priors(car, sensors=Sensors(), long_bias_sd_m_s2=signals.long_bias_sd_m_s2)
    fitted = fit(make_problem(observed, car, nuisance))
    drawn = spread(fitted)
    plain = session_state(fitted, drawn, observed, signals, car)
    blind_signals = replace(signals, speed_trusted=np.zeros_like(signals.speed_trusted))
    blind = session_state(fitted, drawn, observe(blind_signals, corners, car), blind_signals, car)
    known = np.isfinite(plain.torque_difference_Nm) & np.isfinite(blind.torque_difference_Nm)
    assert np.median((blind.torque_difference_sd_Nm - plain.torque_difference_sd_Nm)[known]) > 0
    monkeypatch.setattr(session_state_module, "MOST_SPLIT_SD_SHARE", 1e-5)
    strict = session_state(fitted, drawn, observed, signals, car)
    settled = ~binary_dilation(~signals.braking, iterations=int(0.6 * signals.rate_hz))
    assert np.isnan(strict.torque_difference_Nm[~signals.braking]).mean() > 0.97  # but next to brakes
    braked = settled & np.isfinite(plain.torque_difference_Nm)
    assert np.isfinite(strict.torque_difference_Nm[braked]).any()  # brakes widen, they do not silence
