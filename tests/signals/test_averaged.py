"""A moving mean in a wheel speed, told by the noise that it leaves: x_k - x_{k-n} goes with itself n rows later by -1/2
(white noise x; by hand)."""

import numpy as np
import pytest
from scipy import ndimage
from signals.made_session import CAR, made_session

from analyzer.signals.channel_tests import averaged
from analyzer.signals.log_view import view_of

PERIOD_S = 0.02
RL = "wheel_speed_rl"


def averages(change):
    """What is told of a session (50 Hz, noise of 0.03 m/s) whose rear left wheel is `change`d: of four wheels."""
    session, *_ = made_session(noise=0.03)
    session.channels[RL][:] = change(session.channels[RL].copy(), session.time_s)
    found = averaged(session, view_of(session, CAR))
    assert len(found) == 4
    return [test for test in found if test.outcome == "disagrees"]


@pytest.mark.parametrize("seconds", [0.3, 0.6, 1.5])
def test_the_length_of_a_moving_mean_is_told(seconds):
    found = averages(lambda speed, time: ndimage.uniform_filter1d(speed, round(seconds / PERIOD_S)))
    assert [test.holds for test in found] == [{"rear_wheels"}]
    assert found[0].number == pytest.approx(seconds)


def test_one_after_another_is_told_as_well():
    mean = lambda x: ndimage.uniform_filter1d(x, 20)  # noqa: E731
    assert len(averages(lambda speed, time: mean(mean(speed)))) == 1


@pytest.mark.parametrize(
    "change",
    [
        lambda speed, time: speed,
        lambda speed, time: ndimage.uniform_filter1d(speed, 5),  # a tenth of a second costs nothing
        lambda speed, time: ndimage.gaussian_filter1d(speed, 3),
        # a ring that runs out of true: once a turn of 2 m
        lambda speed, time: speed * (1 + 0.01 * np.sin(np.pi * np.cumsum(speed) * PERIOD_S)),
        lambda speed, time: 20 + 0.3 * np.sin(2 * np.pi * 2.1 * time),
        lambda speed, time: np.round(speed / 0.05) * 0.05,
        lambda speed, time: speed[np.arange(len(speed)) // 10 * 10],
    ],
    ids=["sound", "0.1 s", "bell", "once a turn", "one tone", "steps", "held"],
)
def test_what_is_no_moving_mean_is_not_told(change):
    assert averages(change) == []
