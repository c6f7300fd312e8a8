"""The predicted lock curve: hand-worked numbers, limits, what beats what, and the band."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential.predicted import PredictedLockCurve, PredictionSpread, predict_lock_curve, ways
from analyzer.differential.result import input_torque_grid_Nm, lock_curve_result
from analyzer.differential.setup import Setup

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


def predicted(**changes):
    return predict_lock_curve(Setup.model_validate({k: v for k, v in (PARTS | changes).items() if v is not None}))


def test_hand_worked_curve():
    # derived: M_0 = 0.072*1000; slope = 0.072 cot(60)/0.08 = 0.5196; hold = 400*0.08 tan(60) = 55.43 N.m;
    # at 400 N.m M = 72 + 0.5196 (400 - 55.43) = 251.05, which is 2 T_c
    curve = predicted(ring_spring={"force_N": 400})
    assert curve.preload_Nm == pytest.approx(72.0)
    assert curve.drive_slope == pytest.approx(0.51962, abs=1e-5)
    assert curve.drive_hold_Nm == pytest.approx(55.4256, abs=1e-4)
    assert curve.coast_slope == pytest.approx(0.24115, abs=1e-5)
    assert curve.coast_hold_Nm == pytest.approx(119.4256, abs=1e-4)
    np.testing.assert_allclose(
        curve.locking_torque_Nm([0, 40, 400, -100, -400]), [72, 72, 251.046, 72, 139.661], atol=2e-3
    )


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
    # "60 % lock" is S = 0.6: 600 N.m of 1000, TBR 4; coast 30 %; bench 2*25 = 50 N.m on top
    curve = predict_lock_curve(
        Setup(
            type="plate",
            drive_lock_percent=60,
            coast_lock_percent=30,
            breakaway={"torque_Nm": 25, "method": "one_wheel_held"},
        )
    )
    np.testing.assert_allclose(curve.locking_torque_Nm([0, 1000, -1000]), [50, 650, 350])
    assert ways(curve) == "1.5-way"


def test_breakaway_wins_over_the_springs_and_says_when_they_differ():
    curve = predicted(breakaway={"torque_Nm": 62, "method": "case_held"})
    twice = predicted(breakaway={"torque_Nm": 62, "method": "one_wheel_held"})
    assert (curve.preload_Nm, twice.preload_Nm) == (62, 124)
    assert curve.drive_slope == predicted().drive_slope
    assert not curve.notes
    assert "124" in twice.notes[0] and "72" in twice.notes[0]


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


def test_ramp_friction_lowers_the_rising_slope_and_is_noted():
    # derived: mu 0.1 on the ramp is 5.71 deg; cot(65.71) against cot(60)
    curve = predicted(ramp_friction_coefficient=0.1)
    assert curve.drive_slope == pytest.approx(0.9 / math.tan(math.radians(60) + math.atan(0.1)))
    assert any("rising" in note for note in curve.notes)


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
    none = dict.fromkeys(
        (
            "friction_radius_percent",
            "cone_spring_percent",
            "ring_spring_percent",
            "pin_radius_percent",
            "ramp_angle_deg",
        ),
        0,
    )
    curve = predicted(uncertainty=none | {"friction_coefficient_percent": 15})
    torque = np.array([-800.0, 0.0, 1200.0])
    lower, upper = curve.band_Nm(torque)
    np.testing.assert_allclose(upper / curve.locking_torque_Nm(torque), math.exp(1.959964 * 0.15), rtol=1e-6)
    np.testing.assert_allclose(lower / curve.locking_torque_Nm(torque), math.exp(-1.959964 * 0.15), rtol=1e-6)


@pytest.mark.parametrize("angle, ramp_friction", [(30, 0.0), (60, 0.0), (75, 0.0), (60, 0.1)])
def test_an_uncertain_ramp_angle_spreads_the_slope_as_the_wedge_says(angle, ramp_friction):
    # derived: slope ~ cot(theta + phi), so half a degree more or less is the ratio of two cotangents
    none = dict.fromkeys(
        (
            "friction_coefficient_percent",
            "friction_radius_percent",
            "cone_spring_percent",
            "ring_spring_percent",
            "pin_radius_percent",
        ),
        0,
    )
    curve = predicted(
        drive_ramp_angle_deg=angle,
        ramp_friction_coefficient=ramp_friction,
        uncertainty=none | {"ramp_angle_deg": 0.5},
    )
    flat, steep = (math.radians(angle + off) + math.atan(ramp_friction) for off in (0.5, -0.5))
    assert curve.spread.drive_thrust == pytest.approx(0.5 * math.log(math.tan(flat) / math.tan(steep)), rel=1e-3)


def test_band_covers_what_uncertain_parts_do():
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
        drive_hold_Nm=60,
        coast_slope=0.2,
        coast_hold_Nm=110,
        spread=spread,
    )
    friction, cone, drive, coast, ring = (np.exp(sd * rng.standard_normal(n)) for sd in (0.15, 0.07, 0.03, 0.05, 0.1))
    for torque in (-600, -150, 0, 90, 400, 2000):
        thrust = 0.4 * np.maximum(0, torque * drive - 60 * ring) + 0.2 * np.maximum(0, -torque * coast - 110 * ring)
        drawn = friction * (80 * cone + thrust)
        lower, upper = curve.band_Nm(torque)
        assert np.mean((drawn >= lower) & (drawn <= upper)) == pytest.approx(0.95, abs=0.02)


def test_bench_preload_does_not_move_with_the_friction_coefficient():
    curve = predicted(breakaway={"torque_Nm": 36, "method": "one_wheel_held"})
    assert curve.preload_relative_sd == pytest.approx(0.08)
    assert curve.drive_slope_relative_sd > 0.15


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
