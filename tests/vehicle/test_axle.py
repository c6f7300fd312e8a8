"""The axle equations against statics, the linear split, published understeer, the forward direction and differences."""

from dataclasses import replace

import numpy as np
import pytest
from vehicle.made_axle import made_car, made_inputs, starts

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.axle import LAT_FORCE_SD_SHARE, equations
from analyzer.vehicle.axle_inputs import CHANGE_SD_SHARE, LONG_FORCE_SD_SHARE, accelerations, given_by
from analyzer.vehicle.axle_solution import SIDE_SLIP_SCALE, solve
from analyzer.vehicle.rolling_radius import radius_shrink
from analyzer.vehicle.tyres import wheel_loads

LINEAR = dict(friction_fall=0.0, stiffness_fall=0.0, log_friction=np.log(50.0), shape=1.4)


def test_small_slip_split_is_the_closed_form():
    # derived: F = c kappa F_z on both wheels, so with P, Q the sum and difference of the loads, dk that of the slips,
    # F_l - F_r = (Q/P) (F_l + F_r) + 2 c dk F_zl F_zr / P
    car = made_car()
    value = starts(car, **LINEAR)
    lat = np.array([-1.5, -0.5, 0.0, 0.8, 2.0])  # small, as slips are, so that squares of both stay under a per cent
    left_slip, right_slip = np.array([2, 8, 4, 6, 3]) * 1e-4, np.array([5, 1, 4, 2, 9]) * 1e-4
    inputs = made_inputs(lat=lat, long=0.1, left_slip=left_slip, right_slip=right_slip)
    found = solve(value, inputs, car)
    at, u = found.at, found.state[0]
    load_l, load_r = at.load_N
    dk = (inputs.left_m_s - inputs.right_m_s + inputs.yaw_rad_s * car.rear_track_m) / u
    stiffness = np.exp(value["log_slip_stiffness"])
    total = at.long_force_N.sum(axis=0)
    expected = ((load_l - load_r) * total + 2 * stiffness * dk * load_l * load_r) / (load_l + load_r)
    got = at.long_force_N[0] - at.long_force_N[1]
    assert got == pytest.approx(expected, rel=0.01, abs=0.5)
    assert np.abs(expected).max() > 30  # something is being compared


def test_the_solved_forces_balance_the_car():
    # derived: (m + 2 I/R2) a_x along, m a_y a / L across (steady), within what the weights of the three equations allow
    car = made_car()
    value = starts(car)
    inputs = made_inputs(lat=[2.0, 5.0, 8.0], long=1.5, left_slip=0.02, right_slip=0.015, front_sd=5.0)
    at = solve(value, inputs, car).at
    pushed = 1.5 * (1180 + 2 * 1.1 / 0.312**2)  # the front wheels gain speed too
    assert at.long_force_N.sum(axis=0) == pytest.approx(pushed, rel=0.02)
    assert at.input_torque_Nm == pytest.approx(0.312 * pushed, rel=1e-6)
    assert (at.lateral_demand > 0).all() and (np.diff(at.lateral_demand) > 0).all()


def test_lateral_demand_is_the_single_track_moment_balance():
    # derived: moments about the front axle: L F_yr = a m a_y - I_z dr/dt + (F_xr - F_xl) t/2
    car = made_car(yaw_inertia_kg_m2=1500)
    value = starts(car)
    inputs = made_inputs(lat=5.0, yaw_acc=0.8, left_slip=0.03, right_slip=0.01)
    state = np.array([[20.0], [0.05]])
    at = equations(state, value, inputs, car)
    left, right = at.long_force_N[:, 0]
    a = car.cg_to_front_m
    demand = (a * 1180 * 5.0 - 1500 * 0.8 + (right - left) * 1.47 / 2) / 2.42
    friction = np.exp(value["log_friction"] + value["log_friction_ratio"])
    assert at.lateral_demand[0] == pytest.approx(demand / (friction * at.load_N.sum()), rel=1e-9)


