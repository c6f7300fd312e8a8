"""The clamp: ramp thrust, free body of a ring, plates, locking value. Keys in brackets: tests/SOURCES.md."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential import clamp
from analyzer.differential.clamp import (
    SERIES_SHARE,
    clamp_N,
    locking_value,
    pack_torque_Nm,
    ring_face_angle_rad,
    thrust_N_per_Nm,
    torque_bias_ratio,
)


# derived (statics of two rings that share the torque): T 400 N.m, r 0.040, Rm 0.045, mu 0.1, z 8, no preload
@pytest.mark.parametrize(
    ("angle_deg", "thrust_N", "pack_Nm", "s", "ratio"),
    [
        (45, 5000.0, 180.0, 0.9, 19.0),
        (60, 2886.75, 103.923, 0.5196, 3.163),
        (75, 1339.75, 48.231, 0.2412, 1.636),
    ],
)
def test_thrust_pack_torque_and_locking_value(angle_deg, thrust_N, pack_Nm, s, ratio):
    thrust = 400 * thrust_N_per_Nm(ramp_angle_rad=math.radians(angle_deg), pin_radius_m=0.040)
    torque = pack_torque_Nm(friction_coefficient=0.1, friction_faces=8, friction_radius_m=0.045, clamp_N=thrust)
    value = locking_value(locking_torque_Nm=2 * torque, input_torque_Nm=400)
    assert thrust == pytest.approx(thrust_N, abs=0.01)
    assert torque == pytest.approx(pack_Nm, abs=0.001)
    assert value == pytest.approx(s, abs=1e-4)
    assert torque_bias_ratio(value) == pytest.approx(ratio, abs=1e-3)


def test_thirty_degrees_can_send_all_torque_to_one_wheel():
    s = 0.1 * 8 * 0.045 * 2 * thrust_N_per_Nm(ramp_angle_rad=math.radians(30), pin_radius_m=0.040)
    assert s > 1
    assert torque_bias_ratio(s) == math.inf


def test_virtual_work_of_the_wedge():
    # derived: as the pin moves r dphi round the axis, a ramp at theta from the face lets each ring out by
    # r dphi tan(theta); the work T dphi goes into two rings, 2 F dx
    theta, r, dphi = math.radians(52), 0.041, 1e-3
    dx = r * dphi * math.tan(theta)
    thrust = thrust_N_per_Nm(ramp_angle_rad=theta, pin_radius_m=r)
    assert 2 * thrust * dx == pytest.approx(1.0 * dphi)


def test_flat_ramp_gives_no_thrust_in_either_convention():
    assert thrust_N_per_Nm(ramp_angle_rad=math.radians(90), pin_radius_m=0.04) == 0
    flat = ring_face_angle_rad(math.radians(0), reference="shaft_axis")
    assert thrust_N_per_Nm(ramp_angle_rad=flat, pin_radius_m=0.04) == 0


@pytest.mark.parametrize("face_deg", [20, 30, 45, 60, 83.5])
def test_both_conventions_mean_one_ramp(face_deg):
    face = ring_face_angle_rad(math.radians(face_deg), reference="ring_face")
    assert ring_face_angle_rad(math.radians(90 - face_deg), reference="shaft_axis") == pytest.approx(face)


def test_ramp_friction_costs_thrust_rising_and_keeps_it_falling():
    # derived: cot(theta + phi) rising, cot(theta - phi) falling; 45 deg with phi 5 deg
    phi = math.radians(5)
    kwargs = {"ramp_angle_rad": math.radians(45), "pin_radius_m": 0.04}
    rising = thrust_N_per_Nm(**kwargs, ramp_friction_angle_rad=phi)
    falling = thrust_N_per_Nm(**kwargs, ramp_friction_angle_rad=phi, torque_rising=False)
    assert rising * 0.08 == pytest.approx(math.tan(math.radians(40)))
    assert falling * 0.08 == pytest.approx(math.tan(math.radians(50)))
    assert thrust_N_per_Nm(ramp_angle_rad=math.radians(88), pin_radius_m=0.04, ramp_friction_angle_rad=phi) == 0
    jams = {"ramp_angle_rad": math.radians(4), "ramp_friction_angle_rad": phi, "torque_rising": False}
    assert thrust_N_per_Nm(pin_radius_m=0.04, **jams) == math.inf


def test_a_car_makers_lock_table_follows_faces_and_cotangent():
    # [RAMPTABLE] (read): lock % by (ramp angle from the ring's face, friction faces listed), rounded to whole per cent
    table = {
        (80, 2): 13, (60, 2): 19, (80, 4): 25, (45, 2): 27, (80, 6): 38,
        (60, 4): 39, (30, 2): 39, (45, 4): 53, (60, 6): 58,
    }  # fmt: skip
    faces = np.array([z for _, z in table], dtype=float)
    # pin radius 0.5 m makes the thrust per newton-metre the cotangent itself
    cot = np.array([thrust_N_per_Nm(ramp_angle_rad=math.radians(a), pin_radius_m=0.5) for a, _ in table])
    lock = np.array(list(table.values()), dtype=float)
    model = np.column_stack([faces, faces * cot])
    (constant, per_cot), *_ = np.linalg.lstsq(model, lock, rcond=None)
    assert np.abs(model @ [constant, per_cot] - lock).max() <= 0.5  # within the table's rounding
    assert per_cot > constant > 0  # the constant is lock without ramp thrust, which this project does not predict


# [BHANDARI] 11.1, 11.2, 11.8 (read in the companion): force and torque are the printed ones
@pytest.mark.parametrize(
    ("radius", "outer_mm", "inner_mm", "mu", "faces", "force_N", "torque_Nm"),
    [
        (clamp.uniform_wear_radius_m, 200, 100, 0.2, 1, 15707.963268, 235.619449),
        (clamp.uniform_pressure_radius_m, 200, 100, 0.2, 1, 23561.944902, 366.519143),
        (clamp.uniform_wear_radius_m, 150, 75, 0.1, 8, 2650.718801, 119.282346),
    ],
)
def test_worked_clutches(radius, outer_mm, inner_mm, mu, faces, force_N, torque_Nm):
    r_eff = radius(outer_radius_m=outer_mm / 2e3, inner_radius_m=inner_mm / 2e3)
    torque = clamp.pack_torque_Nm(
        friction_coefficient=mu, friction_faces=faces, friction_radius_m=r_eff, clamp_N=force_N
    )
    assert torque == pytest.approx(torque_Nm, rel=1e-8)


def test_worked_clutch_that_asks_for_the_number_of_faces():
    # [BHANDARI] 11.7 (read): 10 N.m, mu 0.2, 65/95 mm, 306.305284 N; 5 % more faces for the slots, rounded up: 5
    r_eff = clamp.uniform_wear_radius_m(outer_radius_m=0.0475, inner_radius_m=0.0325)
    per_face = clamp.pack_torque_Nm(
        friction_coefficient=0.2, friction_faces=1, friction_radius_m=r_eff, clamp_N=306.305284
    )
    assert 4 < 1.05 * 10 / per_face <= 5


@given(st.floats(0.02, 0.15), st.floats(0.05, 0.98))
def test_even_pressure_acts_further_out_but_inside_the_plate(outer, ratio):
    inner = ratio * outer
    wear = clamp.uniform_wear_radius_m(outer_radius_m=outer, inner_radius_m=inner)
    pressure = clamp.uniform_pressure_radius_m(outer_radius_m=outer, inner_radius_m=inner)
    assert inner < wear < pressure < outer


def test_limits_of_the_friction_radii():
    # derived: a full disc has 2/3 ro under even pressure; a thin ring has its own radius under both
    assert clamp.uniform_pressure_radius_m(outer_radius_m=0.06, inner_radius_m=0.0) == pytest.approx(0.04)
    assert clamp.uniform_pressure_radius_m(outer_radius_m=0.06, inner_radius_m=0.0599) == pytest.approx(
        0.05995, rel=1e-6
    )


# [J2817] (ratio: 3.1, read; locking effects read in a summary of its table, printed to 0.1 %)
TABLE = [(2.0, 0.333), (3.0, 0.500), (4.0, 0.600), (5.0, 0.667)]


@pytest.mark.parametrize(("ratio", "effect"), TABLE)
def test_locking_effect_of_the_recommended_practice(ratio, effect):
    low, high = torque_bias_ratio([effect - 5e-4, effect + 5e-4])
    assert low < ratio < high


def test_half_lock_is_a_three_quarter_split():
    # [J2817] by its definition: 75/25 of 400 N.m
    s = locking_value(locking_torque_Nm=300 - 100, input_torque_Nm=400)
    assert s == 0.5
    assert torque_bias_ratio(s) == 300 / 100


def test_sixty_per_cent_lock_is_not_sixty_per_cent_more_torque():
    assert torque_bias_ratio(0.6) == pytest.approx(4.0)
    assert torque_bias_ratio(0.6) != pytest.approx(1.6)


def test_no_lock_full_lock_and_no_torque():
    assert torque_bias_ratio(0.0) == 1
    np.testing.assert_array_equal(torque_bias_ratio([1.0, 1.7]), [math.inf, math.inf])
    assert np.isnan(locking_value(locking_torque_Nm=100, input_torque_Nm=0))
    assert np.isnan(torque_bias_ratio(math.nan))


@given(st.floats(0, 0.99), st.floats(1, 5000))
def test_ratio_is_that_of_the_wheel_torques(s, torque):
    slow, fast = torque / 2 * (1 + s), torque / 2 * (1 - s)
    assert torque_bias_ratio(s) == pytest.approx(slow / fast)
    assert locking_value(locking_torque_Nm=slow - fast, input_torque_Nm=-torque) == pytest.approx(s, abs=1e-9)


def ring_at_rest_or_parted(*, thrust, cone, ring, spread, rate=1e7, contact=1e13, pack=1e12):
    """Clamp by solving one ring's equilibrium with stiff springs for contact and pack, an independent way to the law.

    Half of a symmetric differential: the ring moves outwards by x (m). Cone spring and pack in series press it inwards
    with `cone` at x = 0, the other ring pushes outwards through a contact of `contact` N/m while x < 0, `spread` pushes
    it outwards through springs between the rings (their travel is 2 x).
    """
    series = 1 / (1 / rate + 1 / pack) if cone else pack
    outer = lambda x: max(0.0, cone + series * x)  # noqa: E731
    force = lambda x: (  # noqa: E731
        max(0.0, -contact * x) + thrust - ring + max(0.0, spread - 2 * rate * x) - outer(x)
    )
    low, high = -1.0, 1.0
    for _ in range(200):
        middle = (low + high) / 2
        low, high = (middle, high) if force(middle) > 0 else (low, middle)
    return outer((low + high) / 2)


@pytest.mark.parametrize("thrust", [0.0, 300.0, 900.0, 1300.0, 1500.0, 4000.0])
@pytest.mark.parametrize("ring", [0.0, 400.0])
def test_outside_the_packs_the_free_body_of_a_ring_gives_the_larger_of_both(thrust, ring):
    solved = ring_at_rest_or_parted(thrust=thrust, cone=1000.0, ring=ring, spread=0.0)
    assert solved == pytest.approx(max(1000.0, thrust - ring), rel=1e-4)
    law = clamp_N(thrust_N=thrust, preload_N=1000.0, ring_spring_N=ring, series_share=SERIES_SHARE["outside_packs"])
    assert law == pytest.approx(solved, rel=1e-4)


@pytest.mark.parametrize("thrust", [0.0, 300.0, 900.0, 4000.0])
@pytest.mark.parametrize("ring", [0.0, 400.0])
def test_between_the_rings_spring_and_thrust_add_and_springs_on_one_ring_subtract(thrust, ring):
    solved = ring_at_rest_or_parted(thrust=thrust, cone=0.0, ring=ring, spread=1000.0)
    assert solved == pytest.approx(1000.0 - ring + thrust, rel=1e-4)
    share = SERIES_SHARE["between_rings"]
    # as the guide says to write such a build: the difference as preload, and no ring springs
    assert clamp_N(thrust_N=thrust, preload_N=1000.0 - ring, series_share=share) == pytest.approx(solved, rel=1e-4)
    # ring springs that hold the ring alone: the same past the hold-off
    own_path = clamp_N(thrust_N=thrust, preload_N=1000.0, ring_spring_N=ring, series_share=share)
    assert own_path == (1000.0 if thrust < ring else pytest.approx(solved, rel=1e-4))


def test_hand_computed_clamps_of_both_positions():
    # derived: F_0 900 N, F_h 400 N; thrust of 600 N.m on 45 degrees at 38 mm: 600/0.076 = 7894.7 N
    kwargs = {"thrust_N": 600 / 0.076, "preload_N": 900.0, "ring_spring_N": 400.0}
    assert clamp_N(**kwargs, series_share=1.0) == pytest.approx(7494.7, abs=0.1)
    assert clamp_N(**kwargs, series_share=0.0) == pytest.approx(8394.7, abs=0.1)
    # 1000 N of thrust leave 600: under the preload outside, on top of it between
    kwargs["thrust_N"] = 1000.0
    assert clamp_N(**kwargs, series_share=1.0) == 900.0
    assert clamp_N(**kwargs, series_share=0.0) == 1500.0


def test_springs_in_both_places_lie_between():
    # derived: at rest the outer springs' 1000 N clamp; 400 N spread the rings, so thrust takes over at 600 N
    share = 1 - 400 / 1000
    assert clamp_N(thrust_N=599, preload_N=1000.0, series_share=share) == 1000.0
    assert clamp_N(thrust_N=2000, preload_N=1000.0, series_share=share) == pytest.approx(2000 + 400)


FORCE = st.floats(0, 3e4)


@given(FORCE, FORCE, FORCE, FORCE)
def test_clamp_grows_with_thrust_and_outside_is_never_more_than_between(thrust, more, preload, ring):
    def of(force, share):
        return clamp_N(thrust_N=force, preload_N=preload, ring_spring_N=ring, series_share=share)

    assert of(thrust, 1.0) <= of(thrust, 0.5) <= of(thrust, 0.0) <= of(thrust, 1.0) + preload + 1e-6
    for share in (0.0, 0.5, 1.0):
        assert preload <= of(thrust, share) <= of(thrust + more, share)


@given(FORCE)
def test_without_preload_the_position_means_nothing(thrust):
    assert clamp_N(thrust_N=thrust, preload_N=0.0, series_share=1.0) == thrust
    assert clamp_N(thrust_N=thrust, preload_N=0.0, series_share=0.0) == thrust
