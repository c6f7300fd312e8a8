"""Combinations of fitted and shelf parts, and the lock curves that the replay gets for them."""

from dataclasses import replace

import numpy as np
import pytest

from analyzer.advice.calibration import SIDES, MeasuredCurve, calibrate, curve_parameters, curves_of, interval_of
from analyzer.advice.shelf import AS_FITTED, ConeSpringPart, Parts, PlateStack, RampRings, Shim, builds
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup
from analyzer.errors import InputError
from analyzer.lockcurve import model
from analyzer.presentation.advice_words import calibration_sentence

FITTED = {
    "type": "plate",
    "ramp_angle_reference": "ring_face",
    "drive_ramp_angle_deg": 60,
    "coast_ramp_angle_deg": 75,
    "pin_radius_mm": 38,
    "friction_faces_per_side": 4,
    "plate_outer_diameter_mm": 120,
    "plate_inner_diameter_mm": 86,
    "friction_coefficient": 0.11,
    "cone_spring": {"force_N": 1000.0, "rate_N_per_mm": 1000.0},
    "ring_spring": {"force_N": 300.0},
}
SHELF = Parts(
    name="shelf",
    cone_spring=(ConeSpringPart(name="twice", force_N=2000),),
    ramp_rings=(RampRings(name="45/60", drive_ramp_angle_deg=45, coast_ramp_angle_deg=60),),
    plate_stack=(PlateStack(name="eight faces", friction_faces_per_side=8),),
    shim=(Shim(name="0.5 mm", added_thickness_mm=0.5),),
)


def setup(**changes):
    return Setup.model_validate(FITTED | changes)


def drive_slope_sd(shelf):
    spread = shelf.installed.curve.spread
    return np.hypot(spread.slope_friction, spread.drive_thrust)


def build_of(shelf, **choice):
    return next(b for b in shelf.all if b.changes == choice)


def test_every_combination_is_there_and_the_fitted_one_is_first():
    shelf = builds(setup(), SHELF)
    assert shelf.installed.label == AS_FITTED
    # 16 combinations less those of cone spring and shim: the shelf spring's rate is not given
    assert len(shelf.all) == 12
    assert len(shelf.refused) == 4 and all("rate" in reason for reason in shelf.refused)
    assert len({b.label for b in shelf.all}) == len(shelf.all)


def test_parts_act_where_they_should():
    shelf = builds(setup(), SHELF)
    fitted, cone = shelf.installed.curve, build_of(shelf, cone_spring="twice").curve
    assert cone.preload_Nm == pytest.approx(2 * fitted.preload_Nm)
    assert cone.drive_slope == pytest.approx(fitted.drive_slope)
    rings = build_of(shelf, ramp_rings="45/60").curve
    # cot 45 / cot 60 and cot 60 / cot 75, by the statics of the wedge
    assert rings.drive_slope / fitted.drive_slope == pytest.approx(np.tan(np.radians(60)))
    assert rings.coast_slope / fitted.coast_slope == pytest.approx(np.tan(np.radians(75)) / np.tan(np.radians(60)))
    plates = build_of(shelf, plate_stack="eight faces").curve
    assert plates.preload_Nm == pytest.approx(2 * fitted.preload_Nm)
    assert plates.drive_slope == pytest.approx(2 * fitted.drive_slope)
    assert build_of(shelf, shim="0.5 mm").curve.preload_Nm == pytest.approx(1.5 * fitted.preload_Nm)


def test_a_part_like_the_fitted_one_is_no_other_build():
    same = Parts(name="shelf", cone_spring=(ConeSpringPart(name="the same", force_N=1000),))
    assert [b.label for b in builds(setup(), same).all] == [AS_FITTED]


def test_the_fitted_preload_may_be_known_from_the_bench_only():
    bench = {"torque_Nm": 60.0, "method": "case_held"}
    shelf = builds(setup(cone_spring=None, breakaway=bench), SHELF)
    assert shelf.installed.curve.preload_Nm == pytest.approx(60.0)
    assert build_of(shelf, plate_stack="eight faces").curve.preload_Nm == pytest.approx(120.0)
    both = builds(setup(breakaway=bench), SHELF)
    assert shelf.bench_ratio == 1.0
    assert both.bench_ratio == pytest.approx(60.0 / predict_lock_curve(setup()).preload_Nm)