@pytest.mark.parametrize("front_kN_per_rad, understeer_rad, speed_m_s", [(38.92, 0.016, 41.5), (47.82, -0.0097, 53.1)])
def test_rear_side_slip_gives_the_published_understeer(front_kN_per_rad, understeer_rad, speed_m_s):
    # [WONG] example 5.1 (recalled): 20.105 kN, 2.8 m, 53.5/46.5 %, rear 38.25 kN/rad per tyre:
    # delta = L/R + K a_y/g; front slip angle = W_f a_y/g / (2 C_f), rear slip angle is what the axle solves for;
    # characteristic or critical speed sqrt(g L / |K|)
    weight, front_share, lateral_g = 20105.0, 0.535, 0.1
    car = made_car(
        mass_kg=weight / STANDARD_GRAVITY_M_S2, wheelbase_m=2.8, front_weight_fraction=front_share, cg_height_m=0.5
    )
    cornering = 2 * 38250.0 / (weight * (1 - front_share))
    value = starts(car, **LINEAR)
    value["log_cornering_ratio"] = np.log(cornering) - value["log_slip_stiffness"]
    found = solve(value, made_inputs(lat=lateral_g * STANDARD_GRAVITY_M_S2, speed=25.0), car)
    rear_angle = np.arctan(found.state[1, 0])
    front_angle = weight * front_share * lateral_g / (2000 * front_kN_per_rad)
    understeer = (front_angle - rear_angle) / lateral_g
    assert understeer == pytest.approx(understeer_rad, abs=0.0006)
    assert np.sqrt(STANDARD_GRAVITY_M_S2 * 2.8 / abs(understeer)) == pytest.approx(speed_m_s, rel=0.03)


def test_side_slip_prior_is_weak():
    """The solver leans to zero side slip; that must cost less than a hundredth of the slip at 0.5 g."""
    car = made_car()
    value = starts(car)
    found = solve(value, made_inputs(lat=5.0, left_slip=0.01, right_slip=0.01), car)
    lateral = found.at.residual[1]
    assert np.abs(lateral) < 0.5 and 0.01 < found.state[1, 0] < SIDE_SLIP_SCALE


@pytest.mark.parametrize("faster", ["left", "right"])
def test_torque_goes_from_the_faster_to_the_slower_wheel_on_equal_loads(faster):
    # on a straight with equal loads, the wheel that slips more drives more
    car = made_car()
    slips = dict(left_slip=0.03, right_slip=0.01) if faster == "left" else dict(left_slip=0.01, right_slip=0.03)
    at = solve(starts(car), made_inputs(long=2.0, **slips), car).at
    assert np.sign(at.torque_difference_Nm[0]) == (1 if faster == "left" else -1)


def test_locked_axle_in_a_left_turn_resists_the_turn():
    # wheels at one speed: the inside (left) wheel is driven, the outside dragged: T_left > T_right
    car = made_car()
    lat, speed = 4.0, 15.0
    inputs = made_inputs(lat=lat, speed=speed, long=0.0)
    one = np.full(1, speed)
    locked = type(inputs)(**{**inputs.__dict__, "left_m_s": one, "right_m_s": one.copy()})
    at = solve(starts(car), locked, car).at
    assert at.torque_difference_Nm[0] > 100


def test_wheel_inertia_enters_torques_but_not_forces():
    # derived: T = R F_x + I dw/dt on each rear wheel, whatever the car does: a rear wheel that spins up takes no front
    # wheel with it
    car = made_car()
    value = starts(car)
    state = np.array([[20.0], [0.0]])
    still = equations(state, value, made_inputs(left_slip=0.01, right_slip=0.01), car)
    spun = equations(state, value, made_inputs(left_slip=0.01, right_slip=0.01, left_acc=3.0, right_acc=1.0), car)
    assert spun.long_force_N == pytest.approx(still.long_force_N)
    assert spun.torque_difference_Nm - still.torque_difference_Nm == pytest.approx(1.1 * (3.0 - 1.0) / 0.312)
    assert spun.input_torque_Nm - still.input_torque_Nm == pytest.approx(1.1 * (3.0 + 1.0) / 0.312)


