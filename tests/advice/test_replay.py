"""Limit cases of the replay, on a made-up steady corner and its mirror image. Check values are derived beside them."""

from dataclasses import replace

import numpy as np
import pytest
from made_analysis import made_car

from analyzer.advice.replay import Demand, replay, side_by_side
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle_inputs import tyre_figures
from analyzer.vehicle.parameters import priors
from analyzer.vehicle.tyres import wheel_forces

STEP_S, STEPS = 0.05, 60
CAR = made_car()
VALUE = {p.name: p.start for p in priors(CAR, sensors=Sensors(), long_bias_sd_m_s2=0.1)}
OPEN = np.zeros(5)
NEVER_SLIPS = np.array([1e7, 0, 0, 0, 0])


def corner(
    torque_Nm: float, *, inside_N: float = 1700.0, outside_N: float = 4300.0, lateral_N: float = 4500.0
) -> Demand:
    """A left turn (first pass) and its mirror image (second), steady at 20 m/s and 0.6 rad/s."""
    half = 0.6 * CAR.rear_track_m / 2
    full = lambda values: np.repeat(np.asarray(values, float)[..., None], STEPS, axis=-1)  # noqa: E731
    ground = full([[20 - half, 20 + half], [20 + half, 20 - half]])
    return Demand(
        length=np.array([STEPS, STEPS]),
        ground_m_s=ground,
        speed_m_s=full([20.0, 20.0]),
        load_N=full([[inside_N, outside_N], [outside_N, inside_N]]),
        lateral_N=full([lateral_N, -lateral_N]),
        input_torque_Nm=full([torque_Nm, torque_Nm]),
        brake_torque_Nm=full([0.0, 0.0]),
        case_acceleration_rad_s2=full([0.0, 0.0]),
        case_inertia_kg_m2=full([8.0, 8.0]),
        wheel_rad_s=ground / CAR.rear_rolling_radius_m,
        side_slip=full([0.04, -0.04]),
        tyre=tyre_figures(VALUE, CAR),
        wheel_inertia_kg_m2=1.0,
        rolling_resistance=0.012,
    )


def replayed(asked, *curves):
    return replay(asked, np.array(curves), step_s=STEP_S, car=CAR)


@pytest.mark.parametrize("torque_Nm", [-300.0, 0.0, 600.0])
def test_an_open_axle_splits_the_torque_evenly_and_balances(torque_Nm):
    asked = corner(torque_Nm)
    got = replayed(asked, OPEN)
    assert np.abs(got.torque_difference_Nm).max() == pytest.approx(0.0, abs=1e-9)
    # steady: each wheel's torque is its tyre's force and its rolling resistance
    load = asked.load_N[:, 0, -1]
    kappa = got.slip[:, 0, 0, -1]
    ground = asked.ground_m_s[:, 0, -1]
    side = _side_slip(asked, kappa)
    forces = wheel_forces(kappa=kappa, tan_alpha=side * 20.0 / ground, load_N=load, **asked.tyre)
    radius = CAR.rear_rolling_radius_m
    assert radius * (forces.longitudinal + 0.012 * load) == pytest.approx([torque_Nm / 2] * 2, abs=4.0)


def _side_slip(asked, kappa):
    """Lateral slip at which the axle gives its lateral force at these slips, by bisection."""
    low, high = 0.0, 0.25
    lever = CAR.rear_track_m / 2 / CAR.wheelbase_m
    for _ in range(60):
        side = (low + high) / 2
        ground, load = asked.ground_m_s[:, 0, -1], asked.load_N[:, 0, -1]
        forces = wheel_forces(kappa=kappa, tan_alpha=side * 20.0 / ground, load_N=load, **asked.tyre)
        given = forces.lateral.sum() + lever * (forces.longitudinal[0] - forces.longitudinal[1])
        low, high = (side, high) if given < asked.lateral_N[0, -1] else (low, side)
    return low


@pytest.mark.parametrize("torque_Nm", [-300.0, 0.0, 900.0])
def test_a_curve_without_end_turns_the_wheels_as_one(torque_Nm):
    got = replayed(corner(torque_Nm), NEVER_SLIPS)
    assert got.locked.all()
    assert got.wheel_rad_s[0] == pytest.approx(got.wheel_rad_s[1])
    # the inside wheel goes the shorter way: turning as one it has more slip, so its torque is the larger
    assert (got.torque_difference_Nm[0, 0, -20:] > 0).all()


@pytest.mark.parametrize("torque_Nm", [-400.0, 0.0, 500.0, 1000.0])
def test_a_mirrored_corner_mirrors_the_axle(torque_Nm):
    got = replayed(corner(torque_Nm), OPEN, np.array([60, 0.3, 30, 0.2, 50]), NEVER_SLIPS)
    assert got.slip[0, :, 0] == pytest.approx(got.slip[1, :, 1])
    assert got.slip[1, :, 0] == pytest.approx(got.slip[0, :, 1])
    assert got.torque_difference_Nm[:, 0] == pytest.approx(-got.torque_difference_Nm[:, 1])


