"""Channels of other rates: what is read off must be the line between the samples, whichever way a file holds them."""

import numpy as np
import pytest

from analyzer.logs.timeline import common_base

TIME_S = np.arange(6000) / 100
WHEEL = 30 + 5 * np.sin(0.4 * TIME_S) + 0.05 * np.sin(25 * TIME_S)


def _repeated(values, every):
    return values[np.arange(len(values)) // every * every]


@pytest.mark.parametrize("every", [2, 5, 10])
def test_a_value_that_is_repeated_until_the_next_is_read_as_one_sample(every):
    slow = np.sin(0.7 * TIME_S) + 0.3 * np.cos(0.31 * TIME_S)
    base = common_base(TIME_S, {"wheel_speed_rl": WHEEL, "lat_g": _repeated(slow, every)})
    assert base.rates_hz["lat_g"] == pytest.approx(100 / every)
    read = base.channels["lat_g"]
    # a line between samples of a sine misses it by w^2 h^2 / 8; half a period of delay would be w h / 2
    assert np.abs(read - slow)[:-every].max() < 0.7**2 * (every / 100) ** 2 / 8 * 1.3
    np.testing.assert_array_equal(read[-every:], slow[-every])  # nothing comes after the last one
    np.testing.assert_array_equal(base.channels["wheel_speed_rl"], WHEEL)


def test_wheels_that_all_repeat_give_a_slower_log():
    base = common_base(TIME_S, {"wheel_speed_rl": _repeated(WHEEL, 5), "throttle": _repeated(TIME_S % 7, 5)})
    np.testing.assert_allclose(np.diff(base.time_s), 0.05)
    np.testing.assert_array_equal(base.channels["wheel_speed_rl"], WHEEL[::5])


def test_a_rate_that_does_not_divide_the_rows_keeps_every_value():
    """30 Hz in 100 Hz rows: values stand for three rows or four."""
    new = np.flatnonzero(np.concatenate([[True], np.diff(np.floor(TIME_S * 30 + 1e-9)) > 0]))
    slow = 20 + np.sin(0.7 * TIME_S)
    held = slow[new[np.searchsorted(new, np.arange(len(TIME_S)), side="right") - 1]]
    base = common_base(TIME_S, {"wheel_speed_rl": WHEEL, "steer": held})
    np.testing.assert_array_equal(base.channels["steer"][new], slow[new])
    assert np.abs(base.channels["steer"] - slow)[:-4].max() < 0.7**2 * 0.04**2 / 8 * 1.3


def test_a_full_throttle_that_lasts_stays_known():
    pedal = np.clip(1.4 * np.sin(0.5 * TIME_S), 0, 1)
    base = common_base(TIME_S, {"wheel_speed_rl": WHEEL, "throttle": _repeated(pedal, 10)})
    assert np.isfinite(base.channels["throttle"]).all()
    assert base.rates_hz["throttle"] == pytest.approx(10)


@pytest.mark.parametrize("every", [2, 5, 10])
@pytest.mark.parametrize("step", [0.0, 0.01])
def test_a_wheel_that_was_joined_by_lines_is_read_at_its_own_samples(every, step):
    """Also once it was rounded; the lines between know nothing."""
    noisy = WHEEL + np.random.default_rng(2).normal(0, 0.05, len(WHEEL))
    some = np.arange(3, len(WHEEL), every)
    joined = np.interp(np.arange(len(WHEEL)), some, noisy[some])
    joined = np.round(joined / step) * step if step else joined
    base = common_base(TIME_S, {"wheel_speed_rl": joined, "wheel_speed_fl": noisy})
    assert base.rates_hz == {"wheel_speed_rl": pytest.approx(100 / every), "wheel_speed_fl": pytest.approx(100)}
    np.testing.assert_allclose(np.diff(base.time_s), every / 100)
    np.testing.assert_array_equal(base.channels["wheel_speed_rl"][1:-1], joined[3 % every :: every][1:-1])


def test_a_wheel_that_turns_once_in_some_rows_was_not_joined():
    """At one speed for a while its ring's unevenness keeps step with the rows."""
    uneven = WHEEL + np.random.default_rng(2).normal(0, 0.01, len(WHEEL))
    uneven += 0.05 * np.cos(2 * np.pi * np.arange(len(WHEEL)) / 12) * (TIME_S < 20)
    assert common_base(TIME_S, {"wheel_speed_rl": uneven}).rates_hz == {"wheel_speed_rl": pytest.approx(100)}


def test_a_long_log_made_of_a_short_one_was_not_joined():
    """It repeats its noise, and what stands out of one copy's would stand out of a hundred's."""
    rng = np.random.default_rng(4)
    wheel = np.tile(20 + np.sin(np.linspace(0, 6, 1500)) + rng.normal(0, 0.05, 1500), 40)
    time_s = np.arange(len(wheel)) / 100
    assert common_base(time_s, {"wheel_speed_rl": wheel}).rates_hz == {"wheel_speed_rl": pytest.approx(100)}


def test_a_channel_that_does_not_bend_was_not_joined():
    dead = {"wheel_speed_rl": WHEEL, "lat_g": 0.0 * TIME_S, "yaw_rate": np.where(TIME_S < 30, 0.0, 1.0)}
    assert common_base(TIME_S, dead).rates_hz == dict.fromkeys(dead, pytest.approx(100))


def test_coarse_steps_are_no_repeats():
    """A pedal in whole per cent and a speed in half km/h stand still for rows on end, but at no rate of their own."""
    rng = np.random.default_rng(3)
    pedal = np.round(50 + 40 * np.sin(0.9 * TIME_S) + rng.normal(0, 0.1, len(TIME_S))) / 100
    speed = np.round(WHEEL * 3.6 * 2) / 7.2
    base = common_base(TIME_S, {"wheel_speed_rl": speed, "throttle": pedal})
    np.testing.assert_array_equal(base.channels["throttle"], pedal)
    np.testing.assert_array_equal(base.channels["wheel_speed_rl"], speed)
    assert base.rates_hz == {"wheel_speed_rl": pytest.approx(100), "throttle": pytest.approx(100)}