def test_front_wheels_are_spun_up_with_the_car():
    # derived: each pushes back with I a/R2 as the car gains speed
    car = made_car()
    state = np.array([[20.0], [0.0]])
    steady, gaining = (equations(state, starts(car), made_inputs(long=a), car).input_torque_Nm[0] for a in (0.0, 2.0))
    assert gaining - steady == pytest.approx(0.312 * 2.0 * (1180 + 2 * 1.1 / 0.312**2))


def test_drag_and_rolling_resistance_are_paid_for_by_the_axle():
    # derived: 1/2 rho v2 CdA with rho 1.2, rolling resistance of the whole car
    car = made_car(drag_area_m2=0.6, rolling_resistance=0.012)
    at = equations(np.array([[30.0], [0.0]]), starts(car), made_inputs(speed=30.0), car)
    expected = 0.5 * 1.2 * 900 * 0.6 + 0.012 * 1180 * STANDARD_GRAVITY_M_S2
    assert at.input_torque_Nm[0] == pytest.approx(0.312 * expected, rel=1e-9)


def test_mirrored_corner_mirrors_the_answer():
    car = made_car(rolling_resistance=0.012, drag_area_m2=0.6)
    value = starts(car)
    shared = dict(long=1.0, speed=18.0)
    left = solve(value, made_inputs(lat=6.0, steer=0.08, left_slip=0.05, right_slip=0.02, yaw_acc=0.3, **shared), car)
    right = solve(
        value, made_inputs(lat=-6.0, steer=-0.08, left_slip=0.02, right_slip=0.05, yaw_acc=-0.3, **shared), car
    )
    assert right.state[1] == pytest.approx(-left.state[1])
    assert right.at.torque_difference_Nm == pytest.approx(-left.at.torque_difference_Nm)
    assert right.at.input_torque_Nm == pytest.approx(left.at.input_torque_Nm)


def test_slopes_against_the_state_are_derivatives():
    # without drag and downforce, whose slope against u the solver leaves out on purpose
    car = made_car()
    rng = np.random.default_rng(4)
    n = 60
    inputs = made_inputs(
        speed=rng.uniform(10, 30, n), lat=rng.uniform(-8, 8, n), left_slip=rng.uniform(-0.03, 0.1, n),
        right_slip=rng.uniform(-0.03, 0.1, n), steer=rng.uniform(-0.1, 0.1, n),
    )  # fmt: skip
    value = starts(car, rear_front_growth=0.0)
    state = np.array([inputs.front_m_s * rng.uniform(0.99, 1.01, n), rng.uniform(-0.1, 0.1, n)])
    here = equations(state, value, inputs, car)
    for row, step in ((0, 1e-5), (1, 1e-7)):
        move = np.zeros((2, 1))
        move[row] = step
        ahead, behind = equations(state + move, value, inputs, car), equations(state - move, value, inputs, car)
        for name, slope in (
            ("residual", here.slope[row]),
            ("input_torque_Nm", here.input_slope[row]),
            ("torque_difference_Nm", here.difference_slope[row]),
        ):
            numeric = (getattr(ahead, name) - getattr(behind, name)) / (2 * step)
            assert slope == pytest.approx(numeric, rel=2e-3, abs=2e-3 * np.abs(numeric).max() + 1e-6), name
    # a wheel faster by dk/2 and the other slower by dk/2, state held
    dk = 1e-6
    faster = type(inputs)(
        **{
            **inputs.__dict__,
            "left_m_s": inputs.left_m_s + dk / 2 * (state[0] - inputs.yaw_rad_s * 1.47 / 2),
            "right_m_s": inputs.right_m_s - dk / 2 * (state[0] + inputs.yaw_rad_s * 1.47 / 2),
        }
    )
    numeric = (equations(state, value, faster, car).torque_difference_Nm - here.torque_difference_Nm) / dk
    assert here.difference_per_slip == pytest.approx(numeric, rel=1e-3, abs=1.0)


