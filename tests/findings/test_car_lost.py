"""A spin of the whole car, planted into a simulated drive: told as that, and nothing else is concluded from it."""

from dataclasses import replace

import numpy as np
import pytest
from accuracy.cases import CASES, analysed
from findings.spun import CHANNELS, with_a_spin
from made_analysis import Made, made_car, made_signals_and_axle

from analyzer.findings.evidence import Blame
from analyzer.findings.rear_axle import rear_axle
from analyzer.findings.wheel_spin import find_both_wheel_spin
from analyzer.presentation.finding_words import finding_sentence
from analyzer.presentation.words import answer
from analyzer.signals.log_stretches import lost_car

CASE = CASES["club 1180 kg, 100 Hz"]
WITHOUT_GYRO = [name for name in CHANNELS if name not in ("yaw_rate", "long_g", "brake")]


@pytest.fixture(scope="module")
def drive():
    """The drive, and two moments of it: at a corner's exit with the throttle open, and on a straight after it."""
    session = CASE.drive()
    truth = session.truth
    exits = (truth["throttle"] > 0.5) & (truth["lateral_acceleration"].abs() > 6) & (truth["time"] > 60)
    at = float(truth["time"][exits].iloc[0])
    straight = (truth["time"] > at + 6) & (truth["lateral_acceleration"].abs() < 0.5) & (truth["throttle"] > 0.9)
    return session.log, at, float(truth["time"][straight].iloc[0])


@pytest.fixture(scope="module")
def spun(drive, tmp_path_factory):
    log, at, on = drive
    return analysed(with_a_spin(log, CASE.car, at_s=at, goes_on_s=on), CASE.file, tmp_path_factory.mktemp("spun"))


def test_the_car_that_spun_is_told_as_lost_and_neither_throttle_nor_differential_is_blamed(drive, spun):
    _, at, _ = drive
    near = [f for f in spun.findings if at - 1.5 < f.start_s < at + 8]
    assert [f.kind for f in near] == ["car_lost"]
    said = finding_sentence(near[0])
    assert "don't say what began it" in said and "stopped" in said
    assert near[0].evidence.yaw_rate_deg_s == pytest.approx(115, abs=10)  # planted: 2.0 rad/s
    assert "The car was lost once" in answer(spun)


def test_what_its_wheels_did_takes_no_part_in_the_lock_curve(drive, spun, tmp_path):
    log, at, _ = drive
    assert not spun.signals.valid[(spun.signals.time_s > at - 0.5) & (spun.signals.time_s < at + 3)].any()
    plain = analysed(log[list(CHANNELS)], CASE.file, tmp_path)
    own, without = (a.lock_curve.parameters["preload_Nm"] for a in (spun, plain))
    assert own.value == pytest.approx(without.value, abs=10)
    assert not [f for f in plain.findings if f.kind == "car_lost"]


def test_without_a_gyro_nobody_is_blamed_for_the_spin(drive, tmp_path):
    log, at, on = drive
    analysis = analysed(with_a_spin(log, CASE.car, at_s=at, goes_on_s=on)[WITHOUT_GYRO], CASE.file, tmp_path)
    # its wheels do spin in what counts
    near = (analysis.signals.time_s > at - 0.5) & (analysis.signals.time_s < at + 3)
    assert np.nanmax(np.maximum(analysis.axle.use_left, analysis.axle.use_right)[near]) > 1
    for found in (f for f in analysis.findings if at - 1.5 < f.start_s < at + 8):
        assert "too much" not in finding_sentence(found)
        assert getattr(found.evidence, "foot_or_car", Blame.OPEN) is Blame.OPEN


def test_a_spin_of_both_wheels_before_a_stop_blames_nobody():
    """Where no gyro tells that the car turned round, its stop still says that this was no usual exit."""
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=(), both_spin_laps=(2,)))
    rear = rear_axle(signals, axle, made_car())
    (usual,) = find_both_wheel_spin(rear, corners)
    speed = np.where(signals.time_s > usual.end_s + 3.0, 0.0, signals.speed_m_s)
    (stopped,) = find_both_wheel_spin(rear_axle(replace(signals, speed_m_s=speed), axle, made_car()), corners)
    assert "too much throttle" in finding_sentence(usual)
    said = finding_sentence(stopped)
    assert "too much throttle" not in said and "not clear" in said


def turn(yaw_rad_s, speed_m_s, seconds=2.0, rate=100.0):
    """Straight, a hard corner (10 m/s2 at 20 m/s), then `yaw_rad_s` at `speed_m_s`, straight again."""
    part = lambda value, s: np.full(round(s * rate), float(value))  # noqa: E731
    yaw = np.concatenate([part(0, 5), part(0.5, 5), part(0, 5), part(yaw_rad_s, seconds), part(0, 12)])
    slows = np.linspace(20.0, speed_m_s, round(5 * rate))
    speed = np.concatenate([part(20, 10), slows, part(speed_m_s, seconds), part(speed_m_s, 12)])
    lateral = np.clip(yaw * speed, -10.0, 10.0)
    return dict(
        time_s=np.arange(len(yaw)) / rate,
        yaw_rad_s=yaw,
        lat_m_s2=lateral,
        speed_m_s=speed,
        moving=speed > 3,
    )


@pytest.mark.parametrize(
    "yaw_rad_s, speed_m_s, seconds, lost",
    [
        (2.0, 15.0, 1.5, True),  # more than a quarter turn beyond its path
        (2.0, 15.0, 0.3, False),  # caught: 2.0 - 10/15 rad/s for 0.3 s is 23 degrees
        (1.3, 7.5, 3.0, False),  # a hairpin, at the same 10 m/s2
        (-1.3, 7.5, 3.0, False),
        (2.0, 2.0, 3.0, False),  # turning on the spot in the pits
    ],
)
def test_only_a_car_that_turns_far_beyond_its_path_is_lost(yaw_rad_s, speed_m_s, seconds, lost):
    where, notes = lost_car(**turn(yaw_rad_s, speed_m_s, seconds))
    assert where.any() == lost and len(notes) == lost


def test_a_slide_of_45_degrees_is_lost_where_the_car_stops_after_it():
    slide = turn(2.0, 15.0, 0.6)  # 2.0 - 10/15 rad/s for 0.6 s is 46 degrees
    assert not lost_car(**slide)[0].any()
    stops = np.where(slide["time_s"] > 18, 0.0, slide["speed_m_s"])
    assert lost_car(**slide | {"speed_m_s": stops})[0].any()
