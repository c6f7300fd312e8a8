"""What a setup file states for the fit: hand-worked figures, what is silent, and the hinge that position shifts."""

import math

import numpy as np
import pytest

from analyzer.differential.anchors import LEAST_HOLD_SD_NM, Anchors, anchors, hold_Nm
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import STATIC_RATIO, Setup

# lever 2 mu z r_eff = 2*0.1*8*0.045 = 0.072 m; 60 degrees at 40 mm: c = 7.2169 N per N.m, slope 0.51962
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
BENCH = {"torque_Nm": 31, "method": "one_wheel_held", "state": "turning_warm", "percent": 10}


def stated(**changes) -> Anchors:
    return anchors(setup(**changes))


def setup(**changes) -> Setup:
    return Setup.model_validate({k: v for k, v in (PARTS | changes).items() if v is not None})


def test_a_silent_file_anchors_the_ratio_of_its_ramps_alone():
    found = stated()
    assert (found.preload, found.drive_ring_hold, found.coast_ring_hold) == (None, None, None)
    # derived: tan 60/tan 75
    assert found.slope_ratio.value == pytest.approx(1.732051 / 3.732051, rel=1e-6)
    assert (found.series_share.value, found.series_share.sd) == (0.5, 0.5)


def test_the_bench_reading_with_its_own_deviation():
    found = stated(breakaway=BENCH).preload
    assert (found.value, found.sd) == (pytest.approx(62.0), pytest.approx(6.2))
    assert found.source == "differential.breakaway"
    assert "62 N.m (31 N.m read, one wheel held" in found.label  # what it comes to first, as the curve has it
    default = stated(breakaway=BENCH | {"percent": None}).preload
    assert default.sd == pytest.approx(0.08 * 62)  # breakaway_percent of [differential.uncertainty]


def test_starting_plates_hold_more_than_sliding_ones_and_silence_widens():
    starting = stated(breakaway=BENCH | {"state": "starting"}).preload
    silent = stated(breakaway=BENCH | {"state": None}).preload
    # common practice, no source: 1.1 to 1.4 times
    assert 1.1 < STATIC_RATIO < 1.4 and starting.value == pytest.approx(62 / STATIC_RATIO)
    assert starting.sd / starting.value > 0.10
    assert silent.value == pytest.approx(62)
    assert silent.value - 1.96 * silent.sd < 62 / 1.4 and silent.sd > 2 * 0.08 * 62


def test_case_held_reads_both_packs():
    assert stated(breakaway=BENCH | {"method": "case_held"}).preload.value == pytest.approx(31.0)


def test_hold_off_of_the_ring_springs_is_their_force_over_the_thrust():
    found = stated(ring_spring={"force_N": 400})
    # derived: 400 * 0.08 tan(60) and tan(75)
    assert found.drive_ring_hold.value == pytest.approx(55.4256, abs=1e-3)
    assert found.coast_ring_hold.value == pytest.approx(119.4256, abs=1e-3)
    assert found.ring_spring_relative_sd == pytest.approx(0.10)
    # 10 % of the springs, 1.0 % of the angle's half degree, 1 % of pin radius, and pin friction on top
    assert 0.10 < found.drive_ring_hold.sd / found.drive_ring_hold.value < 0.25
    no_friction = stated(ring_spring={"force_N": 400}, ramp_friction_coefficient=0.0)
    by_angle = math.radians(0.5) / (math.sin(math.radians(60)) * math.cos(math.radians(60)))
    expected = math.sqrt(0.10**2 + 0.01**2 + by_angle**2)
    assert no_friction.drive_ring_hold.sd / 55.4256 == pytest.approx(expected, rel=1e-4)


def test_ring_springs_of_no_force_are_a_statement_but_not_an_exact_one():
    found = stated(ring_spring={"force_N": 0})
    assert found.drive_ring_hold.value == 0 and found.drive_ring_hold.sd == LEAST_HOLD_SD_NM


@pytest.mark.parametrize(("position", "share"), [("outside_packs", 1.0), ("between_rings", 0.0)])
def test_where_the_preload_springs_sit_is_exact_when_stated(position, share):
    found = stated(cone_spring_position=position).series_share
    assert (found.value, found.sd) == (share, 0.0)
    assert position.split("_")[0] in found.label


@pytest.mark.parametrize("position", ["outside_packs", "between_rings", None])
def test_the_hold_off_by_the_fits_own_figures_is_the_predicted_curves_hinge(position):
    file = setup(cone_spring_position=position, ring_spring={"force_N": 400}, breakaway=BENCH)
    curve, found = predict_lock_curve(file), anchors(file)
    for side, sign in (("drive", 1), ("coast", -1)):
        slope = getattr(curve, f"{side}_slope")
        hold = hold_Nm(
            ring_hold_Nm=getattr(found, f"{side}_ring_hold").value,
            series_share=found.series_share.value,
            preload_Nm=found.preload.value,
            slope=slope,
        )
        torque = np.linspace(0, 1500, 31)
        hinge = found.preload.value + slope * np.maximum(0, torque - hold)
        np.testing.assert_allclose(curve.locking_torque_Nm(sign * torque), hinge, atol=1e-9)


def test_slope_ratio_of_flat_and_missing_ramps():
    one_way = stated(coast_ramp_angle_deg=90).slope_ratio
    assert one_way.value == 0 and one_way.sd == pytest.approx(math.radians(0.5) * math.tan(math.radians(60)))
    assert stated(coast_ramp_angle_deg=90, ring_spring={"force_N": 400}).coast_ring_hold is None
    assert stated(drive_ramp_angle_deg=90, coast_ramp_angle_deg=90).slope_ratio is None


def test_pin_friction_widens_the_ratio_and_the_angle_alone_hardly():
    # derived: with mu 0.1 the drive ramp's thrust may lie anywhere from cot(65.71) to cot(54.29), the coast ramp's from
    # cot(80.71) to cot(69.29): 0.267/0.577 and 0.214/0.268 of their middles, over sqrt 12
    by_friction = math.hypot(0.267 / 0.57735, 0.2144 / 0.26795) / math.sqrt(12)
    with_friction = stated().slope_ratio
    assert with_friction.sd / with_friction.value == pytest.approx(by_friction, rel=0.03)
    without = stated(ramp_friction_coefficient=0.0).slope_ratio
    assert without.sd / without.value < 0.05


def test_a_data_sheet_states_preload_and_ratio():
    sheet = {"type": "plate", "drive_lock_percent": 60, "coast_lock_percent": 30, "breakaway": BENCH}
    found = anchors(Setup.model_validate(sheet))
    assert found.preload.value == pytest.approx(62) and found.slope_ratio.value == 0.5
    assert found.drive_ring_hold is None and found.slope_ratio.source == "differential.coast_lock_percent"


@pytest.mark.parametrize("kind", ["open", "spool"])
def test_differentials_without_plates_state_nothing(kind):
    assert anchors(Setup(type=kind)) == Anchors()
    assert not anchors(Setup(type=kind)).any_stated