@pytest.mark.parametrize(
    "fitted, said",
    [
        (Setup(type="open"), "is open"),
        (Setup(type="spool"), "is spool"),
        (
            Setup.model_validate(
                {
                    "type": "plate",
                    "drive_lock_percent": 40,
                    "coast_lock_percent": 20,
                    "breakaway": {"torque_Nm": 40, "method": "case_held"},
                }
            ),
            "data sheet",
        ),
    ],
)
def test_what_is_not_described_by_parts_is_refused(fitted, said):
    with pytest.raises(InputError, match=said):
        builds(fitted, SHELF)


def test_too_many_combinations_are_refused():
    many = Parts(
        name="shelf",
        cone_spring=tuple(ConeSpringPart(name=str(n), force_N=n) for n in range(100, 200)),
        ring_spring=(),
        ramp_rings=tuple(
            RampRings(name=str(a), drive_ramp_angle_deg=80 - a, coast_ramp_angle_deg=80) for a in range(30)
        ),
    )
    with pytest.raises(InputError, match="3131 combinations"):
        builds(setup(), many)


def calibrated(shelf, measured, *, sees=SIDES, draws=32, torque_Nm=(-400.0, 1500.0)):
    """Calibration by one log with the lock curves `measured` (1 + k, 5), the fit's first."""
    log = MeasuredCurve(curves=measured, torque_Nm=torque_Nm, measured=sees)
    return calibrate(logs=[log], builds=shelf, bench_sd=0.08, draws=draws)


def around(curve, shares, *, sd, draws=400, seed=1):
    """(1 + draws, 5) the curve with preload and slopes times `shares`, and draws that scatter by `sd` of them."""
    factors = np.ones((1 + draws, 3)) * np.asarray(shares)
    factors[1:] *= 1 + np.asarray(sd) * np.random.default_rng(seed).standard_normal((draws, 3))
    return curve_parameters(curve) * np.insert(factors, [2, 3], 1.0, axis=1)


def test_what_the_log_shows_of_the_fitted_parts_carries_over():
    shelf = builds(setup(), SHELF)
    found = calibrated(shelf, around(shelf.installed.curve, (1.2, 1.2, 1.2), sd=0.005))
    for side in SIDES:
        assert found[side].source == "log" and found[side].ratio.value == pytest.approx(1.2, rel=0.02)
    curves = curves_of(shelf.all, found, 32)
    k = shelf.all.index(build_of(shelf, cone_spring="twice"))
    assert curves[0, k, 0] == pytest.approx(2 * 1.2 * shelf.installed.curve.preload_Nm, rel=0.02)
    # the fitted parts' own errors are in the ratio already; another part brings its own
    assert curves[1:, 0, 0].std() < 0.03 * curves[0, 0, 0]
    assert curves[1:, k, 0].std() > 0.05 * curves[0, k, 0]


def test_a_log_that_knows_only_the_sum_of_preload_and_ramps_still_tells_the_friction():
    """Plates with 0.7 of their friction: whatever of the coast level may be preload, its sum says so. By Bayes with
    one cause of 15.1 % and a sum that is known exactly, the factor is the sum's."""
    fitted = setup(
        ring_spring=None,
        cone_spring_position="between_rings",
        ramp_friction_coefficient=0,
        uncertainty={"cone_spring_percent": 0, "ramp_angle_deg": 0, "pin_radius_percent": 0},
    )
    shelf = builds(fitted, SHELF)
    parts = curve_parameters(shelf.installed.curve)
    lean = parts[0] * 0.9 * np.concatenate([[0.0], np.random.default_rng(2).standard_normal(400)])
    measured = np.tile(0.7 * parts, (401, 1))
    measured[:, 0] += lean
    measured[:, 3] -= lean / 210.0  # the mean torque of the levels to -400 N.m: 20 steps of 20 N.m
    found = calibrated(shelf, measured, sees=("preload", "coast"))
    assert all(found[side].ratio.value == pytest.approx(0.7, abs=0.03) for side in SIDES)
    curve = curves_of(shelf.all, found, 32)[0, 0]
    at = model.locking_torque_Nm(curve, np.array([-250.0])) / model.locking_torque_Nm(parts, np.array([-250.0]))
    assert at[0] == pytest.approx(0.7, abs=0.03)


