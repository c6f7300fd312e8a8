"""The simulator's tyre against the published magic formula and its own limits."""

import math

import pytest

from analyzer.simulation.plain_car import tyre_figures, tyre_forces
from analyzer.simulation.simulated_car import SimTyre

# Table of [BAKKER1987] worked out at F_z = 4 kN (read; values computed from the paper's coefficients)
LOAD_N = 4000.0


def test_longitudinal_force_is_the_published_magic_formula():
    tyre = tyre_figures(
        SimTyre(
            friction_x=4235.2 / LOAD_N,
            slip_stiffness=100 * 1288.2 / LOAD_N,  # published per per cent of slip
            shape_x=1.65,
            curvature_x=0.614,
            reference_load_N=LOAD_N,
        )
    )
    for slip, published_N in ((0.10, 4234.4), (1.00, 2898.6)):
        force, _, _ = tyre_forces(slip, 0.0, LOAD_N, tyre)
        assert force == pytest.approx(published_N, rel=5e-4)


def test_lateral_force_is_the_published_magic_formula():
    tyre = tyre_figures(
        SimTyre(
            friction_y=3690.4 / LOAD_N,
            cornering_stiffness_per_rad=math.degrees(1027.3) / LOAD_N,  # published per degree
            shape_y=1.30,
            curvature_y=-0.709,
            reference_load_N=LOAD_N,
        )
    )
    _, force, _ = tyre_forces(0.0, math.radians(5), LOAD_N, tyre)
    assert force == pytest.approx(3389.6, rel=5e-4)


@pytest.mark.parametrize("slip", [-0.3, -0.08, 0.0, 0.03, 0.12, 0.6])
def test_slope_is_the_derivative_of_the_force(slip):
    tyre = tyre_figures(SimTyre())
    step = 1e-6
    rise = tyre_forces(slip + step, 0.0, 2500.0, tyre)[0] - tyre_forces(slip - step, 0.0, 2500.0, tyre)[0]
    assert tyre_forces(slip, 0.0, 2500.0, tyre)[2] == pytest.approx(rise / (2 * step), rel=1e-5, abs=1.0)


def test_forces_mirror_with_slip_and_angle():
    tyre = tyre_figures(SimTyre())
    ahead, left, _ = tyre_forces(0.07, 0.05, 3000.0, tyre)
    assert tyre_forces(0.07, -0.05, 3000.0, tyre)[:2] == pytest.approx((ahead, -left))
    assert tyre_forces(-0.07, 0.05, 3000.0, tyre)[:2] == pytest.approx((-ahead, left))


def test_friction_and_both_stiffnesses_fall_with_load():
    tyre = tyre_figures(SimTyre())
    light, heavy = 1500.0, 4500.0
    for column, slip, angle in ((0, 1e-4, 0.0), (1, 0.0, 1e-4)):
        per_load = [tyre_forces(slip, angle, load, tyre)[column] / load for load in (light, heavy)]
        assert per_load[1] < 0.95 * per_load[0]
    peaks = [max(tyre_forces(s / 1000, 0.0, load, tyre)[0] for s in range(400)) / load for load in (light, heavy)]
    # mu = mu_ref (1 - q (F_z/F_ref - 1)): q 0.12 over one reference load
    assert peaks[0] - peaks[1] == pytest.approx(1.30 * 0.12, rel=1e-3)


def test_combined_slip_stays_near_the_friction_ellipse():
    """The cosine weighting has no exact ellipse; 10 % over it is the most that we excuse (no source)."""
    sim = SimTyre()
    tyre, load = tyre_figures(sim), sim.reference_load_N
    used = [
        math.hypot(x / (sim.friction_x * load), y / (sim.friction_y * load))
        for i in range(0, 60, 2)
        for j in range(0, 40, 2)
        for x, y, _ in [tyre_forces(i / 100, j / 100, load, tyre)]
    ]
    assert 0.99 < max(used) < 1.10


def test_slip_angle_costs_longitudinal_stiffness():
    """About a factor of two near the limit, which is why the linear split of forces will not do."""
    tyre = tyre_figures(SimTyre())
    straight, cornering = (tyre_forces(0.0, angle, 3000.0, tyre)[2] for angle in (0.0, math.radians(6)))
    assert 0.35 < cornering / straight < 0.8
