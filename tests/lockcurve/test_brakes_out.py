"""Brakes leave the axle's balance at the front share, and push the demand on the driven axle down, not up."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import cumulative_trapezoid
from vehicle.made_axle import made_car, made_inputs, starts

from analyzer.lockcurve.session_state import braked_rows, brakes, solve_braked, without_brake_slip
from analyzer.vehicle.axle_solution import solve


def test_brake_force_beyond_coasting_is_shared_front_and_rear():
    # derived: 1500 N.m of braking through 0.3 m beyond 200 N.m of coasting; 62 % of it at the front
    car = made_car(front_brake_fraction=0.62, rear_rolling_radius_m=0.30)
    front, rear = brakes(np.array([-1700.0, 100.0, -1700.0]), np.array([-200.0, -200.0, np.nan]), car)
    assert front == pytest.approx([0.62 * 1500 / 0.30, 0.0, 0.0])
    assert rear == pytest.approx([0.38 * 1500, 0.0, 0.0])


def test_what_brakes_and_plates_did_is_found_again_from_the_motion_alone():
    # a trail-braked left corner made backwards: from the brake force to the deceleration that goes with it
    car = made_car(front_brake_fraction=0.62)
    value, coast, radius = starts(car), -150.0, car.rear_rolling_radius_m
    braking = 1800.0  # N.m of all four brakes
    made = made_inputs(lat=[7.0], left_slip=[-0.035], right_slip=[-0.02], long=[-6.0])
    made = replace(made, front_brake_N=np.array([0.62 * braking / radius]))
    for _ in range(10):
        there = solve(value, made, car, iterations=40)
        short = coast - 0.38 * braking - there.at.input_torque_Nm
        made = replace(made, long_m_s2=made.long_m_s2 + short / radius / car.mass_kg)
    assert short == pytest.approx([0.0], abs=0.01)
    found = solve_braked(value, replace(made, front_brake_N=np.zeros(1)), np.array([coast]), car)
    assert found.front_N == pytest.approx(made.front_brake_N, rel=1e-3)
    assert found.rear_Nm == pytest.approx([0.38 * braking], rel=1e-3)
    assert found.solution.at.torque_difference_Nm == pytest.approx(there.at.torque_difference_Nm, abs=1.0)
    assert abs(found.solution.at.torque_difference_Nm[0]) > 50


def test_ground_speed_and_deceleration_of_braked_front_wheels():
    # the slip worked out forwards, wheel by wheel: half of 62 % of 1180 kg times the deceleration beyond coasting,
    # over 24 times the wheel's load, with m a h / L moved to the front axle
    car = made_car(front_brake_fraction=0.62)
    value, rate = starts(car, log_slip_stiffness=np.log(24.0)), 20.0
    time = np.arange(0, 8, 1 / rate)
    coast_m_s2, height = -0.5, car.cg_height_m / car.wheelbase_m
    braking = 7.0 * np.clip(np.minimum((time - 1) / 0.4, (5 - time) / 0.4), 0, 1)
    decelerating = coast_m_s2 - braking
    ground = 60 + cumulative_trapezoid(decelerating, time, initial=0)
    load = car.mass_kg * (9.80665 * car.front_weight_fraction - decelerating * height) / 2
    wheel = ground * (1 - 0.62 * car.mass_kg * braking / 2 / (24.0 * load))
    apparent = np.gradient(wheel, time)
    inputs = made_inputs(speed=wheel, long=apparent)
    braked = (time > 0.8) & (time < 5.4)
    coast = np.full(len(time), car.mass_kg * coast_m_s2 * car.front_rolling_radius_m)
    mended = without_brake_slip(value, inputs, braked, coast, car, rate_hz=rate)
    assert apparent[time > 4.5].max() > 1.0  # let go, the wheels gain speed while the car slows down
    full = (time > 2) & (time < 4.4)
    assert (ground - wheel)[full].min() > 0.6
    assert np.abs(mended.front_m_s - ground)[full].max() < 0.1
    assert mended.long_m_s2[full] == pytest.approx(-7.5, abs=0.3)
    assert mended.long_m_s2[time > 4.4].max() < -0.2
    assert (mended.front_m_s[~braked] == inputs.front_m_s[~braked]).all()
    assert (mended.long_m_s2[~braked] == inputs.long_m_s2[~braked]).all()


def test_a_release_ends_where_the_throttle_opens_but_not_a_left_foot_that_brakes_over_it():
    signals = SimpleNamespace(
        braking=np.array([True, True, True, True, False]),
        throttle=np.array([0.0, 0.05, 0.2, 0.2, 0.2]),
        long_m_s2=np.array([-8.0, 1.0, 1.0, -8.0, -8.0]),
    )
    held = braked_rows(SimpleNamespace(index=np.arange(5)), signals)
    assert held.tolist() == [True, True, False, True, False]
