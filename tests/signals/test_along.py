"""The longitudinal accelerometer by the change of speed: on power alone, its zero over the log, its range; and rear
wheels that are told further apart than they are."""

from dataclasses import replace

import numpy as np
import pytest
from signals.contradictions import CAR, RL, RR

from analyzer.signals.consistency import contradiction_of
from analyzer.signals.examine import examined
from analyzer.signals.pair_tests import consistency_tests

POWER = "longitudinal acceleration over change of front wheels' speed, off the brakes"
DRIFT, RANGE = "drift of longitudinal acceleration", "longitudinal acceleration at the end of its range"
OPPOSED = "rear left wheel speed and rear right wheel speed, one against the other"
TOGETHER = "rear left wheel speed and rear right wheel speed have sensors of their own"


def told(recording, **changed):
    """All tests of a recording with some channels changed."""
    return consistency_tests(examined(replace(recording, channels=recording.channels | changed)), CAR)


def named(tests, name):
    (found,) = (test for test in tests if test.name == name)
    return found


def test_a_scale_that_is_off_on_power_alone(recording):
    long = recording.channels["long_g"]
    sound, found = (named(told(recording, long_g=x), POWER) for x in (long, np.where(long > 0, 1.2 * long, long)))
    assert sound.outcome == "agrees" and found.outcome == "disagrees"
    assert found.number / sound.number == pytest.approx(1.2, abs=0.03)


def test_an_accelerometer_whose_zero_drifts_is_the_one_that_is_wrong(recording):
    """By 1.5 m/s2 over the log; hills, which every lap has, do not."""
    long, share = recording.channels["long_g"], recording.time_s / recording.time_s[-1]
    tests = told(recording, long_g=long + 1.5 * share)
    assert named(tests, DRIFT).number == pytest.approx(1.5, abs=0.1)
    assert contradiction_of(tests).causes == ("long_g",)
    hill = 0.5 * np.sin(2 * np.pi * 3 * share)  # once in each of three laps
    assert named(told(recording, long_g=long + hill), DRIFT).outcome == "agrees"


def test_an_accelerometer_that_is_cut_off_on_power(recording):
    long = recording.channels["long_g"]
    found = named(told(recording, long_g=np.minimum(long, np.percentile(long, 80))), RANGE)
    assert found.outcome == "disagrees" and found.number > 0.1


@pytest.mark.parametrize(("factor", "name"), [(1.3, OPPOSED), (0.75, TOGETHER)])
def test_rears_further_apart_or_nearer_than_they_are(recording, factor, name):
    """The noise e of two sensors in m + f h and m - f h, m and h half their sum and difference, is correlated by
    (1 - f^2) / (1 + f^2)."""
    left, right = recording.channels[RL], recording.channels[RR]
    middle, half = (left + right) / 2, factor * (left - right) / 2
    tests = told(recording, **{RL: middle + half, RR: middle - half})
    found = named(tests, name)
    expected = (1 - factor**2) / (1 + factor**2)
    assert found.outcome == "disagrees"
    assert found.number == pytest.approx(abs(expected) if name == TOGETHER else expected, abs=0.05)
    assert named(told(recording), name).outcome == "agrees"