def test_solution_is_a_minimum_and_state_shift_is_its_derivative():
    car = made_car()
    value = starts(car)
    inputs = made_inputs(lat=[3.0, 6.0, -5.0], long=1.0, left_slip=[0.02, 0.06, 0.01], right_slip=[0.01, 0.02, 0.04])
    found = solve(value, inputs, car, iterations=40)

    def cost(state):
        return (equations(state, value, inputs, car).residual ** 2).sum(axis=0) + (state[1] / SIDE_SLIP_SCALE) ** 2

    best = cost(found.state)
    for move in ([[0.01], [0.0]], [[-0.01], [0.0]], [[0.0], [0.001]], [[0.0], [-0.001]]):
        assert (cost(found.state + np.array(move)) >= best - 1e-6).all()
    # how the state answers to a stiffer tyre, Gauss-Newton against solving again: below the peak, where it is close
    inputs = made_inputs(lat=[3.0, 6.0, -5.0], long=1.0, left_slip=[0.01, 0.02, 0.00], right_slip=[0.005, 0.00, 0.015])
    found = solve(value, inputs, car, iterations=40)
    step = 1e-3
    stiffer = value | {"log_slip_stiffness": value["log_slip_stiffness"] + step}
    change = (equations(found.state, stiffer, inputs, car).residual - found.at.residual) / step
    shift = found.state_shift((found.at.slope * change).sum(axis=1))
    again = solve(stiffer, inputs, car, start=found.state, iterations=40)
    assert shift == pytest.approx((again.state - found.state) / step, rel=0.1, abs=0.02)


@pytest.mark.parametrize("lat, share_of_stiffness", [(0.0, 1.0), (9.0, None)])
def test_front_wheels_slip_back_by_what_drags_them(lat, share_of_stiffness):
    # derived: each rolls against c_rr F_z and is spun up by I a/R2, so its slip is -(c_rr + I a/(R2 F_z))/C; near the
    # limit the curve is flatter and the same drag costs more slip
    car = made_car(rolling_resistance=0.03)
    value = starts(car)
    acc = 3.0
    inputs = made_inputs(lat=lat, long=acc, left_acc=acc, right_acc=acc)
    at = equations(np.array([[20.0], [0.0]]), value, inputs, car)
    load = 1180 * (STANDARD_GRAVITY_M_S2 * 0.45 - acc * car.cg_height_m / car.wheelbase_m) / 2
    straight = -(0.03 + 1.1 * acc / 0.312**2 / load) / np.exp(value["log_slip_stiffness"])
    slip = at.residual[2, 0] * 0.05 / 20.0  # the front wheels of the made log turn at the car's speed
    if share_of_stiffness:
        assert slip == pytest.approx(straight, rel=1e-3)
    else:
        assert slip < 1.3 * straight


def test_front_brakes_are_taken_out_of_the_axles_force():
    car = made_car()
    inputs = made_inputs(long=-5.0)
    braked = type(inputs)(**{**inputs.__dict__, "front_brake_N": np.array([4000.0])})
    state = np.array([[20.0], [0.0]])
    free, less = (equations(state, starts(car), i, car).input_torque_Nm[0] for i in (inputs, braked))
    assert free == pytest.approx(-0.312 * 5.0 * (1180 + 2 * 1.1 / 0.312**2)) and less - free == pytest.approx(
        0.312 * 4000
    )


