"""The planar car against statics, the linear single-track car and a smaller step."""

import math

import numpy as np
import pytest

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.simulation.drive import run_controls
from analyzer.simulation.plain_car import balanced, car_figures, engine_figures, wheel_loads
from analyzer.simulation.planar_car import Forces, State, lock_figures, rolling_state
from analyzer.simulation.simulated_car import LockParameters, Powertrain, SimTyre
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

OPEN = LockParameters(kind="open")


def drive_open_loop(
    *, car, tyre=None, lock=OPEN, speed, seconds, steer=0.0, throttle=0.0, brake=0.0, ratio=0.0, dt=1e-3,
    chassis=None,
):  # fmt: skip
    """States and forces as dicts of arrays; controls are numbers or functions of time. Ratio 0 is neutral."""
    tyre = tyre or SimTyre()
    figures = car_figures(car=car, tyre=tyre, chassis=chassis)
    engine, table = engine_figures(Powertrain.for_car(car))
    time = np.arange(round(seconds / dt)) * dt
    columns = [
        np.array([value(t) if callable(value) else value for t in time], float) for value in (steer, throttle, brake)
    ]
    states, forces = np.empty((len(time), len(State._fields))), np.empty((len(time), len(Forces._fields)))
    run_controls(
        rolling_state(car=figures, speed_m_s=float(speed)),
        *columns,
        float(ratio),
        figures,
        balanced(car=figures, tyre=tyre),
        engine,
        table,
        lock_figures(lock),
        dt,
        states,
        forces,
    )
    return dict(zip(State._fields, states.T, strict=True)) | dict(zip(Forces._fields, forces.T, strict=True))


def test_longitudinal_load_transfer_is_the_textbook_one():
    # [MERIAM] sample 6/1 (answers recalled): 3220 lb, centre of gravity 60 in from both axles and 24 in high, rear
    # drive, 4.84 ft/s2 up a 10 % grade: 1441 lb front, 1763 lb rear. On the slope the weight on the road is W cos and
    # what the road must push is m a + W sin; a level car of mass m cos with that push has the same loads.
    slope = math.atan(0.1)
    pound, foot, inch = 0.45359237, 0.3048, 0.0254
    car = Car(
        mass_kg=3220 * pound * math.cos(slope),
        wheelbase_m=120 * inch,
        front_weight_fraction=0.5,
        cg_height_m=24 * inch,
        front_track_m=1.5,
        rear_track_m=1.5,
        front_rolling_radius_m=0.3,
        rear_rolling_radius_m=0.3,
        steering_ratio=15,
    )
    push = (4.84 * foot + STANDARD_GRAVITY_M_S2 * math.sin(slope)) / math.cos(slope)
    loads = wheel_loads(0.0, push, 0.0, car_figures(car=car, tyre=SimTyre()))
    pounds = np.array(loads) / STANDARD_GRAVITY_M_S2 / pound
    assert pounds[:2].sum() == pytest.approx(1441, abs=1.5)
    assert pounds[2:].sum() == pytest.approx(1763, abs=1.5)


@pytest.mark.parametrize("lateral_g", [0.3, 0.9, 1.45, 2.2])
def test_wheel_loads_carry_the_weight_and_the_roll_moment(club_car, lateral_g):
    # statics: the loads sum to the weight; their moment about the centre line is m a_y h, until both inner wheels are
    # in the air (m g track / 2, at 1.58 g for this car: it would roll over)
    car = car_figures(car=club_car, tyre=SimTyre())
    ay = lateral_g * STANDARD_GRAVITY_M_S2
    loads = np.array(wheel_loads(0.0, 0.0, ay, car))
    assert loads.sum() == pytest.approx(car.mass * STANDARD_GRAVITY_M_S2)
    assert (loads >= -1e-9).all()
    moment = (loads[1] - loads[0]) * car.half_front + (loads[3] - loads[2]) * car.half_rear
    most = car.mass * STANDARD_GRAVITY_M_S2 * car.half_rear
    assert moment == pytest.approx(min(car.mass * ay * car.height, most))


def test_rear_share_of_the_load_transfer_is_the_car_files(club_car):
    car = car_figures(car=club_car, tyre=SimTyre())
    loads = wheel_loads(0.0, 0.0, 5.0, car)
    rear_moment = (loads[3] - loads[2]) * car.half_rear
    assert rear_moment / (car.mass * 5.0 * car.height) == pytest.approx(0.46)


