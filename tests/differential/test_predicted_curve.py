"""The predicted lock curve: hand-worked numbers, limits, what beats what, and the band."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential.installed import ramp_thrust
from analyzer.differential.predicted import PredictedLockCurve, PredictionSpread, predict_lock_curve, ways
from analyzer.differential.setup import Setup
from analyzer.presentation.prediction_words import input_torque_grid_Nm, lock_curve_result, note_words

# lever 2 mu z Rm = 2*0.1*8*0.045 = 0.072 m (wear, 100/80 mm plates); pin radius 0.040 m, as in test_ramps_published
PARTS = {
    "type": "plate",
    "ramp_angle_reference": "ring_face",
    "drive_ramp_angle_deg": 60,
    "coast_ramp_angle_deg": 75,
    "pin_radius_mm": 40,
    "friction_faces_per_side": 8,
    "plate_outer_diameter_mm": 100,
    "plate_inner_diameter_mm": 80,
    "friction_coefficient": 0.1,
    "cone_spring": {"force_N": 1000},
}

UNCERTAIN = (
    "friction_coefficient_percent",
    "friction_radius_percent",
    "cone_spring_percent",
    "ring_spring_percent",
    "pin_radius_percent",
    "ramp_angle_deg",
)


def said(curve):
    return [note_words(note) for note in curve.notes]


def predicted(**changes):
    return predict_lock_curve(Setup.model_validate({k: v for k, v in (PARTS | changes).items() if v is not None}))


def test_hand_worked_curve_of_springs_between_the_rings():
    # derived: M_0 = 0.072*1000; slope = 0.072 cot(60)/0.08 = 0.5196; hold = 400*0.08 tan(60) = 55.43 N.m;
    # at 400 N.m M = 72 + 0.5196 (400 - 55.43) = 251.05, which is 2 T_c
    curve = predicted(ring_spring={"force_N": 400}, cone_spring_position="between_rings")
    assert curve.preload_Nm == pytest.approx(72.0)
    assert curve.drive_slope == pytest.approx(0.51962, abs=1e-5)
    assert curve.drive_hold_Nm == pytest.approx(55.4256, abs=1e-4)
    assert curve.coast_slope == pytest.approx(0.24115, abs=1e-5)
    assert curve.coast_hold_Nm == pytest.approx(119.4256, abs=1e-4)
    np.testing.assert_allclose(
        curve.locking_torque_Nm([0, 40, 400, -100, -400]), [72, 72, 251.046, 72, 139.661], atol=2e-3
    )


def test_hand_worked_curve_of_springs_outside_the_packs():
    # derived: the ramps take over where 0.5196 (T - 55.43) = 72, at 193.99 N.m, on coast where 0.24115 (T - 119.43) is,
    # at 418.0; past it the preload is gone from M: at 400 N.m 0.5196 (400 - 55.43) = 179.05
    curve = predicted(ring_spring={"force_N": 400}, cone_spring_position="outside_packs")
    assert curve.preload_Nm == pytest.approx(72.0)
    assert curve.drive_hold_Nm == pytest.approx(193.99, abs=0.01)
    assert curve.coast_hold_Nm == pytest.approx(417.99, abs=0.01)
    np.testing.assert_allclose(
        curve.locking_torque_Nm([0, 190, 400, -400, -600]), [72, 72, 179.046, 72, 115.891], atol=2e-3
    )


def test_at_600_newton_metres_the_two_positions_differ_by_a_quarter_to_a_half():
    # the contract's setup with the club's preload, cone 3600 N: 60 N.m more in 300 matters
    parts = {"drive_ramp_angle_deg": 66, "friction_faces_per_side": 2, "cone_spring": {"force_N": 3600}}
    outside, between = (
        float(predicted(cone_spring_position=where, **parts).locking_torque_Nm(600))
        for where in ("outside_packs", "between_rings")
    )
    assert 0.25 < (between - outside) / between < 0.5


def test_a_file_that_is_silent_about_the_position_runs_midway_spans_both_and_says_so():
    torque = np.array([-900.0, -300, 0, 60, 250, 800, 1500])
    silent = predicted(ring_spring={"force_N": 400})
    outside = predicted(ring_spring={"force_N": 400}, cone_spring_position="outside_packs")
    between = predicted(ring_spring={"force_N": 400}, cone_spring_position="between_rings")
    low, high = silent.band_Nm(torque)
    np.testing.assert_allclose(low, outside.band_Nm(torque)[0])
    np.testing.assert_allclose(high, between.band_Nm(torque)[1])
    far = np.array([-900.0, 800, 1500])  # past all three hold-offs
    middle = (outside.locking_torque_Nm(far) + between.locking_torque_Nm(far)) / 2
    np.testing.assert_allclose(silent.locking_torque_Nm(far), middle)
    assert silent.interval_of("drive_hold_Nm")[0] <= outside.drive_ring_hold_Nm
    assert silent.interval_of("drive_hold_Nm")[1] >= outside.drive_hold_Nm
    assert "does not say where the preload springs sit" in said(silent)[0]
    assert "from 55 N.m" in said(silent)[0] and "at 194 N.m" in said(silent)[0]
    assert not any("where the preload springs sit" in note for note in (*said(outside), *said(between)))


def test_nothing_is_said_of_the_position_where_it_means_nothing():
    for changes in ({"cone_spring": {"force_N": 0}}, {"drive_ramp_angle_deg": 90, "coast_ramp_angle_deg": 90}):
        curve = predicted(**changes)
        torque = np.linspace(-500, 1500, 9)
        other = predicted(cone_spring_position="outside_packs", **changes)
        np.testing.assert_allclose(curve.locking_torque_Nm(torque), other.locking_torque_Nm(torque))
        assert not any("where the preload springs sit" in note for note in said(curve))


@given(st.floats(10.5, 89), st.floats(10, 20000), st.floats(10, 5000), st.floats(-3000, 3000))
def test_outside_is_never_more_than_between_and_both_lie_in_the_silent_band(angle, cone, ring, torque):
    parts = {"drive_ramp_angle_deg": angle, "cone_spring": {"force_N": cone}, "ring_spring": {"force_N": ring}}
    silent, outside, between = (
        predicted(cone_spring_position=where, **parts) for where in (None, "outside_packs", "between_rings")
    )
    lower, upper = silent.band_Nm(torque)
    m_outside, m_silent, m_between = (float(c.locking_torque_Nm(torque)) for c in (outside, silent, between))
    assert lower <= m_outside <= m_silent * (1 + 1e-12) <= m_between * (1 + 2e-12) <= upper * (1 + 1e-9)
    assert m_between - m_outside <= between.preload_Nm * (1 + 1e-9)


def test_published_statics_without_preload():
    # T 400 N.m at 60 deg: T_f 103.923 per pack, so M is twice that (some texts call T_f the locking torque)
    curve = predicted(cone_spring={"force_N": 0})
    assert curve.locking_torque_Nm(400) == pytest.approx(2 * 103.923, abs=1e-3)


def test_both_angle_conventions_predict_one_curve():
    axis = predicted(ramp_angle_reference="shaft_axis", drive_ramp_angle_deg=30, coast_ramp_angle_deg=15)
    torque = np.linspace(-500, 1500, 21)
    np.testing.assert_allclose(axis.locking_torque_Nm(torque), predicted().locking_torque_Nm(torque))


@pytest.mark.parametrize(
    ("drive", "coast", "name"),
    [
        (45, 90, "1-way"),
        (45, 65, "1.5-way"),
        (45, 45, "2-way"),
        (65, 45, "coast harder than drive"),
        (90, 90, "preload only"),
    ],
)
def test_ways_fall_out_of_the_coast_ramp(drive, coast, name):
    curve = predicted(drive_ramp_angle_deg=drive, coast_ramp_angle_deg=coast)
    assert ways(curve) == name


def test_flat_coast_ramp_leaves_the_preload_alone():
    curve = predicted(coast_ramp_angle_deg=90, ring_spring={"force_N": 400})
    assert curve.coast_slope == 0
    assert curve.coast_hold_Nm is None
    np.testing.assert_allclose(curve.locking_torque_Nm([-5000, -1]), 72.0)


def test_open_and_spool_are_the_limits():
    torque = np.array([-500.0, 0.0, 2000.0])
    is_open, spool = (predict_lock_curve(Setup(type=kind)) for kind in ("open", "spool"))
    np.testing.assert_array_equal(is_open.locking_torque_Nm(torque), 0)
    np.testing.assert_array_equal(is_open.band_Nm(torque), 0)
    np.testing.assert_array_equal(spool.locking_torque_Nm(torque), np.inf)
    assert (ways(is_open), ways(spool)) == ("open", "spool")


def test_data_sheet_percentages_are_locking_values():
    # "60 % lock" is S = 0.6: 600 N.m of 1000, TBR 4; coast 30 %; bench 2*25 = 50 N.m, on top only between the rings
    for position, expected in (("between_rings", [50, 650, 350]), ("outside_packs", [50, 600, 300])):
        curve = predict_lock_curve(
            Setup(
                type="plate",
                drive_lock_percent=60,
                coast_lock_percent=30,
                cone_spring_position=position,
                breakaway={"torque_Nm": 25, "method": "one_wheel_held"},
            )
        )
        np.testing.assert_allclose(curve.locking_torque_Nm([0, 1000, -1000]), expected)
        assert ways(curve) == "1.5-way"


def test_breakaway_wins_over_the_springs_and_says_when_they_differ():
    bench = {"torque_Nm": 62, "state": "turning_warm"}
    curve = predicted(breakaway=bench | {"method": "case_held"})
    twice = predicted(breakaway=bench | {"method": "one_wheel_held"})
    assert (curve.preload_Nm, twice.preload_Nm) == (62, 124)
    assert curve.drive_slope == predicted().drive_slope
    assert not any("bench" in note for note in said(curve))
    assert any("124" in note and "72" in note for note in said(twice))


def test_the_state_of_the_plates_on_the_bench_is_in_preload_interval_and_notes():
    # common practice, no source: starting plates hold 1.1 to 1.4 times as much as sliding ones; middle sqrt(1.54)
    bench = {"torque_Nm": 62, "method": "case_held"}
    starting = predicted(breakaway=bench | {"state": "starting", "percent": 5})
    silent, turning = predicted(breakaway=bench), predicted(breakaway=bench | {"state": "turning_warm"})
    assert starting.preload_Nm == pytest.approx(62 / math.sqrt(1.1 * 1.4))
    lower, upper = starting.interval_of("preload_Nm")
    assert lower < 62 / 1.4 < 62 / 1.1 < upper
    assert silent.interval_of("preload_Nm")[0] < 62 / 1.4 < turning.interval_of("preload_Nm")[0]
    assert any("starting plates" in note for note in said(starting))
    assert any("starting or turning" in note for note in said(silent))
    assert not any("starting" in note for note in said(turning))


def test_shims_press_and_wear_lets_go():
    # derived: 72 N.m per kN of clamp; rate 2000 N/mm, so 0.1 mm is 200 N or 14.4 N.m
    cone = {"force_N": 1000, "rate_N_per_mm": 2000}
    assert predicted(cone_spring=cone, shims={"added_thickness_mm": 0.1}).preload_Nm == pytest.approx(72 + 14.4)
    assert predicted(cone_spring=cone, shims={"plate_wear_mm": 0.1}).preload_Nm == pytest.approx(72 - 14.4)
    assert predicted(cone_spring=cone, shims={"plate_wear_mm": 2}).preload_Nm == 0


def test_disc_geometry_gives_the_tabled_force():
    # C 80 x 41 x 2.25 of [EN16983] at s = 0.75 h0: 6612.6 N, so 0.072*6612.6 = 476.1 N.m; 0.2 mm of wear loses what
    # the force loses between s = 2.2125 and 2.0125 mm
    disc = {"outer_diameter_mm": 80, "inner_diameter_mm": 41, "thickness_mm": 2.25, "free_cone_height_mm": 2.95}
    fitted = predicted(cone_spring=disc | {"deflection_mm": 2.2125})
    worn = predicted(cone_spring=disc | {"deflection_mm": 2.2125}, shims={"plate_wear_mm": 0.2})
    less = predicted(cone_spring=disc | {"deflection_mm": 2.0125})
    assert fitted.preload_Nm == pytest.approx(476.1, abs=0.05)
    assert worn.preload_Nm == pytest.approx(less.preload_Nm)
    assert worn.preload_Nm < fitted.preload_Nm


def test_new_plates_act_further_out():
    # derived: (2/3)(50^3-40^3)/(50^2-40^2) = 45.185 mm against 45
    assert predicted(friction_radius="uniform_pressure").preload_Nm == pytest.approx(72 * 45.185 / 45, rel=1e-5)


def test_ring_spring_by_rate_is_its_force():
    by_rate = predicted(ring_spring={"rate_N_per_mm": 80, "compression_mm": 5})
    assert by_rate.drive_hold_Nm == pytest.approx(predicted(ring_spring={"force_N": 400}).drive_hold_Nm)


def test_rising_and_falling_thrust_lie_in_the_interval_and_are_noted():
    # derived: mu 0.1 on the ramp is 5.71 deg; cot(65.71) 0.4513 rising and cot(54.29) 0.7189 falling, against 0.5774:
    # 22 % less and 25 % more
    none = dict.fromkeys(UNCERTAIN, 0)
    curve = predicted(ramp_friction_coefficient=0.1, uncertainty=none)
    lower, upper = curve.interval_of("drive_slope")
    friction = math.atan(0.1)
    assert curve.drive_slope == pytest.approx(0.9 / math.tan(math.radians(60)))
    assert lower < 0.9 / math.tan(math.radians(60) + friction) < 0.9 / math.tan(math.radians(60) - friction) < upper
    assert any("22 % less" in note and "25 % more" in note for note in said(curve))
    frictionless = predicted(ramp_friction_coefficient=0, uncertainty=none)
    assert frictionless.interval_of("drive_slope") == (curve.drive_slope, curve.drive_slope)
    assert not any("Pin friction" in note for note in said(frictionless))


def test_a_ramp_that_would_not_let_go_is_named():
    curve = predicted(drive_ramp_angle_deg=10, ramp_friction_coefficient=0.15)
    assert math.isfinite(curve.spread.drive_thrust)
    steep = ramp_thrust(Setup.model_validate(PARTS | {"ramp_friction_coefficient": 0.15}), ramp_angle_rad=0.1)
    assert math.isinf(steep.falling) and math.isfinite(steep.relative_sd)


@given(st.floats(10.5, 89), st.floats(0, 20000), st.floats(0, 5000), st.floats(-3000, 3000))
def test_curve_is_never_negative_and_grows_with_torque(angle, cone, ring, torque):
    curve = predicted(
        drive_ramp_angle_deg=angle,
        cone_spring={"force_N": cone if cone >= 10 else 0},
        ring_spring={"force_N": ring if ring >= 10 else 0},
    )
    here, further = curve.locking_torque_Nm([torque, torque * 1.1])
    assert 0 <= curve.preload_Nm <= here <= further
    lower, upper = curve.band_Nm(torque)
    assert 0 <= lower <= here <= upper


def test_band_of_one_cause_is_that_causes_interval():
    # derived: only the friction coefficient uncertain, 15 %: M times exp(+-1.96*0.15) everywhere
    none = dict.fromkeys(UNCERTAIN, 0)
    curve = predicted(
        cone_spring_position="outside_packs",
        ramp_friction_coefficient=0,
        uncertainty=none | {"friction_coefficient_percent": 15},
    )
    torque = np.array([-800.0, 0.0, 1200.0])
    lower, upper = curve.band_Nm(torque)
    np.testing.assert_allclose(upper / curve.locking_torque_Nm(torque), math.exp(1.959964 * 0.15), rtol=1e-6)
    np.testing.assert_allclose(lower / curve.locking_torque_Nm(torque), math.exp(-1.959964 * 0.15), rtol=1e-6)


@pytest.mark.parametrize("angle", [30, 60, 75])
def test_an_uncertain_ramp_angle_spreads_the_slope_as_the_wedge_says(angle):
    # derived: slope ~ cot(theta), so half a degree more or less is the ratio of two cotangents
    curve = predicted(
        drive_ramp_angle_deg=angle,
        ramp_friction_coefficient=0,
        uncertainty=dict.fromkeys(UNCERTAIN, 0) | {"ramp_angle_deg": 0.5},
    )
    flat, steep = (math.radians(angle + off) for off in (0.5, -0.5))
    assert curve.spread.drive_thrust == pytest.approx(0.5 * math.log(math.tan(flat) / math.tan(steep)), rel=1e-3)


@pytest.mark.parametrize("share", [0.0, 1.0])
def test_band_covers_what_uncertain_parts_do(share):
    """The closed-form band against Monte Carlo over the same uncertainties: 95 % within 2 points, at every torque."""
    rng, n = np.random.default_rng(5), 20000
    spread = PredictionSpread(
        slope_friction=0.15,
        preload_friction=0.15,
        preload_source=0.07,
        drive_thrust=0.03,
        coast_thrust=0.05,
        ring_spring=0.1,
    )
    curve = PredictedLockCurve(
        kind="plate",
        preload_Nm=80,
        drive_slope=0.4,
        drive_ring_hold_Nm=60,
        coast_slope=0.2,
        coast_ring_hold_Nm=110,
        series_shares=(share,),
        spread=spread,
    )
    friction, cone, drive, coast, ring = (np.exp(sd * rng.standard_normal(n)) for sd in (0.15, 0.07, 0.03, 0.05, 0.1))
    for torque in (-600, -150, 0, 90, 400, 2000):
        preload = 80 * cone
        on_drive = np.maximum(0, 0.4 * (torque * drive - 60 * ring) - share * preload)
        on_coast = np.maximum(0, 0.2 * (-torque * coast - 110 * ring) - share * preload)
        drawn = friction * (preload + on_drive + on_coast)
        lower, upper = curve.band_Nm(torque)
        assert np.mean((drawn >= lower) & (drawn <= upper)) == pytest.approx(0.95, abs=0.025)


def test_bench_preload_does_not_move_with_the_friction_coefficient():
    curve = predicted(breakaway={"torque_Nm": 36, "method": "one_wheel_held", "state": "turning_warm"})
    assert curve.preload_relative_sd == pytest.approx(0.08)
    assert curve.spread.preload_friction == 0 and curve.spread.slope_friction > 0.15


def test_result_has_the_contracts_points_and_no_invented_numbers():
    curve = predicted(coast_ramp_angle_deg=90)
    grid = input_torque_grid_Nm(curve, largest_Nm=1000)
    result = lock_curve_result(curve, input_torque_Nm=grid)
    assert len(result["points"]) >= 40
    assert (grid[0], grid[-1]) == (-300, 1000)
    at_zero = next(p for p in result["points"] if p["input_torque_Nm"] == 0)
    assert at_zero["locking_torque_Nm"] == pytest.approx(72)
    assert at_zero["locking_value"] is None and at_zero["torque_bias_ratio"] is None
    assert result["coast_hold_Nm"] == {"value": None, "lower": None, "upper": None}
    spool = lock_curve_result(predict_lock_curve(Setup(type="spool")), input_torque_Nm=grid)
    assert all(p["locking_torque_Nm"] is None for p in spool["points"])
    assert spool["preload_Nm"]["value"] is None and spool["reason"]
