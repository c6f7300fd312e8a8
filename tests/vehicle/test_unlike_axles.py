"""A car whose axles are unlike: a radius or a track taken from the wrong axle shows. By statics (derived).

The other tests' cars have nearly the same radii and tracks front and rear, as most cars do, and 26 breaks of this
kind went unnoticed on them.
"""

import numpy as np
import pytest
from accuracy.cases import UNLIKE
from vehicle.made_axle import made_inputs, starts

from analyzer.signals.kinematics import front_axle_m_s, surface_speeds_m_s
from analyzer.vehicle.axle import equations
from analyzer.vehicle.axle_inputs import given_by
from analyzer.vehicle.tyres import wheel_loads

CAR = UNLIKE.model_copy(update=dict(drag_area_m2=0.0, rolling_resistance=0.0))
START = starts(CAR)
SPEED = 20.0


def at_rest_slip(inputs):
    """Equations where the wheels roll without side slip at the speed of the axle's middle."""
    return equations(np.array([np.full(len(inputs), SPEED), np.zeros(len(inputs))]), START, inputs, CAR)


def test_the_axles_are_unlike_by_fifteen_per_cent():
    assert CAR.rear_rolling_radius_m / CAR.front_rolling_radius_m > 1.15
    assert CAR.rear_track_m / CAR.front_track_m > 1.15


def test_torques_are_forces_times_the_radius_of_the_wheels_that_are_driven():
    inputs = made_inputs(speed=SPEED, lat=3.0, long=1.5, left_slip=0.02, right_slip=0.005, track=CAR.rear_track_m)
    at = at_rest_slip(inputs)
    left, right = at.long_force_N
    radius = CAR.rear_rolling_radius_m
    assert at.torque_difference_Nm == pytest.approx(radius * (left - right))
    # the steer is zero: no side force acts along the car
    fronts = 2 * CAR.wheel_inertia_kg_m2 / CAR.front_rolling_radius_m**2
    assert at.input_torque_Nm == pytest.approx(radius * (CAR.mass_kg + fronts) * 1.5)


def test_the_engine_pays_for_the_spin_up_of_all_four_wheels():
    """T = R_r (m a + 2 I a / R_f^2) + 2 I a / R_r: the front pair through the road, the rear pair at the shafts."""
    gain, inertia = 4.0, CAR.wheel_inertia_kg_m2
    at = at_rest_slip(made_inputs(speed=SPEED, long=gain, left_acc=gain, right_acc=gain, track=CAR.rear_track_m))
    front, rear = CAR.front_rolling_radius_m, CAR.rear_rolling_radius_m
    wanted = rear * (CAR.mass_kg * gain + 2 * inertia * gain / front**2) + 2 * inertia * gain / rear
    assert at.input_torque_Nm == pytest.approx(wanted, rel=1e-9)
    assert wanted > 1.03 * rear * CAR.mass_kg * gain  # the terms are no trifle


def test_wheels_that_roll_on_their_own_circles_do_not_slip():
    """In a turn each rear wheel runs at u -+ r t_r / 2, with the rear track."""
    lateral = 6.0
    yaw, half = lateral / SPEED, CAR.rear_track_m / 2
    inputs = made_inputs(speed=SPEED, lat=lateral, track=CAR.rear_track_m)
    assert inputs.left_m_s == pytest.approx(SPEED - yaw * half)
    assert at_rest_slip(inputs).slip == pytest.approx(np.zeros((2, 1)), abs=1e-12)