def test_rolling_resistance_of_the_heavier_wheel_takes_more_torque():
    # derived: T = R (F_x + c_rr F_z) on each wheel, so the loads' difference shows in the torques'
    car = made_car(rolling_resistance=0.02)
    at = equations(np.array([[20.0], [0.05]]), starts(car), made_inputs(lat=6.0, left_slip=0.01, right_slip=0.01), car)
    (left, right), (load_l, load_r) = at.long_force_N[:, 0], at.load_N[:, 0]
    assert at.torque_difference_Nm[0] == pytest.approx(0.312 * (left - right + 0.02 * (load_l - load_r)), rel=1e-9)
    assert 0.312 * 0.02 * abs(load_l - load_r) > 10


def test_a_slide_brakes_by_what_the_speed_does_not_show():
    # derived: a steady circle at constant speed has a_x = du/dt - r v_y with v_y = r b - s u at the centre of mass, so
    # an accelerometer reads r (s u - r b) where the wheel speeds show no change at all
    car = made_car()
    value = starts(car)
    u, lat, s = 20.0, 8.0, 0.06
    state, yaw = np.array([[u], [s]]), lat / u
    turning = dict(lat=lat, left_slip=0.01, right_slip=0.01)
    unseen = yaw * (s * u - yaw * car.cg_to_rear_m)
    read = equations(state, value, made_inputs(long=unseen, **turning), car)
    worked_out = equations(state, value, replace(made_inputs(**turning), long_from_speed=np.ones(1)), car)
    # what an accelerometer reads is taken to spin up the front wheels, too: 2 % of what it reads
    fronts = 2 * 1.1 * unseen / 0.312
    assert worked_out.input_torque_Nm == pytest.approx(read.input_torque_Nm - fronts, rel=1e-9)
    # 7 N along, 0.01 % of slip in front, each in its own deviations
    own = np.array([[CHANGE_SD_SHARE / LONG_FORCE_SD_SHARE], [1.0], [1.0], [1.0]])
    assert worked_out.residual * own == pytest.approx(read.residual, abs=0.15)
    without = equations(state, value, made_inputs(**turning), car)  # 0.3 m/s2 less, some 100 N.m at the wheels
    assert worked_out.input_torque_Nm - without.input_torque_Nm == pytest.approx(0.312 * 1180 * unseen, rel=0.01)
    assert 0.312 * 1180 * unseen > 80


def test_a_satellites_speed_is_that_of_the_centre_of_gravity():
    # derived: with u at the rear axle's middle and tan(alpha) = s there, v_y = r b - s u at the centre of gravity, and
    # satellites see (u^2 + v_y^2)^1/2 whatever the front wheels' steer and slip; the scale is the rear wheels' own
    car = made_car(rolling_resistance=0.02)
    u, s, lat, scale = 15.0, 0.05, 8.0, 0.004
    sideways = lat / u * car.cg_to_rear_m - s * u
    seen = np.hypot(u, sideways) * np.exp(scale)
    inputs = replace(
        made_inputs(speed=u, lat=lat, steer=0.15, left_acc=3.0, right_acc=3.0),
        front_m_s=np.array([seen]),
        speed_by_satellite=np.ones(1),
    )
    at = equations(np.array([[u], [s]]), starts(car, rear_front_scale=scale), inputs, car)
    assert at.residual[2] == pytest.approx(0.0, abs=1e-9)
    wheel = equations(np.array([[u], [s]]), starts(car), replace(inputs, speed_by_satellite=np.zeros(1)), car)
    assert abs(wheel.residual[2]) * 0.05 > 0.1  # m/s; steer alone makes the front wheels 1 % faster


