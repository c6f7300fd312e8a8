"""Wheels of one axle that a logger merged, or let differ by no more than it took for plausible, or that differ by more
than any road asks."""

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from signals.contradictions import CAR, FL, FR, RL, RR

from analyzer.logs.read import read_log
from analyzer.signals.channel_tests import limited_difference, same_rows
from analyzer.signals.log_stretches import wheel_speeds_m_s
from analyzer.signals.log_view import view_of
from analyzer.signals.pair_tests import consistency_tests


def with_wheels(recording, **changed):
    return replace(recording, channels=recording.channels | changed)


def of_difference(recording):
    (found,) = limited_difference(recording, view_of(recording, CAR))
    return found


def copied(recording):
    """Pairs that are told to be rows of each other."""
    return [t.name for t in same_rows(recording, view_of(recording, CAR)) if t.outcome == "disagrees"]


@pytest.mark.parametrize("name", ["baseline", "baseline_circles"])
def test_sound_logs_have_neither(name):
    sound = read_log(Path(str(resources.files("sample_logs"))) / f"{name}.parquet")
    assert of_difference(sound).outcome == "agrees" and copied(sound) == []


@pytest.mark.parametrize("most_m_s", [0.5, 0.8])
def test_a_difference_that_comes_to_one_figure_time_and_again(recording, most_m_s):
    left, right = recording.channels[RL], recording.channels[RR]
    mean, half, noise = (left + right) / 2, np.clip(left - right, -most_m_s, most_m_s) / 2, np.random.default_rng(1)
    limited = with_wheels(recording, **{RL: mean + half + noise.normal(0, 0.01, len(left)), RR: mean - half})
    found = of_difference(limited)
    assert found.outcome == "disagrees" and found.holds == {"rear_wheels"}


def test_a_steady_circle_is_no_limit(recording):
    """Both axles turn by the same figure for minutes."""
    time, rng = recording.time_s, np.random.default_rng(1)
    speed = [15.0 + side * 0.7 + rng.normal(0, 0.02, len(time)) for side in (-1, 1, -1, 1)]
    circle = with_wheels(recording, **dict(zip((FL, FR, RL, RR), speed, strict=True)))
    assert of_difference(circle).outcome == "agrees"


@pytest.mark.parametrize("every", [2, 3, 10])
@pytest.mark.parametrize(("into", "of"), [(RL, RR), (RR, RL), (RL, FL)])
def test_rows_of_another_wheel(recording, every, into, of):
    merged = recording.channels[into].copy()
    merged[::every] = recording.channels[of][::every]
    assert any(into[-2:] == "rl" or "right" in name for name in copied(with_wheels(recording, **{into: merged})))


def test_wheels_that_read_more_at_the_outside_turn_further_than_the_road(recording):
    """A share k per g makes 2 k v a/g of difference where the road makes v/R of the track, a = v^2/R: 2 k v^2/(g t)."""
    share, name = 0.01, "rear wheels' difference in fast turns"
    leans = share * recording.channels["lat_g"] / 9.80665  # recordings are in SI
    left, right = recording.channels[RL], recording.channels[RR]
    wrong = with_wheels(recording, **{RL: left * (1 - leans), RR: right * (1 + leans)})
    sound, found = (next(t for t in consistency_tests(r, CAR) if t.name == name) for r in (recording, wrong))
    assert sound.outcome == "agrees" and found.outcome == "disagrees" and "rear_wheels" in found.holds
    fast = np.mean(list(wheel_speeds_m_s(recording).values()), axis=0)[np.abs(recording.channels["lat_g"]) > 3.0]
    expected = 2 * share * np.percentile(fast, 90) ** 2 / (9.80665 * CAR.rear_track_m)
    assert found.number - sound.number == pytest.approx(expected, rel=0.15)
