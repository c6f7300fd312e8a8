"""Friction radii and torque against worked clutch examples. Keys in brackets: tests/SOURCES.md."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential import plates


# [BHANDARI] 11.1, 11.2, 11.8 (read in the companion): force and torque are the printed ones
@pytest.mark.parametrize(
    ("radius", "outer_mm", "inner_mm", "mu", "faces", "force_N", "torque_Nm"),
    [
        (plates.uniform_wear_radius_m, 200, 100, 0.2, 1, 15707.963268, 235.619449),
        (plates.uniform_pressure_radius_m, 200, 100, 0.2, 1, 23561.944902, 366.519143),
        (plates.uniform_wear_radius_m, 150, 75, 0.1, 8, 2650.718801, 119.282346),
    ],
)
def test_worked_clutches(radius, outer_mm, inner_mm, mu, faces, force_N, torque_Nm):
    r_eff = radius(outer_radius_m=outer_mm / 2e3, inner_radius_m=inner_mm / 2e3)
    torque = plates.pack_torque_Nm(
        friction_coefficient=mu, friction_faces=faces, friction_radius_m=r_eff, clamp_N=force_N
    )
    assert torque == pytest.approx(torque_Nm, rel=1e-8)


def test_worked_clutch_that_asks_for_the_number_of_faces():
    # [BHANDARI] 11.7 (read): 10 N.m, mu 0.2, 65/95 mm, 306.305284 N; 5 % more faces for the slots, rounded up: 5
    r_eff = plates.uniform_wear_radius_m(outer_radius_m=0.0475, inner_radius_m=0.0325)
    per_face = plates.pack_torque_Nm(
        friction_coefficient=0.2, friction_faces=1, friction_radius_m=r_eff, clamp_N=306.305284
    )
    assert 4 < 1.05 * 10 / per_face <= 5


@given(st.floats(0.02, 0.15), st.floats(0.05, 0.98))
def test_even_pressure_acts_further_out_but_inside_the_plate(outer, ratio):
    inner = ratio * outer
    wear = plates.uniform_wear_radius_m(outer_radius_m=outer, inner_radius_m=inner)
    pressure = plates.uniform_pressure_radius_m(outer_radius_m=outer, inner_radius_m=inner)
    assert inner < wear < pressure < outer


def test_limits_of_the_friction_radii():
    # derived: a full disc has 2/3 ro under even pressure; a thin ring has its own radius under both
    assert plates.uniform_pressure_radius_m(outer_radius_m=0.06, inner_radius_m=0.0) == pytest.approx(0.04)
    assert plates.uniform_pressure_radius_m(outer_radius_m=0.06, inner_radius_m=0.0599) == pytest.approx(
        0.05995, rel=1e-6
    )