@pytest.mark.parametrize("by_satellite", [0.0, 1.0])
@pytest.mark.parametrize("long_from_speed", [0.0, 1.0])
def test_slopes_of_the_equations_are_their_differences(long_from_speed, by_satellite):
    car = made_car()
    value = starts(car, radius_fall=0.001)
    inputs = replace(
        made_inputs(lat=[3.0, 8.0], left_slip=0.02, right_slip=0.01, steer=0.05),
        long_from_speed=np.full(2, long_from_speed),
        speed_by_satellite=np.full(2, by_satellite),
    )
    state, step = np.array([[20.0, 20.5], [0.02, 0.06]]), 1e-6
    at = equations(state, value, inputs, car)
    for i in range(2):
        moved = state.copy()
        moved[i] += step
        there = equations(moved, value, inputs, car)
        # loads are taken as given while a state is sought; what they change is small beside the forces' own slopes
        spare = 0.5 if long_from_speed == 0 else 6.0
        assert at.slope[i] == pytest.approx((there.residual - at.residual) / step, rel=0.03, abs=spare)
        changed = (there.input_torque_Nm - at.input_torque_Nm) / step
        assert at.input_slope[i] == pytest.approx(changed, rel=0.03, abs=0.5)


def test_a_radius_that_falls_with_load_makes_the_loaded_wheel_roll_faster():
    # derived: at equal forces a wheel that carries d mean static loads (a quarter of the weight) more than at rest
    # turns 1 + f d times as fast; from a published tyre set f is about 0.001 (tests/external)
    car = made_car()
    inputs = made_inputs(lat=6.0, left_slip=0.01, right_slip=0.01)
    state = np.array([[20.0], [0.04]])
    plain = equations(state, starts(car), inputs, car)
    fall = 0.001
    falling = equations(state, starts(car, radius_fall=fall), inputs, car)
    weight = 1180 * STANDARD_GRAVITY_M_S2
    expected = -(1 + plain.slip) * fall * (plain.load_N - weight * 0.55 / 2) / (weight / 4)
    assert falling.slip - plain.slip == pytest.approx(expected, rel=1e-6)
    assert falling.slip[0] > plain.slip[0] and falling.slip[1] < plain.slip[1]  # left turn: the left wheel is light


def test_a_bent_fall_is_the_published_form_of_the_effective_rolling_radius():
    # Pacejka, Tyre and Vehicle Dynamics, 4.3.6 (form and common figures from memory): R_e = R_0 - (F_z0/C_z)
    # (D atan(B f) + F f), B 8, D 0.24, F 0.01, here with C_z 220 N/mm, F_z0 3000 N, R_0 0.31 m
    car, load_N, stiffness_N_m, free_m = made_car(), np.array([150.0, 750.0, 1500.0, 3000.0, 5250.0]), 220e3, 0.31
    share = load_N / 3000.0
    radius = free_m - 3000.0 / stiffness_N_m * (0.24 * np.arctan(8 * share) + 0.01 * share)
    at_rest = radius[3]
    fall = (radius[1] - radius[4]) / at_rest / 1.5
    given = replace(
        given_by(starts(car, radius_fall=fall, radius_bend=fall), made_inputs(), car),
        mean_load_N=3000.0,
    )
    assert radius_shrink(load_N, 3000.0, **given.radius) == pytest.approx(1 - radius / at_rest, abs=1e-9)
    straight = replace(given, radius_bend=0.0)
    assert radius_shrink(load_N, 3000.0, **straight.radius) == pytest.approx(fall * (share - 1), abs=1e-12)
    assert 0.002 < fall < 0.0055  # what the project's brief gives of published tyre files


