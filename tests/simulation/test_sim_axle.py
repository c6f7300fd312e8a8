"""Stick and slip of the driven axle against closed forms. All derived in place."""

import pytest

from analyzer.simulation.planar_car import lock_figures, sliding_capacity, step_axle
from analyzer.simulation.simulated_car import LockParameters

INERTIA = 1.2


def spin_down(lock, *, dt, left=30.0, right=20.0, load_left=0.0, load_right=0.0, shaft=0.0, until_s=0.5):
    """Two bare wheels under constant load torques: rows of (time, left, right, T_in, D, capacity, locked)."""
    figures, rows, twist = lock_figures(lock), [], 0.0
    left, right, load_left, load_right, shaft = map(float, (left, right, load_left, load_right, shaft))  # compiled once
    hubs = left - right
    for i in range(round(until_s / dt)):
        out = step_axle(
            INERTIA / dt,
            INERTIA / dt * left - load_left,
            INERTIA / dt,
            INERTIA / dt * right - load_right,
            0.0,
            shaft,
            left + right,
            hubs,
            twist,
            60.0,
            dt,
            figures,
        )
        left, right, hubs, twist = out[0], out[1], out[6], out[7]
        rows.append(((i + 1) * dt, *out[:6]))
    return rows


@pytest.mark.parametrize("dt", [0.0005, 0.001, 0.005])
def test_speed_difference_falls_linearly_then_sticks_without_chatter(dt):
    # J d(difference)/dt = -M, so 10 rad/s at M = 60 N.m and J = 1.2 kg m2 are gone after 0.2 s
    rows = spin_down(LockParameters(preload_Nm=60, drive_slope=0, coast_slope=0), dt=dt)
    for time, left, right, *_, locked in rows:
        assert left - right == pytest.approx(max(0.0, 10 - 60 / INERTIA * time), abs=1e-9 + 60 / INERTIA * dt)
        assert bool(locked) == (time > 0.2 - 1e-9) or abs(time - 0.2) <= dt
    assert all(row[-1] for row in rows if row[0] > 0.2 + dt)
    assert all(row[1] - row[2] >= 0 for row in rows)


def test_stuck_packs_carry_the_load_difference_and_no_more():
    # equal speeds need T_left - T_right = load difference: 50 N.m, within 60
    rows = spin_down(LockParameters(preload_Nm=60), dt=0.001, left=20, right=20, load_left=50)
    assert all(row[-1] and row[4] == pytest.approx(50) for row in rows)
    # 80 N.m is more than the packs hold: they slip at 60, the rest spins the wheels apart
    rows = spin_down(LockParameters(preload_Nm=60, coast_slope=0), dt=0.001, left=20, right=20, load_left=80)
    assert not any(row[-1] for row in rows)
    assert all(row[4] == pytest.approx(60) and row[1] < row[2] for row in rows)
    assert rows[-1][1] - rows[-1][2] == pytest.approx(-(80 - 60) / INERTIA * rows[-1][0])


@pytest.mark.parametrize("left, right", [(30.0, 20.0), (20.0, 30.0)])
def test_torque_goes_from_the_faster_to_the_slower_wheel(left, right):
    # [VSD2015]
    rows = spin_down(LockParameters(preload_Nm=60), dt=0.001, left=left, right=right, until_s=0.1)
    assert all((row[4] > 0) == (right > left) for row in rows)


def test_open_shares_torque_equally_and_spool_turns_as_one():
    for row in spin_down(LockParameters(kind="open"), dt=0.001, shaft=500, load_left=300, load_right=100):
        assert row[4] == 0 and not row[-1]
    for row in spin_down(LockParameters(kind="spool"), dt=0.001, shaft=500, load_left=300, load_right=100):
        assert row[1] == row[2] and row[-1]


@pytest.mark.parametrize(
    "torque_Nm, locking_Nm", [(0, 40), (200, 40), (1200, 40 + 0.3 * 1000), (-150, 40 + 0.2 * 50), (-100, 40)]
)
def test_lock_curve_has_preload_slopes_and_hold_offs(torque_Nm, locking_Nm):
    lock = LockParameters(
        preload_Nm=40, drive_slope=0.3, drive_hold_Nm=200, coast_slope=0.2, coast_hold_Nm=100, reference_degC=60
    )
    assert sliding_capacity(float(torque_Nm), 60.0, lock_figures(lock)) == pytest.approx(locking_Nm)
    assert lock.locking_torque(torque_Nm) == pytest.approx(locking_Nm)


def test_hot_packs_fade():
    figures = lock_figures(LockParameters(preload_Nm=100, fade_per_K=0.004, reference_degC=60))
    assert sliding_capacity(0.0, 110.0, figures) == pytest.approx(100 * (1 - 0.004 * 50))


def test_packs_hold_more_than_they_slip_when_friction_falls():
    lock = LockParameters(preload_Nm=60, drive_slope=0, coast_slope=0, static_ratio=1.5, falling_speed_rad_s=0.5)
    held = spin_down(lock, dt=0.001, left=20, right=20, load_left=80)
    assert all(row[-1] for row in held)  # 80 is under 1.5 x 60
    slipping = spin_down(lock, dt=0.001, left=30, right=20, load_left=-80, until_s=0.2)
    assert slipping[-1][4] == pytest.approx(-60, rel=1e-6)  # far from sticking only the sliding friction is left


def test_stiff_light_shafts_give_what_rigid_ones_give():
    rigid = LockParameters(preload_Nm=60, drive_slope=0, coast_slope=0)
    stiff = LockParameters(
        preload_Nm=60, drive_slope=0, coast_slope=0, shaft_stiffness_Nm_rad=1e6, hub_inertia_kg_m2=1e-6
    )
    for one, other in zip(spin_down(rigid, dt=0.001), spin_down(stiff, dt=0.001), strict=True):
        assert other[1] - other[2] == pytest.approx(one[1] - one[2], abs=0.06)


def test_wound_up_shafts_swing_at_their_own_frequency():
    # derived: hubs stuck, two wheels of J = 1.2 kg m2 on shafts of k = 400 N.m/rad swing at sqrt(k/J) = 18.26 rad/s
    lock = LockParameters(kind="plate", preload_Nm=1e6, shaft_stiffness_Nm_rad=400.0, shaft_damping_Nms_rad=0.0)
    figures, dt = lock_figures(lock), 1e-4
    left, right, hubs, twist, crossings, before = 20.5, 19.5, 0.0, 0.0, [], 1.0
    for i in range(8000):
        left, right, _, _, _, _, hubs, twist, _ = step_axle(
            INERTIA / dt, INERTIA / dt * left, INERTIA / dt, INERTIA / dt * right,
            0.0, 0.0, left + right, hubs, twist, 60.0, dt, figures,
        )  # fmt: skip
        if before * (left - right) < 0:
            crossings.append(i * dt)
        before = left - right
    assert hubs == 0.0
    assert 3.14159265 / (crossings[1] - crossings[0]) == pytest.approx((400 / INERTIA) ** 0.5, rel=0.01)
