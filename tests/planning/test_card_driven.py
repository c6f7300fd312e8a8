"""The simulated driver who follows a card."""

from importlib.resources import files

import numpy as np
import pytest

from analyzer.simulation.driver_plan import Card, Manoeuvre, circles, manoeuvre
from analyzer.simulation.simulated_car import Driver, LockParameters
from analyzer.simulation.simulated_session import simulate_session
from analyzer.vehicle.car import load_car

RADIUS_M, SPEED_M_S, TORQUE_NM = 40.0, 10.0, 350.0


@pytest.fixture(scope="module")
def driven():
    """A circle of 10 s to the left and one to the right: three seconds' way at the planned speed, a torque held on the
    next four, then shut."""
    course = circles((RADIUS_M,), seconds=10.0, speed_m_s=lambda _: SPEED_M_S)
    bent = np.abs(course.curvature_1_m) > 0.9 / RADIUS_M
    torque = np.full(len(bent), np.nan)
    edges = np.flatnonzero(np.diff(bent.astype(int), prepend=0) == 1)
    second = round(SPEED_M_S / course.step_m)
    for edge in edges:
        torque[edge + 3 * second : edge + 7 * second] = TORQUE_NM
        torque[edge + 7 * second : edge + 8 * second] = -np.inf
    lateral = np.full(len(bent), SPEED_M_S**2 / RADIUS_M)
    driver = manoeuvre("circles", circuit=course, driver=Driver()).driver
    asked = Manoeuvre(course, driver, (), Card(torque, np.zeros(len(bent)), lateral))
    car = load_car(files("sample_logs") / "club_car.toml")
    lock = LockParameters(preload_Nm=60, drive_slope=0.3)
    truth = simulate_session(car=car, lock=lock, circuit=course, laps=1, seed=3, manoeuvre=asked).truth
    node = (truth["distance"] / course.step_m).astype(int).clip(upper=len(torque) - 1)
    return truth, torque[node], bent[node]


def test_the_wheels_get_the_torque_that_is_asked_for(driven):
    truth, asked, _ = driven
    held = asked == TORQUE_NM
    settled = held & np.roll(held, 50)  # half a second at 100 Hz
    assert settled.sum() > 100
    assert np.median(truth["input_torque"][settled]) == pytest.approx(TORQUE_NM, rel=0.15)


def test_shut_means_shut_and_nobody_brakes_on_the_card(driven):
    truth, asked, _ = driven
    shut = np.isneginf(asked)
    fast = shut & np.roll(shut, 30) & (truth["vx"] > 1.05 * SPEED_M_S)
    assert fast.sum() > 20 and truth["throttle"][fast].max() == 0
    assert truth["brake_torque"][np.isfinite(asked) | shut].abs().max() == 0


def test_where_the_card_is_silent_the_planned_speed_is_driven(driven):
    truth, asked, bent = driven
    free = bent & np.isnan(asked)
    settled = free & np.roll(free, 100)
    assert np.median(truth["vx"][settled]) == pytest.approx(SPEED_M_S, rel=0.1)