def test_each_front_wheel_counts_by_its_share():
    # derived: a wheel's slip is -(c_rr + I a/(R2 F_z))/C' + fall (F_z - F_z0)/(m g/4), C' alike on both sides: the
    # light one is slowed more by being spun up, the heavy one's radius is smaller; slip is a share of the speed of the
    # ground under that wheel, u -+ r t_f/2
    car = made_car(rolling_resistance=0.02)
    acc, fall = 3.0, 0.001
    inputs = made_inputs(lat=6.0, long=acc, left_acc=acc, right_acc=acc)
    state = np.array([[20.0], [0.0]])

    def slip(left_share, **changes):
        counted = replace(inputs, front_left_share=np.array([left_share]))
        return equations(state, starts(car, **changes), counted, car).residual[2, 0] * 0.05 / 20.0

    none = np.zeros(1)
    along = np.array([acc])
    loads = wheel_loads(long_m_s2=along, lat_m_s2=np.array([6.0]), downforce_N=none, **car.load_figures)
    left, right = (float(load[0]) for load in loads[:2])
    spun = car.wheel_inertia_kg_m2 * acc / car.front_rolling_radius_m**2
    turning = 6.0 / 20.0 * car.front_track_m / 2 / 20.0
    ground = {1.0: 1 - turning, 0.0: 1 + turning}
    expected = (0.02 + spun / left) * ground[1.0] / ((0.02 + spun / right) * ground[0.0])
    assert slip(1.0) / slip(0.0) == pytest.approx(expected, rel=1e-6)
    assert slip(0.3) == pytest.approx(0.3 * slip(1.0) + 0.7 * slip(0.0), rel=1e-9)
    weight = car.mass_kg * STANDARD_GRAVITY_M_S2
    static = weight * car.front_weight_fraction / 2
    for share, load in ((1.0, left), (0.0, right)):
        more = fall * (load - static) / (weight / 4) * ground[share]
        assert slip(share, radius_fall=fall) - slip(share) == pytest.approx(more, rel=1e-6)


def test_the_radius_falls_alike_per_newton_on_all_wheels():
    # derived: a tyre has one vertical stiffness, so a newton more costs the same radius in front and at the rear; on a
    # car whose axles stand unequally, a fall per static load of each axle would not
    car = made_car(front_weight_fraction=0.40, rear_load_transfer_fraction=0.5, roll_gradient_deg_per_g=0.0)
    inputs = made_inputs(lat=6.0, left_slip=0.01, right_slip=0.01, front_difference_sd=1.0)
    state, fall = np.array([[20.0], [0.04]]), 0.003
    plain = equations(state, starts(car), inputs, car)
    falling = equations(state, starts(car, radius_fall=fall), inputs, car)
    none = np.zeros(1)
    loads = wheel_loads(long_m_s2=none, lat_m_s2=np.array([6.0]), downforce_N=none, **car.load_figures)
    front_N, rear_N = (loads[1] - loads[0]).item(), (loads[3] - loads[2]).item()
    # what the right front wheel turns faster than the left by its load, as a share of the ground's speed
    front = (falling.residual[3] - plain.residual[3]).item() / 20.0
    change = (falling.slip - plain.slip) / (1 + plain.slip)
    rear = (change[0] - change[1]).item()
    per_newton = fall / (car.mass_kg * STANDARD_GRAVITY_M_S2 / 4)
    assert front / front_N == pytest.approx(per_newton, rel=1e-6)
    assert rear / rear_N == pytest.approx(per_newton, rel=1e-6)


@pytest.mark.parametrize("yaw_scale, speed_scale, front_track", [(0.01, 0.0, 0.0), (0.0, 0.01, 0.0), (0.0, 0.0, 0.01)])
def test_the_front_wheels_difference_tells_scales_of_gyro_speed_and_track(yaw_scale, speed_scale, front_track):
    # derived: front right less left is r t_f cos(delta) as long as neither slips; r is the gyro's times its scale over
    # the wheels' scale of speed
    car = made_car()
    steer = 0.1
    inputs = made_inputs(lat=6.0, steer=steer, front_difference_sd=1.0)
    changes = dict(log_yaw_scale=yaw_scale, log_speed_scale=speed_scale, log_front_track=front_track)
    at = equations(np.array([[20.0], [0.04]]), starts(car, **changes), inputs, car)
    expected = 0.3 * np.exp(yaw_scale - speed_scale + front_track) * car.front_track_m * np.cos(steer)
    assert at.residual[3] == pytest.approx(expected, rel=1e-9)  # the made log has no difference, within 1 m/s