@pytest.mark.parametrize("torque_Nm", [-400.0, 0.0, 500.0, 900.0, 1300.0])
def test_more_preload_never_moves_less_torque_across(torque_Nm):
    preloads = np.array([0.0, 20, 60, 120, 250, 500, 1000, 2000])
    curves = np.column_stack([preloads, *np.tile([[0.2], [40], [0.1], [60]], (1, len(preloads)))])
    got = replayed(corner(torque_Nm), *curves)
    moved = np.abs(got.torque_difference_Nm[:, 0, -1])
    assert (np.diff(moved) >= -0.5).all()
    assert got.locked[-1, 0, -1] and moved[-1] == pytest.approx(moved[-2])  # once locked, the tyres decide


def test_preload_moves_torque_across_on_a_slipping_axle():
    got = replayed(corner(300.0), np.array([20, 0.1, 0, 0.1, 0]), np.array([90, 0.1, 0, 0.1, 0]))
    assert np.diff(got.torque_difference_Nm[:, 0, -1]) == pytest.approx(70.0, abs=0.5)


def test_slipping_packs_move_what_the_curve_says_from_the_faster_to_the_slower():
    curve = np.array([50, 0.1, 40, 0.1, 60])
    got = replayed(corner(500.0), curve)
    # M = 50 + 0.1 (500 - 40), its corner rounded over 12 N.m; the inside wheel is slower and gets more
    assert not got.locked[0, 0, -1]
    assert got.torque_difference_Nm[0, 0, -1] == pytest.approx(96.0, abs=1.0)
    assert got.wheel_rad_s[0, 0, 0, -1] < got.wheel_rad_s[1, 0, 0, -1]


def test_the_axle_gives_the_lateral_force_that_is_asked_its_own_yaw_moment_counted():
    """Single-track balance at the front axle: F_y + M_z/L = asked, M_z = (F_xl - F_xr) t/2."""
    asked = corner(900.0)
    got = replayed(asked, np.array([300.0, 0, 0, 0, 0]))
    kappa = got.slip[:, 0, 0, -1]
    ground, load = asked.ground_m_s[:, 0, -1], asked.load_N[:, 0, -1]
    forces = wheel_forces(kappa=kappa, tan_alpha=_side_slip(asked, kappa) * 20.0 / ground, load_N=load, **asked.tyre)
    # steady: each wheel's torque is its force and its rolling resistance, at the side slip that the balance asks for
    moved = CAR.rear_rolling_radius_m * (np.diff(-forces.longitudinal) + 0.012 * np.diff(-load))
    assert got.torque_difference_Nm[0, 0, -1] == pytest.approx(moved[0], abs=1.0)
    assert got.use[:, 0, 0, -1] == pytest.approx(forces.use, rel=2e-3)


def test_wheels_without_load_spin_up_by_inertia_alone():
    """(2 I + J) dw/dt = T for an open axle in the air: 1000 / (2 + 8) = 100 rad/s2."""
    asked = corner(1000.0, inside_N=1e-3, outside_N=1e-3, lateral_N=0.0)
    got = replayed(replace(asked, rolling_resistance=0.0), OPEN)
    rate = np.diff(got.wheel_rad_s[0, 0, 0, 5:15]) / STEP_S
    assert rate == pytest.approx(100.0, rel=1e-3)


def test_a_lightly_loaded_inside_wheel_spins_on_an_open_axle_and_not_on_a_locked_one():
    asked = corner(1200.0, inside_N=900.0, outside_N=5000.0)
    got = replayed(asked, OPEN, NEVER_SLIPS)
    assert got.slip[0, 0, 0, -1] > 0.3 and got.use[0, 0, 0, -1] > 1.5
    assert got.slip[0, 1, 0, -1] < 0.15
    heavier = replayed(replace(asked, case_inertia_kg_m2=3 * asked.case_inertia_kg_m2), OPEN)
    assert heavier.slip[0, 0, 0, 20] < got.slip[0, 0, 0, 20]  # an engine to spin up as well slows the spin's onset


def test_demands_replayed_side_by_side_are_those_replayed_alone():
    grippy = corner(1100.0)
    slick = replace(grippy, tyre=grippy.tyre | {"friction_x": 0.9 * grippy.tyre["friction_x"]}, wheel_inertia_kg_m2=1.4)
    curves = np.array(
        [[[40, 0.2, 30, 0.1, 30], [90, 0.2, 30, 0.1, 30]], [[60, 0.1, 30, 0.1, 30], [0, 0, 0, 0, 0]]], float
    )
    of_pass = np.tile(np.moveaxis(curves, 0, -1), 2)  # (builds, 5, passes * draws)
    both = replay(side_by_side([grippy, slick]), of_pass, step_s=STEP_S, car=CAR)
    for d, asked in enumerate((grippy, slick)):
        alone = replayed(asked, *curves[d])
        assert both.slip[:, :, d::2] == pytest.approx(alone.slip)
        assert both.torque_difference_Nm[:, d::2] == pytest.approx(alone.torque_difference_Nm)


def test_a_short_pass_does_not_feel_the_long_one_beside_it():
    asked = corner(700.0)
    short = replace(asked, length=np.array([STEPS, 25]))
    curve = np.array([60, 0.2, 30, 0.1, 30])
    whole, cut = replayed(asked, curve), replayed(short, curve)
    assert cut.slip[:, :, 0] == pytest.approx(whole.slip[:, :, 0])
    assert cut.slip[:, :, 1, :25] == pytest.approx(whole.slip[:, :, 1, :25])
