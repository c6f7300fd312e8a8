"""How late a channel comes, by the others: what is shifted by hand is read as late, if not to the hundredth."""

from dataclasses import replace

import numpy as np
import pytest
from signals.contradictions import CAR, FL, FR, RL, RR

from analyzer.signals.late_tests import late
from analyzer.signals.log_view import view_of

GYRO = "lateral acceleration behind speed x yaw rate"
FRONT = "front wheels' difference behind yaw rate"
FRONT_BY_LATERAL = "front wheels' difference behind lateral acceleration / speed"
STEER, STEER_BY_FRONT = "steer behind yaw rate", "steer behind the front wheels' difference"
REARS = "one rear wheel behind the other, on straights"
AXLES = "front wheels' speed behind the rear wheels', on the brakes"


def told(recording, *, without=(), shifted=(), by_s=0.0):
    """Name of a test -> it, as the channels stand once some are left out and some are held back."""
    time = recording.time_s
    channels = {name: values for name, values in recording.channels.items() if name not in without}
    channels |= {name: np.interp(time - by_s, time, channels[name]) for name in shifted}
    recording = replace(recording, channels=channels)
    return {test.name: test for test in late(view_of(recording, CAR), recording, CAR)}


@pytest.mark.parametrize("without", [(), ("yaw_rate",)])
def test_channels_in_step_agree(recording, without):
    found = told(recording, without=without)
    assert {test.outcome for test in found.values()} == {"agrees"}
    names = {GYRO, FRONT, STEER} if not without else {FRONT_BY_LATERAL, STEER_BY_FRONT}
    assert found.keys() == names | {AXLES, REARS}


@pytest.mark.parametrize(
    ("without", "shifted", "by_s", "name", "sign"),
    [
        ((), ("yaw_rate",), 0.2, GYRO, -1),
        ((), ("yaw_rate",), 0.2, FRONT, -1),
        ((), ("yaw_rate",), -0.2, GYRO, -1),
        ((), ("lat_g",), 0.2, GYRO, 1),
        ((), ("steer",), 0.2, STEER, 1),
        (("yaw_rate",), ("lat_g",), 0.3, FRONT_BY_LATERAL, -1),
        (("yaw_rate",), ("steer",), 0.3, STEER_BY_FRONT, 1),
        ((), (FL, FR), 0.2, AXLES, 1),
        ((), (RL, RR), 0.2, AXLES, -1),
        ((), (RL,), 0.03, REARS, 1),
        (("yaw_rate",), (RR,), 0.03, REARS, 1),
    ],
)
def test_what_is_late_is_told_by_how_much(recording, without, shifted, by_s, name, sign):
    before = told(recording, without=without)[name].number
    after = told(recording, without=without, shifted=shifted, by_s=by_s)[name]
    assert after.outcome == "disagrees"
    # a slope times the delay stands for what is late, and both are smoothed over half a second
    assert after.number - before == pytest.approx(sign * by_s, rel=0.6)


def test_two_that_do_not_follow_each_other_are_not_timed(recording):
    rng = np.random.default_rng(1)
    noise = replace(recording, channels=recording.channels | {"steer": rng.normal(0, 1, len(recording.time_s))})
    assert told(noise)[STEER].outcome == "untested"