@pytest.mark.parametrize("yaw_acc", [0.0, 0.8])
def test_a_sensor_ahead_of_the_centre_reads_a_rigid_bodys_acceleration(yaw_acc):
    # derived: a point (x, y) of a rigid body has a_x - x r^2 - y dr/dt along and a_y + x dr/dt - y r^2 across; a sensor
    # 0.45 m ahead on a steady circle of 0.3 rad/s reads 0.04 m/s2 of braking, in a yaw step of 0.8 rad/s2 0.36 m/s2
    # more across
    car, yaw, along, across = made_car(), 0.3, 1.2, 6.0
    for x, y in ((0.45, 0.0), (0.0, 0.3), (0.45, -0.3)):
        reads = made_inputs(
            lat=across + x * yaw_acc - y * yaw**2, long=along - x * yaw**2 - y * yaw_acc, yaw_acc=yaw_acc
        )
        value = starts(car, sensor_x_m=x, sensor_y_m=y)
        got = accelerations(value, reads, np.array([yaw]))
        assert (got[0][0], got[1][0]) == pytest.approx((along, across), abs=1e-12)
    x = 0.45
    assert x * yaw**2 == pytest.approx(0.0405) and x * 0.8 == pytest.approx(0.36)


def test_what_stands_in_for_an_accelerometer_sits_at_the_centre_and_does_not_lean():
    car = made_car()
    value = starts(car, sensor_x_m=0.45, sensor_y_m=0.3, sensor_turned=0.02, lat_gain=0.03, long_gain=0.015)
    inputs = made_inputs(lat=6.0, long=1.0, yaw_acc=0.8)
    inputs = replace(inputs, long_from_speed=np.ones(1), lat_from_yaw=np.ones(1))
    along, across = accelerations(value, inputs, inputs.yaw_rad_s)
    assert (along[0], across[0]) == (1.0, 6.0)


def test_a_turned_and_leaning_sensor_is_undone_to_first_order():
    # derived: the module's forward formula put in; what is left is of the second order in gains and angle
    gain, pitch, turned, along, across = 0.03, 0.015, 0.02, 1.2, 6.0
    inputs = made_inputs(lat=(1 + gain) * across - turned * along, long=(1 + pitch) * along + turned * across)
    value = starts(made_car(), lat_gain=gain, long_gain=pitch, sensor_turned=turned)
    got = accelerations(value, inputs, inputs.yaw_rad_s)
    assert np.array(got)[:, 0] == pytest.approx([along, across], abs=2 * 0.03**2 * across)
    assert abs(inputs.lat_m_s2[0] - across) > 0.1 and abs(inputs.long_m_s2[0] - along) > 0.1


def test_variance_of_the_split_is_what_errors_of_the_equations_do_to_it():
    # Monte Carlo: force along, moment and front speed disturbed by their own standard deviations, solved anew
    car, rng = made_car(), np.random.default_rng(3)
    value, count = starts(car, log_drag=-9.0), 4000
    one = made_inputs(lat=6.0, long=1.0, left_slip=0.03, right_slip=0.012, yaw_acc=0.0)
    plain = solve(value, one, car, iterations=60)
    weight = car.mass_kg * STANDARD_GRAVITY_M_S2
    many = one.take(np.zeros(count, int))
    errors = rng.standard_normal((3, count))
    many = replace(
        many,
        front_brake_N=errors[0] * LONG_FORCE_SD_SHARE * weight,
        yaw_acc_rad_s2=errors[1] * LAT_FORCE_SD_SHARE * weight * car.wheelbase_m / car.yaw_inertia,
        front_m_s=many.front_m_s + errors[2] * many.front_sd_m_s,
    )
    spread = solve(value, many, car, start=plain.state[:, np.zeros(count, int)], iterations=60)
    assert spread.at.torque_difference_Nm.std() == pytest.approx(np.sqrt(plain.difference_variance[0]), rel=0.1)
