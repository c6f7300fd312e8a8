"""Turns of the wheels counted by what repeats in their speed: a ring whose places are off at random shows its own
turns, whatever clock, unit and radius say (order tracking; by hand)."""

from dataclasses import replace

import numpy as np
import pytest
from signals.made_session import CAR, made_session

from analyzer.signals.consistency import consistent
from analyzer.signals.once_a_turn import once_a_turn

WHEELS = ("wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr")
ORDERS = np.arange(1, 9)


def uneven(*, clock=1.0, scale=1.0, share=3e-4, noise=0.02):
    """A session whose wheels show a little more or less at each place of a turn; clock and speeds off by factors."""
    session, *_ = made_session(noise=noise)
    rng = np.random.default_rng(7)
    for wheel in WHEELS:
        speed = session.channels[wheel]
        radius = CAR.front_rolling_radius_m if wheel[-2] == "f" else CAR.rear_rolling_radius_m
        angle = np.cumsum(speed) * 0.02 / radius
        ring = np.cos(np.outer(angle, ORDERS) + rng.uniform(0, 2 * np.pi, len(ORDERS))) @ np.sqrt(ORDERS)
        speed *= scale * (1 + share * ring)
    time = session.time_s * clock
    return replace(session, time_s=time, channels=session.channels | {"time": time})


@pytest.mark.parametrize(
    ("clock", "scale"), [(1.0, 1.0), (0.9, 1.0), (1.1, 1.0), (1.0, 0.914), (1.0, 1.08), (0.9, 1 / 0.9)]
)
def test_clock_times_scale_is_told_to_half_a_per_cent(clock, scale):
    front, rear = once_a_turn(uneven(clock=clock, scale=scale), CAR)
    for found in (front, rear):
        assert found.number == pytest.approx(clock * scale, rel=5e-3)
        assert found.outcome == ("agrees" if abs(clock * scale - 1) < 0.02 else "disagrees")
    assert front.holds == {"front_wheels", "time", "wheel_scale", "radius"}
    assert rear.holds == {"rear_wheels", "time", "wheel_scale", "radius"}


def test_a_radius_that_is_wrong_in_the_car_file_is_told_and_one_that_nothing_needs_is_not():
    wrong = CAR.model_copy(
        update=dict(
            front_rolling_radius_m=1.08 * CAR.front_rolling_radius_m,
            rear_rolling_radius_m=1.08 * CAR.rear_rolling_radius_m,
        )
    )
    session = uneven()
    assert [test.number for test in once_a_turn(session, wrong)] == pytest.approx([1 / 1.08] * 2, rel=5e-3)
    assert {test.outcome for test in once_a_turn(session, None)} == {"untested"}
    turning = replace(
        session,
        wheel_speed_unit="rad/s",
        channels=session.channels
        | {
            w: session.channels[w] / (CAR.front_rolling_radius_m if w[-2] == "f" else CAR.rear_rolling_radius_m)
            for w in WHEELS
        },
    )
    for car in (wrong, None):
        found = once_a_turn(turning, car)
        assert [test.number for test in found] == pytest.approx([1.0, 1.0], rel=5e-3)
        assert found[0].holds == {"front_wheels", "time", "wheel_scale"}


def test_what_the_wheels_say_of_themselves_checks_no_scale_by_itself():
    """Wheels measure clock times scale. Either could be off with the other, so both stay unknowns of the fit."""
    session = uneven()
    said = consistent(session, CAR, tests=once_a_turn(session, CAR))
    assert {*said.unchecked} >= {"time", "wheel_scale"}


def test_even_rings_say_nothing():
    found = [test for n in (0.005, 0.02, 0.1) for test in once_a_turn(uneven(share=0.0, noise=n), CAR)]
    assert {test.outcome for test in found} == {"untested"} and len(found) == 6


def test_too_short_a_drive_says_nothing():
    session = uneven()
    short = replace(session, time_s=session.time_s[:1500], channels={n: v[:1500] for n, v in session.channels.items()})
    assert {test.outcome for test in once_a_turn(short, CAR)} == {"untested"}


def test_front_wheels_alone_are_told_apart():
    session = uneven()
    for wheel in WHEELS[:2]:
        session.channels[wheel][:] *= 1.04
    front, rear = once_a_turn(session, CAR)
    assert front.number == pytest.approx(1.04, rel=5e-3) and front.outcome == "disagrees"
    assert rear.outcome == "agrees"