def test_three_logs_that_err_alike_know_no_more_than_one():
    shelf = builds(setup(), SHELF)
    log = MeasuredCurve(around(shelf.installed.curve, (1.3, 1.3, 1.3), sd=0.3), (-400.0, 1500.0), SIDES)
    one, three = (
        calibrate(logs=[replace(log, curves=c) for c in curves], builds=shelf, bench_sd=0.08, draws=400)["drive"]
        for curves in (
            [log.curves],
            [around(shelf.installed.curve, (1.3, 1.3, 1.3), sd=0.3, seed=k) for k in (1, 2, 3)],
        )
    )
    assert three.ratio.value == pytest.approx(one.ratio.value, rel=0.02)
    assert np.log(three.draws).std() == pytest.approx(np.log(one.draws).std(), rel=0.15)


def test_an_unsure_log_is_weighed_with_the_parts_figures():
    shelf = builds(setup(ring_spring=None), SHELF)
    sd = drive_slope_sd(shelf)
    measured = around(shelf.installed.curve, (1.0, 1.1, 1.0), sd=(0, sd, 0), draws=2000)
    found = calibrated(shelf, measured, sees=("drive",), draws=1000)["drive"]
    # equally sure: about half way between (of the logarithm, so a little less), and surer than either by sqrt 2
    assert found.ratio.value == pytest.approx(1.05, abs=0.01)
    assert np.log(found.draws).std() == pytest.approx(sd / np.sqrt(2), rel=0.1)


def test_a_log_that_contradicts_the_file_counts_more_than_the_file():
    """Ramp rings put in the wrong way round: no friction makes the one side stronger and the other weaker."""
    shelf = builds(setup(), SHELF)
    found = calibrated(shelf, around(shelf.installed.curve, (1.0, 0.5, 2.0), sd=0.05))
    assert found["drive"].ratio.value == pytest.approx(0.5, rel=0.05)
    assert found["coast"].ratio.value == pytest.approx(2.0, rel=0.05)
    assert "contradicts" in calibration_sentence("drive", found["drive"])


def test_few_draws_lie_about_the_value_and_hold_as_much_as_they_should():
    shelf = builds(setup(), SHELF)
    found = calibrated(shelf, around(shelf.installed.curve, (1.1, 1.1, 1.1), sd=0.3))["drive"]
    assert np.log(found.draws).mean() == pytest.approx(np.log(found.ratio.value))
    # the k-th of n draws from below is at (k - 1/3)/(n + 1/3) of the distribution, in the median (Hyndman and Fan)
    low, high = interval_of(np.arange(1, 33) - 1 / 3)
    assert (low, high) == pytest.approx((0.025 * (32 + 1 / 3), 0.975 * (32 + 1 / 3)), rel=1e-6)


def test_a_side_that_the_log_cannot_tell_keeps_the_prediction_and_its_spread():
    shelf = builds(setup(), SHELF)
    found = calibrated(shelf, around(shelf.installed.curve, (3.0, 3.0, 3.0), sd=0.01), sees=(), draws=2000)
    assert all(
        c.source is None and c.ratio.value == 1.0 and "can't measure" in calibration_sentence(side, c)
        for side, c in found.items()
    )
    curves = curves_of(shelf.all, found, 2000)
    sd = np.log(curves[1:, 0, 1]).std()
    assert sd == pytest.approx(drive_slope_sd(shelf), rel=0.1)


def test_the_bench_stands_in_for_a_log_that_cannot_tell_the_preload():
    fitted = setup(breakaway={"torque_Nm": 60.0, "method": "case_held"})
    shelf = builds(fitted, SHELF)
    found = calibrated(shelf, around(shelf.installed.curve, (3.0, 3.0, 3.0), sd=0.01), sees=())
    assert found["preload"].source == "bench" and found["drive"].source is None
    assert curves_of(shelf.all, found, 32)[0, 0, 0] == pytest.approx(60.0)