def test_unlike_drive_forces_turn_the_car_by_half_the_rear_track():
    """Moments about the front axle: F_y,rear L = m a_y a - (F_l - F_r) t_r / 2 in steady turning."""
    pushed = made_inputs(speed=SPEED, lat=3.0, left_slip=0.03, right_slip=-0.01, track=CAR.rear_track_m)
    at = at_rest_slip(pushed)
    left, right = at.long_force_N[:, 0]
    demand = (CAR.mass_kg * 3.0 * CAR.cg_to_front_m - (left - right) * CAR.rear_track_m / 2) / CAR.wheelbase_m
    loads = at.load_N.sum()
    friction = START["log_friction"] + START["log_friction_ratio"]
    assert at.lateral_demand[0] * np.exp(friction) * loads == pytest.approx(abs(demand), rel=1e-9)
    wrong = (CAR.mass_kg * 3.0 * CAR.cg_to_front_m - (left - right) * CAR.front_track_m / 2) / CAR.wheelbase_m
    assert abs(wrong / demand - 1) > 0.04


def test_a_car_that_turns_in_leans_on_its_front_axle_and_relieves_its_rear_one():
    """Moments about the other axle each: F_yf L = m a_y b + I_z dr/dt, F_yr L = m a_y a - I_z dr/dt."""
    given = given_by(START, made_inputs(speed=SPEED, lat=3.0, yaw_acc=1.2, track=CAR.rear_track_m), CAR)
    turn = CAR.yaw_inertia * 1.2
    assert given.front_lateral_N * CAR.wheelbase_m == pytest.approx(CAR.mass_kg * 3.0 * CAR.cg_to_rear_m + turn)
    assert given.turning_Nm == pytest.approx(CAR.mass_kg * 3.0 * CAR.cg_to_front_m - turn)


def test_each_axle_transfers_load_over_its_own_track():
    """Moments about the car's length: (outer - inner) t / 2 of both axles is m a_y h, shared by moment."""
    fl, fr, rl, rr = wheel_loads(
        long_m_s2=np.zeros(1), lat_m_s2=np.array([5.0]), downforce_N=np.zeros(1), **CAR.load_figures
    )
    front, rear = (fr - fl) * CAR.front_track_m / 2, (rr - rl) * CAR.rear_track_m / 2
    assert front + rear == pytest.approx(CAR.mass_kg * 5.0 * CAR.cg_height_m)
    assert rear / (front + rear) == pytest.approx(CAR.rear_load_transfer)


def test_a_body_that_rolls_carries_its_weight_outwards():
    """Rolled by phi, the weight m g stands h phi further out: m a_y h (1 + g phi / a_y), phi growing with a_y / g."""
    rolling = CAR.model_copy(update={"roll_gradient_deg_per_g": 3.0})
    across = []
    for car in (CAR, rolling):
        fl, fr, rl, rr = wheel_loads(
            long_m_s2=np.zeros(1), lat_m_s2=np.array([5.0]), downforce_N=np.zeros(1), **car.load_figures
        )
        across.append((fr - fl) * car.front_track_m / 2 + (rr - rl) * car.rear_track_m / 2)
    assert across[1] == pytest.approx(across[0] * (1 + np.radians(3.0)))


def test_rotation_becomes_surface_speed_by_each_wheels_own_radius():
    channels = {f"wheel_speed_{corner}": np.full(3, 10.0 + i) for i, corner in enumerate(("fl", "fr", "rl", "rr"))}
    front, rear = CAR.front_rolling_radius_m, CAR.rear_rolling_radius_m
    wanted = [10.0 * front, 11.0 * front, 12.0 * rear, 13.0 * rear]
    assert surface_speeds_m_s(channels, "rad/s", CAR)[0] == pytest.approx(wanted)
    assert surface_speeds_m_s(channels, "m/s", CAR)[0] == pytest.approx([10.0, 11.0, 12.0, 13.0])


def test_a_standing_front_wheel_is_made_up_for_by_the_front_track():
    """The inner front wheel locks: the middle runs half the front track's turn slower than the outer wheel."""
    yaw = np.full(2, 0.5)
    outer = SPEED + 0.5 * CAR.front_track_m / 2
    middle = front_axle_m_s(np.array([[0.0, outer]] * 2), {"yaw_rate": yaw}, CAR)
    assert middle == pytest.approx([SPEED, SPEED])
