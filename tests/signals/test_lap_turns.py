"""What laps tell. How far one turns, on closed curves whose turning number is known (do Carmo, Differential Geometry of
Curves and Surfaces, section 1-7, from memory: 1 of a simple closed curve, 2 of a limacon with a loop, 0 of a figure of
eight); and a scale from lap to lap.
"""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.signals.consistency import contradiction_of
from analyzer.signals.lap_turns import lap_to_lap, lap_turns
from analyzer.signals.log_view import RATE_HZ, View

LAPS, TRACK_M = 4, 1.5


def _once(t):
    return 240 * np.cos(t) + 60 * np.cos(2 * t + 0.4) + 20 * np.sin(3 * t), 170 * np.sin(t) + 30 * np.cos(2 * t)


def _twice(t):
    r = 100 + 200 * np.cos(t)
    return r * np.cos(t), r * np.sin(t) + 20 * np.cos(2 * t)


def _eight(t):
    return 300 * np.sin(t), 150 * np.sin(2 * t) + 20 * np.cos(t)


def _oval(t):
    return 300 * np.cos(t), 120 * np.sin(t)


def _view(curve, *, clock=1.0, channels=("lat_g",), other_lap=None):
    """Laps round a curve, faster and slower in every one; `other_lap` is driven on a line of its own."""
    t = np.linspace(0, 2 * np.pi, 20_000)
    x, y = curve(t)
    dx, dy = np.gradient(x, t), np.gradient(y, t)
    bend = (dx * np.gradient(dy, t) - dy * np.gradient(dx, t)) / np.hypot(dx, dy) ** 3
    along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    length = along[-1]
    place = np.arange(0.0, LAPS * length, 0.5)
    pace = 22.0 + 6.0 * np.sin(2 * np.pi * 3 * place / length)
    ticks = np.concatenate([[0.0], np.cumsum(0.5 / pace[:-1])]) * clock  # the log's clock runs `clock` times as fast
    seconds = np.arange(0, ticks[-1], 1 / RATE_HZ)
    place, speed = np.interp(seconds, ticks, place), np.interp(seconds, ticks, pace)
    turn = speed * np.interp(place % length, along, bend)
    if other_lap is not None:  # swerves in its first half, which turn nothing
        swerves = (place // length == other_lap) & (place % length < length / 2)
        turn += swerves * 0.3 * np.sin(2 * np.pi * 10 * place / length)
    lat = speed * turn
    noise = np.random.default_rng(1).normal(0, 0.02, len(seconds))
    wheels = {"wheel_speed_fl": speed - turn * TRACK_M / 2, "wheel_speed_fr": speed + turn * TRACK_M / 2 + noise}
    values = {"lat_g": lat, "yaw_rate": turn, "long_g": np.zeros(len(seconds))}
    everywhere = np.ones(len(seconds), bool)
    return View(
        time=seconds,
        channels={name: values[name] for name in channels},
        wheels=wheels,
        front=speed,
        rear=speed,
        speed=speed,
        change=np.zeros(len(seconds)),
        moving=everywhere,
        rolling=everywhere,
        track_m=TRACK_M,
        rear_track_m=TRACK_M,
    )


@pytest.mark.parametrize("channels", [("lat_g",), ("lat_g", "yaw_rate")])
def test_a_lap_turns_once_and_a_clock_at_twice_or_half_the_pace_shows(channels):
    sound = lap_turns(_view(_once, channels=channels))
    assert sound.outcome == "agrees" and sound.number == pytest.approx(1, abs=0.03)
    for clock, thing in ((2.0, "twice_round"), (0.5, "half_round")):
        wrong = lap_turns(_view(_once, clock=clock, channels=channels))
        assert wrong.outcome == "disagrees" and wrong.number == pytest.approx(clock, rel=0.03)
        assert thing in wrong.holds


@pytest.mark.parametrize(("curve", "thing"), [(_twice, "twice_round"), (_oval, "half_round")])
def test_a_lap_that_does_not_turn_once_is_not_put_down_to_the_clock_alone(curve, thing):
    found = lap_turns(_view(curve))
    cause = contradiction_of([found])
    assert found.outcome == "disagrees" and {"time", thing} <= {*cause.causes} and not cause.together
    assert "nothing at all" in cause.message
    # and where another channel knows the clock it says nothing
    assert lap_turns(_view(curve, channels=("lat_g", "yaw_rate", "long_g"))).outcome == "untested"


def test_a_lap_that_turns_as_much_left_as_right_says_nothing():
    assert lap_turns(_view(_eight)).outcome == "untested"


@pytest.mark.parametrize("lap", [1, 2])
def test_one_lap_driven_otherwise_does_not_make_two_of_one(lap):
    found = lap_turns(_view(_once, other_lap=lap))
    assert found.outcome == "agrees" and found.number == pytest.approx(1, abs=0.1)


def test_front_wheels_that_hardly_follow_tell_no_zero():
    view = _view(_once)
    noise = np.random.default_rng(1).normal(0, 0.5, len(view.time))
    view.wheels.update(wheel_speed_fl=view.speed - noise, wheel_speed_fr=view.speed + noise)
    assert lap_turns(view).outcome == "untested"


def _driven(scale):
    """Laps over a hill that is steepest where the car gains speed; the accelerometer reads `scale` times too much. The
    car gains more speed in the second lap than in the first, and less in the third."""
    view = _view(_once, channels=("lat_g", "yaw_rate", "long_g"))
    lap = np.cumsum(view.speed) / RATE_HZ / (np.sum(view.speed) / RATE_HZ / LAPS)
    harder = 0.3 * np.where(lap.astype(int) % 2 == 1, 1.0, -0.5)
    speed = 22.0 + (6.0 + 4.0 * harder) * np.sin(2 * np.pi * 3 * lap)
    change = np.gradient(speed) * RATE_HZ
    uphill = 0.5 * np.maximum(np.cos(2 * np.pi * 3 * lap), 0.0) * -1.0
    return replace(view, front=speed, channels=view.channels | {"long_g": scale * change + uphill})


def test_from_lap_to_lap_hills_hide_no_scale():
    sound, wrong = (lap_to_lap(_driven(scale)) for scale in (1.0, 1.15))
    assert sound.outcome == "agrees" and sound.number == pytest.approx(1.0, abs=0.03)
    assert wrong.outcome == "disagrees" and wrong.number == pytest.approx(1.15, abs=0.03)


def test_without_a_lap_nothing_is_told_from_lap_to_lap():
    one = _driven(1.15)
    first = slice(0, len(one.time) // LAPS)
    cut = {n: getattr(one, n)[first] for n in ("time", "front", "rear", "speed", "change", "moving", "rolling")}
    channels = {name: values[first] for name, values in one.channels.items()}
    assert lap_to_lap(replace(one, **cut, channels=channels, wheels={})).outcome == "untested"
    assert lap_to_lap(replace(one, channels={})) is None