def wong_car_and_tyre(front_kN_per_rad):
    """[WONG] example 5.1 (recalled): 20.105 kN, 2.8 m, 53.5/46.5 %, 38.25 kN/rad each rear tyre; the rest is ours."""
    weight, front_share = 20105.0, 0.535
    loads = weight * front_share / 2, weight * (1 - front_share) / 2
    front = 1000 * front_kN_per_rad / loads[0]
    car = Car(
        mass_kg=weight / STANDARD_GRAVITY_M_S2,
        wheelbase_m=2.8,
        front_weight_fraction=front_share,
        cg_height_m=0.5,
        front_track_m=1.5,
        rear_track_m=1.5,
        front_rolling_radius_m=0.33,
        rear_rolling_radius_m=0.33,
        steering_ratio=16,
        drag_area_m2=0.0,
        rolling_resistance=0.0,
    )
    tyre = SimTyre(
        cornering_stiffness_per_rad=front,
        rear_stiffness_factor=38250.0 / loads[1] / front,
        rear_friction_factor=1.0,
        cornering_peak_load=1e4,  # stiffness in proportion to load, as in the linear car
    )
    return car, tyre


@pytest.mark.parametrize("front_kN_per_rad, understeer_rad", [(38.92, 0.016), (47.82, -0.0097)])
def test_steady_cornering_has_the_published_understeer(front_kN_per_rad, understeer_rad):
    # [WONG] 5.1 (recalled): delta = L/R + K a_y/g with K 0.016 rad, and -0.0097 rad with the stiffer front tyres
    car, tyre = wong_car_and_tyre(front_kN_per_rad)
    run = drive_open_loop(car=car, tyre=tyre, speed=25.0, seconds=6.0, steer=lambda t: 0.004 * min(1.0, t))
    speed, yaw = run["vx"][-1], run["yaw_rate"][-1]
    lateral_g = speed * yaw / STANDARD_GRAVITY_M_S2
    assert 0.05 < lateral_g < 0.2  # where the tyres are linear
    assert (0.004 - 2.8 * yaw / speed) / lateral_g == pytest.approx(understeer_rad, abs=0.0004)


def test_straight_acceleration_obeys_the_reflected_inertia(club_car):
    # derived: F = T/R - drag - rolling resistance moves m + (4 J + J_case)/R2; tyre slip is left out, so 1.5 %
    ratio = 6.0
    run = drive_open_loop(car=club_car, speed=20.0, seconds=1.5, throttle=0.4, ratio=ratio)
    power, radius = Powertrain.for_car(club_car), club_car.rear_rolling_radius_m
    shaft = run["engine_torque"][-1] * ratio * power.efficiency
    drag = 0.5 * AIR_DENSITY_KG_M3 * club_car.drag_area_m2 * run["vx"][-1] ** 2
    rolling = club_car.rolling_resistance * club_car.mass_kg * STANDARD_GRAVITY_M_S2
    turning = 4 * club_car.wheel_inertia_kg_m2 + power.driveline_inertia_kg_m2 + power.engine_inertia_kg_m2 * ratio**2
    expected = (shaft / radius - drag - rolling) / (club_car.mass_kg + turning / radius**2)
    assert run["ax"][-1] == pytest.approx(expected, rel=0.015)


def test_input_torque_is_the_torque_that_both_wheels_use(club_car):
    # derived: T_in = sum over both wheels of J d(omega)/dt + R F_x + rolling resistance, at every step
    dt, radius, inertia = 1e-3, club_car.rear_rolling_radius_m, club_car.wheel_inertia_kg_m2
    lock = LockParameters(preload_Nm=60, drive_slope=0.3)
    run = drive_open_loop(
        car=club_car,
        lock=lock,
        speed=15.0,
        seconds=4.0,
        throttle=lambda t: 0.5 + 0.4 * math.sin(3 * t),
        steer=lambda t: 0.06 * math.sin(1.5 * t),
        ratio=7.0,
        dt=dt,
    )
    used = {}
    for wheel in ("rl", "rr"):
        spin = np.diff(run[f"w_{wheel}"]) / dt
        rolling = club_car.rolling_resistance * run[f"load_{wheel}"][1:] * radius
        used[wheel] = inertia * spin + radius * run[f"fx_{wheel}"][1:] + rolling
    # rolling resistance is taken over the step's two speeds, which differ by parts in a thousand
    assert used["rl"] + used["rr"] == pytest.approx(run["input_torque"][1:], abs=0.5)
    assert used["rl"] - used["rr"] == pytest.approx(run["torque_difference"][1:], abs=0.5)


