"""Disc springs against standard sizes and a worked example. Keys in brackets: tests/SOURCES.md."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential import springs

# [EN16983] sizes (recalled), [EN16984] forces at s = 0.75 h0 and flat: output of an independent script of the formula;
# a spring catalogue's 60 rows agree to rounding (read), older table editions differ by up to 2.5 %.
SERIES = [
    # De, Di, t, h0 (mm), F at 0.75 h0, F flat (N)
    ("A", 25, 12.2, 1.5, 0.55, 2926.0, 3821.1),
    ("A", 50, 25.4, 3, 1.1, 11976.5, 15640.1),
    ("A", 80, 41, 5, 1.7, 33559.1, 43951.5),
    ("B", 25, 12.2, 0.9, 0.7, 862.3, 1050.5),
    ("B", 50, 25.4, 2, 1.4, 4762.1, 5897.9),
    ("B", 80, 41, 3, 2.3, 10517.9, 12844.2),
    ("C", 25, 12.2, 0.7, 0.9, 599.7, 635.5),
    ("C", 50, 25.4, 1.25, 1.6, 1550.2, 1645.6),
    ("C", 80, 41, 2.25, 2.95, 6612.6, 6950.0),
]


def _disc(outer, inner, thickness, cone_height, **material):
    return springs.DiscSpring(
        outer_diameter_m=outer / 1e3,
        inner_diameter_m=inner / 1e3,
        thickness_m=thickness / 1e3,
        free_cone_height_m=cone_height / 1e3,
        **material,
    )


@pytest.mark.parametrize(("series", "outer", "inner", "t", "h0", "force", "flat"), SERIES)
def test_standard_sizes_give_the_tabled_force(series, outer, inner, t, h0, force, flat):
    disc = _disc(outer, inner, t, h0)
    assert springs.disc_force_N(disc, deflection_m=0.75 * h0 / 1e3) == pytest.approx(force, abs=0.06)
    assert springs.disc_force_N(disc, deflection_m=h0 / 1e3) == pytest.approx(flat, abs=0.06)


def test_worked_example_of_a_flattened_disc():
    # [BHANDARI] example 10.26 (read in the companion): 4500 N flattens a disc of De/Di 1.75, h0/t 1.5, E 207 GPa;
    # printed sizes t 2.652980, h0 3.979470, De 154.818478, Di 88.467702 mm. The book's shape factor
    # M = 6/(pi ln d) ((d-1)/d)^2 is the usual approximation of K1, 0.6 % below it here, hence 1 %.
    disc = _disc(154.818478, 88.467702, 2.652980, 3.979470, elastic_modulus_Pa=207e9)
    assert springs.disc_force_N(disc, deflection_m=disc.free_cone_height_m) == pytest.approx(4500, rel=0.01)


def test_shape_factor_against_the_published_approximation():
    # M of [BHANDARI] and K1 of [EN16984] describe one thing: within 1.5 % over the diameter ratios of [EN16983]
    for d in (1.75, 2.0, 2.5):
        approximation = 6 / (math.pi * math.log(d)) * ((d - 1) / d) ** 2
        assert springs.shape_factor(d) == pytest.approx(approximation, rel=0.015)


@given(st.floats(0.0, 1.0), st.sampled_from(SERIES))
def test_rate_is_the_slope_of_the_force(share, row):
    _, outer, inner, t, h0, _, _ = row
    disc, s, step = _disc(outer, inner, t, h0), share * h0 / 1e3, 1e-8
    rise = springs.disc_force_N(disc, deflection_m=s + step) - springs.disc_force_N(disc, deflection_m=s - step)
    assert springs.disc_rate_N_per_m(disc, deflection_m=s) == pytest.approx(rise / (2 * step), rel=1e-5, abs=20)


def test_tall_cones_lose_force_as_they_are_pressed():
    # derived: dF/ds = 0 has real roots once h0/t exceeds sqrt(2)
    stiff, tall = _disc(80, 41, 2, 2.8), _disc(80, 41, 2, 2.9)
    shares = [i / 100 for i in range(101)]
    assert min(springs.disc_rate_N_per_m(stiff, deflection_m=x * 2.8e-3) for x in shares) > 0
    assert min(springs.disc_rate_N_per_m(tall, deflection_m=x * 2.9e-3) for x in shares) < 0


def test_stacks_add_force_in_parallel_and_travel_in_series():
    # [EN16984]: F = n F1, s = i s1, L0 = i [l0 + (n-1) t]; A 50 with n 2, i 3 (derived from the single disc above)
    stack = springs.DiscStack(disc=_disc(50, 25.4, 3, 1.1), in_parallel=2, in_series=3)
    assert springs.stack_force_N(stack, deflection_m=3 * 0.825e-3) == pytest.approx(2 * 11976.5, abs=0.2)
    assert springs.stack_free_height_m(stack) == pytest.approx(3 * (4.1e-3 + 3e-3))
    assert springs.stack_flat_deflection_m(stack) == pytest.approx(3.3e-3)
    single = springs.disc_rate_N_per_m(stack.disc, deflection_m=0.5e-3)
    assert springs.stack_rate_N_per_m(stack, deflection_m=1.5e-3) == pytest.approx(single * 2 / 3)
