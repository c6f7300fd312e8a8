"""Laps are known from how the circuit was built: its length, and where the drive began."""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.phases.laps import find_laps


def test_recurrence_finds_length_and_place_of_laps(drive, one_lap):
    length = len(one_lap)
    signals = drive(np.concatenate([one_lap[-150:], np.tile(one_lap, 4), one_lap[:350]]), yaw_bias_rad_s=0.004)
    laps = find_laps(signals)
    assert (laps.method, len(laps.bounds)) == ("recurrence", 4)
    assert laps.length_m == pytest.approx(length, abs=5)
    for k, (start, stop) in enumerate(laps.bounds):
        assert signals.distance_m[stop] - signals.distance_m[start] == pytest.approx(length, abs=8)
        assert np.all(laps.number[start:stop] == k + 1)
    assert np.all(laps.number[: laps.bounds[0][0]] == 0)


def test_log_cut_at_the_line_has_all_its_laps(drive, one_lap):
    laps = find_laps(drive(np.tile(one_lap, 3)))
    assert (laps.method, len(laps.bounds)) == ("recurrence", 3)
    assert laps.bounds[-1][1] > 0.98 * len(laps.number)


def test_driven_line_that_grows_from_lap_to_lap_stays_aligned(drive, one_lap):
    length = len(one_lap)
    stretched = [
        np.interp(np.arange(length + 12 * k) * length / (length + 12 * k), np.arange(length), one_lap) for k in range(4)
    ]
    signals = drive(np.concatenate([*stretched, one_lap[:250]]))
    laps = find_laps(signals)
    found = [signals.distance_m[b] - signals.distance_m[a] for a, b in laps.bounds]
    assert np.allclose(found, [length + 12 * k for k in range(4)], atol=12)


def test_half_an_oval_is_not_a_lap(drive, build_road):
    half = build_road(((200, 50, 180, 1),))
    signals = drive(np.tile(half, 8))
    assert find_laps(signals).length_m == pytest.approx(2 * len(half), rel=0.02)


def test_rounds_of_a_circle_are_not_laps(drive, build_road):
    """Three rounds of 60 m radius, 377 m each, come back to one place; an oval with two straights is a circuit."""
    circle = np.full(round(3 * 2 * np.pi * 60), 1 / 60)
    assert find_laps(drive(np.concatenate([np.zeros(60), circle, np.zeros(60)]))).method == "none"
    oval = build_road(((120, 60, 180, 1),))
    assert find_laps(drive(np.tile(oval, 8))).length_m == pytest.approx(2 * len(oval), rel=0.02)


def test_slalom_and_hill_climb_have_no_laps(drive, build_road):
    slalom = np.tile(np.concatenate([np.full(20, 1 / 30), np.full(20, -1 / 30)]), 20)
    assert find_laps(drive(np.concatenate([np.zeros(100), slalom, np.zeros(100)]))).method == "none"
    bends = ((200, 30, 100, 1), (100, 40, 100, -1), (150, 20, 170, 1), (80, 20, 160, -1), (300, 60, 60, 1))
    assert find_laps(drive(build_road((*bends, (70, 25, 90, -1))))).method == "none"


def test_counter_wins_and_its_partial_laps_are_zero(drive, one_lap):
    signals = drive(np.concatenate([one_lap[-400:], np.tile(one_lap, 3), one_lap[:500]]))
    counter = np.floor((signals.distance_m - 400) / len(one_lap)) + 7
    counter[::3] = np.nan
    laps = find_laps(replace(signals, lap_channel=counter))
    assert (laps.method, len(laps.bounds)) == ("lap_channel", 3)
    assert laps.length_m == pytest.approx(len(one_lap), abs=3)
    assert set(laps.number.tolist()) == {0, 1, 2, 3}
    assert laps.number[0] == laps.number[-1] == 0


@pytest.mark.parametrize("counter", [0.0, np.nan])
def test_counter_that_says_nothing_is_passed_over(drive, one_lap, counter):
    signals = drive(np.tile(one_lap, 2))
    laps = find_laps(replace(signals, lap_channel=np.full(len(signals.time_s), counter)))
    assert (laps.method, len(laps.bounds)) == ("recurrence", 2)


def test_position_finds_the_same_gate_each_time(drive, build_road):
    # A rounded rectangle: its plan closes.
    lap = build_road(((300, 30, 90, 1), (150, 30, 90, 1), (300, 30, 90, 1), (150, 30, 90, 1)), 0)
    signals = drive(np.concatenate([np.tile(lap, 3), lap[:200]]), position_source="position")
    wobble = np.random.default_rng(3).normal(0, 1.0, (2, len(signals.time_s))).cumsum(axis=1) * 0.002
    laps = find_laps(replace(signals, x_m=signals.x_m + wobble[0], y_m=signals.y_m + wobble[1]))
    assert (laps.method, len(laps.bounds)) == ("position", 3)
    assert laps.length_m == pytest.approx(len(lap), abs=6)


def test_one_lap_is_the_whole_session(drive, one_lap):
    laps = find_laps(drive(one_lap))
    assert (laps.method, laps.length_m) == ("none", None)
    assert laps.bounds == ((0, len(laps.number)),)
    assert np.all(laps.number == 1)


def test_standing_car_has_no_laps(drive, one_lap):
    signals = drive(one_lap)
    still = np.zeros_like(signals.speed_m_s)
    laps = find_laps(replace(signals, speed_m_s=still, distance_m=still, yaw_rate_rad_s=still + 0.01))
    assert (laps.method, laps.bounds, laps.length_m) == ("none", (), None)
    assert np.all(laps.number == 0)
