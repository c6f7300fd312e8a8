"""Slopes by parameter against central differences of the equations themselves, whatever is logged and however many
samples have a value of their own."""

from dataclasses import replace

import numpy as np
import pytest
from vehicle.made_axle import made_car, made_inputs, starts

from analyzer.signals.session import Sensors
from analyzer.vehicle.axle import equations
from analyzer.vehicle.axle_slopes import MOVES, NOTHING, Derivatives
from analyzer.vehicle.axle_solution import LARGEST_SIDE_SLIP, rolling_freely, solve
from analyzer.vehicle.parameters import priors

CAR = made_car(drag_area_m2=0.8, downforce_area_m2=0.9, rolling_resistance=0.015, roll_gradient_deg_per_g=1.2)
# tall cars, that lift the inner wheel of the stiffer axle, and in some samples then the other one
STIFF_FRONT, STIFF_REAR = (made_car(cg_height_m=0.7, rear_load_transfer_fraction=share) for share in (0.4, 0.6))
NAMES = [p.name for p in priors(CAR, sensors=Sensors(), long_bias_sd_m_s2=0.03)]
STEP = 1e-5


def driven(seed=2, count=300, car=CAR):
    """Corners, straights and slides at random, each sample with car, tyre and sensor figures of its own."""
    rng = np.random.default_rng(seed)
    of = lambda low, high: rng.uniform(low, high, count)  # noqa: E731
    inputs = made_inputs(
        speed=of(12, 45), lat=of(-11, 11), long=of(-3, 4), left_slip=of(-0.02, 0.06), right_slip=of(-0.02, 0.06),
        steer=of(-0.15, 0.15), left_acc=of(-4, 6), right_acc=of(-4, 6), yaw_acc=of(-1, 1), front_difference_sd=0.1,
    )  # fmt: skip
    inputs = replace(inputs, front_left_share=of(0, 1), front_difference_m_s=of(-0.5, 0.5))
    value = starts(car, radius_fall=0.003, lat_gain=0.02, long_gain=0.01)
    value |= {name: value[name] + 0.02 * rng.standard_normal(count) for name in NAMES if name != "shape"}
    state = np.array([inputs.front_m_s * of(0.99, 1.01), of(-0.15, 0.15)])
    return state, value, inputs


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("logged", ["all", "no accelerometer", "satellites alone"])
def test_every_slope_is_the_equations_difference(name, logged):
    state, value, inputs = driven()
    ones = np.ones(len(inputs))
    if logged == "no accelerometer":
        inputs = replace(inputs, long_from_speed=ones, lat_from_yaw=ones)
    elif logged == "satellites alone":
        inputs = replace(inputs, speed_by_satellite=ones)
    found = Derivatives(state, value, inputs, CAR).by(name)
    up, down = (equations(state, value | {name: value[name] + h}, inputs, CAR) for h in (STEP, -STEP))
    for quantity in ("residual", "input_torque_Nm", "torque_difference_Nm"):
        difference = (getattr(up, quantity) - getattr(down, quantity)) / (2 * STEP)
        error = np.abs(getattr(found, quantity) - difference)
        size = np.abs(difference).max(axis=-1, keepdims=True)
        # at a limit (least load, most slip of a front wheel) a difference straddles the corner: of few samples
        assert np.quantile(error / (size + 1e-6), 0.98, axis=-1).max() < 2e-6


@pytest.mark.parametrize(
    "name", ["log_mass", "log_cg_height", "log_load_transfer", "cross_weight", "log_downforce", "lat_bias", "long_bias"]
)
@pytest.mark.parametrize("car, first", [(STIFF_FRONT, 0), (STIFF_REAR, 1)])
def test_slopes_hold_where_wheels_are_off_the_road(name, car, first):
    state, value, inputs = driven(car=car)
    found = Derivatives(state, value, inputs, car)
    assert (found._lifted[first] != 0).mean() > 0.1 and min((axle != 0).mean() for axle in found._lifted) > 0.05
    up, down = (equations(state, value | {name: value[name] + h}, inputs, car) for h in (STEP, -STEP))
    for quantity in ("residual", "input_torque_Nm", "torque_difference_Nm"):
        difference = (getattr(up, quantity) - getattr(down, quantity)) / (2 * STEP)
        error = np.abs(getattr(found.by(name), quantity) - difference)
        size = np.abs(difference).max(axis=-1, keepdims=True)
        assert np.quantile(error / (size + 1e-6), 0.98, axis=-1).max() < 2e-6


def test_every_parameter_has_its_slope_worked_out():
    assert set(MOVES) == set(NAMES)


def test_one_that_is_not_listed_is_had_by_a_difference(monkeypatch):
    state, value, inputs = driven(count=50)
    listed = Derivatives(state, value, inputs, CAR).by("log_friction")
    monkeypatch.delitem(MOVES, "log_friction")
    found = Derivatives(state, value, inputs, CAR).by("log_friction")
    np.testing.assert_allclose(found.residual, listed.residual, rtol=1e-2, atol=1e-2 * np.abs(listed.residual).max())


def test_nothing_is_a_zero():
    three = np.full(3, 3.0)
    assert all(x is NOTHING for x in (NOTHING * three, three * NOTHING, NOTHING / three, -NOTHING, NOTHING + NOTHING))
    for sum_ in (NOTHING + three, three + NOTHING, three - NOTHING, -(NOTHING - three)):
        np.testing.assert_array_equal(sum_, three)


def test_the_state_is_the_minimum_also_at_the_limit_of_side_slip():
    """A car that slides wide: with the side slip at its limit the speed still has to balance."""
    # faster cars are off by 28 deviations along: the slopes leave out what speed adds to the loads, 0.015 m/s then
    inputs = made_inputs(speed=np.linspace(12, 20, 40), lat=11.0, left_slip=-0.1, right_slip=-0.1)
    inputs = replace(inputs, lat_m_s2=np.full(40, 15.0))
    value = starts(CAR)
    found = solve(value, inputs, CAR, iterations=30)
    assert (np.abs(found.state[1]) == LARGEST_SIDE_SLIP).all()
    cost = (found.at.residual**2).sum(axis=0)
    for by in (-0.02, 0.02):
        beside = equations(found.state + np.array([[by], [0.0]]), value, inputs, CAR)
        assert ((beside.residual**2).sum(axis=0) > cost).all()


def test_where_it_starts_does_not_matter():
    """From rolling freely and from a state that is far off, up to the tyres' peak."""
    inputs = made_inputs(
        speed=np.linspace(12, 40, 200), lat=np.linspace(-11.5, 11.5, 200), long=np.tile([0.0, 2.0, -1.0, 1.0], 50),
        left_slip=np.tile([0.0, 0.01, 0.03, 0.06, 0.1], 40), right_slip=np.tile([0.02, 0.05, 0.005, -0.01], 50),
    )  # fmt: skip
    value = starts(CAR)
    begin = rolling_freely(value, inputs, CAR)
    found = solve(value, inputs, CAR, iterations=40)
    other = solve(value, inputs, CAR, start=begin + np.array([[0.3], [0.02]]), iterations=40)
    np.testing.assert_allclose(found.state, other.state, atol=2e-3)