def test_energy_of_a_coasting_car_goes_into_tyres_air_and_packs(club_car):
    # derived: in neutral the loss of kinetic energy is the work of drag, tyre slip, rolling and packs; all are computed
    # from the forces and slip speeds at each step, so a wrong sign anywhere shows
    dt = 2.5e-4
    lock = LockParameters(preload_Nm=150)
    run = drive_open_loop(car=club_car, lock=lock, speed=20.0, seconds=2.0, steer=lambda t: 0.05 * min(1, 2 * t), dt=dt)
    figures = car_figures(car=club_car, tyre=SimTyre())
    wheels = sum(run[f"w_{w}"] ** 2 for w in ("fl", "fr", "rl", "rr"))
    case = Powertrain.for_car(club_car).driveline_inertia_kg_m2 * (0.5 * (run["w_rl"] + run["w_rr"])) ** 2
    kinetic = 0.5 * (
        figures.mass * (run["vx"] ** 2 + run["vy"] ** 2)
        + figures.yaw_inertia * run["yaw_rate"] ** 2
        + figures.wheel_inertia * wheels
        + case
    )
    steer = 0.05 * np.minimum(1, 2 * np.arange(len(kinetic)) * dt)
    power = figures.drag * run["vx"] ** 3 + 0.5 * np.abs(run["torque_difference"] * (run["w_rl"] - run["w_rr"]))
    places = {
        "fl": (figures.front, figures.half_front, steer, figures.r_fl),
        "fr": (figures.front, -figures.half_front, steer, figures.r_fr),
        "rl": (-figures.rear, figures.half_rear, 0 * steer, figures.r_rl),
        "rr": (-figures.rear, -figures.half_rear, 0 * steer, figures.r_rr),
    }
    for wheel, (ahead, left, angle, radius) in places.items():
        u, v = run["vx"] - run["yaw_rate"] * left, run["vy"] + run["yaw_rate"] * ahead
        along, across = u * np.cos(angle) + v * np.sin(angle), v * np.cos(angle) - u * np.sin(angle)
        spin = run[f"w_{wheel}"]
        power = power + run[f"fx_{wheel}"] * (radius * spin - along) - run[f"fy_{wheel}"] * across
        power = power + figures.rolling * run[f"load_{wheel}"] * radius * spin
    lost = kinetic[0] - kinetic[-1]
    assert lost > 5000
    assert np.trapezoid(power, dx=dt) == pytest.approx(lost, rel=0.01)


def test_straight_line_has_no_difference_between_left_and_right(club_car):
    run = drive_open_loop(
        car=club_car, lock=LockParameters(), speed=15.0, seconds=3.0, throttle=lambda t: min(1, t), ratio=7.0
    )
    assert np.abs(run["torque_difference"]).max() == 0
    assert np.abs(run["w_rl"] - run["w_rr"]).max() == 0
    assert np.abs(run["yaw_rate"]).max() == 0


@pytest.mark.parametrize("lock", [OPEN, LockParameters(), LockParameters(kind="spool")])
def test_right_turn_mirrors_left_turn(club_car, lock):
    left, right = (
        drive_open_loop(
            car=club_car,
            lock=lock,
            speed=14.0,
            seconds=3.0,
            steer=lambda t, s=sign: s * 0.09 * min(1, 2 * t),
            throttle=lambda t: min(0.6, t),
            ratio=8.0,
        )
        for sign in (1, -1)
    )
    for name in ("yaw_rate", "vy", "ay"):
        assert right[name] == pytest.approx(-left[name], abs=1e-9)
    assert right["torque_difference"] == pytest.approx(-left["torque_difference"], abs=1e-6)
    assert right["w_rl"] == pytest.approx(left["w_rr"], abs=1e-9)


def test_smaller_steps_converge_at_first_order(club_car):
    """The step that sessions use is 1 ms; through stick, slip and inside-wheel spin its error must be small."""

    def torque(dt):
        run = drive_open_loop(
            car=club_car,
            lock=LockParameters(preload_Nm=40, drive_slope=0.08),
            speed=13.0,
            seconds=3.0,
            steer=lambda t: 0.1 * min(1, 2 * t),
            throttle=lambda t: min(0.7, max(0, t - 0.7)),
            ratio=8.0,
            dt=dt,
        )
        every = round(0.01 / dt)
        return run["torque_difference"][every - 1 :: every], run["yaw_rate"][every - 1 :: every]

    (fine, fine_yaw), (half, _), (session, session_yaw) = torque(1.25e-4), torque(5e-4), torque(1e-3)
    scale = np.abs(fine).max()
    assert np.sqrt(np.mean((session - fine) ** 2)) < 0.02 * scale
    assert np.abs(session_yaw - fine_yaw).max() < 0.01 * np.abs(fine_yaw).max()
    assert np.sqrt(np.mean((half - fine) ** 2)) < 0.65 * np.sqrt(np.mean((session - fine) ** 2))
