"""The curve with what bench, ring springs and ramps say, on the shipped laps and circles, whose setup file is true."""

from dataclasses import replace
from importlib import resources

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR as AXLE
from lockcurve.simulated_sets import KNOWN, simulated_set

from analyzer.agreement.anchored import anchored_estimate, curve_anchors
from analyzer.differential.anchors import Anchor, Anchors, anchors
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.problem import anchored, make_problem
from analyzer.lockcurve.unknowns import HOLDS
from analyzer.pipeline import analyze_with_fit

SAMPLES = resources.files("sample_logs")
CAR, BENCH = SAMPLES / "club_car.toml", SAMPLES / "baseline_bench.setup.toml"


@pytest.fixture(scope="module")
def both():
    logs = [SAMPLES / "baseline.parquet", SAMPLES / "baseline_circles.parquet"]
    return analyze_with_fit(log_path=logs, car_path=CAR, setup_path=BENCH)


def test_a_true_bench_reading_does_not_contradict_the_log_and_the_curve_holds_the_truth(both):
    estimate = both[0].anchored.lock_curve
    assert not both[0].anchored.contradicted
    # the simulator drives the very curve that the setup file without the reading predicts
    truth = predict_lock_curve(load_setup(SAMPLES / "baseline.setup.toml"))
    for name, interval in estimate.parameters.items():
        assert interval.lower <= getattr(truth, name) <= interval.upper, name


@pytest.mark.parametrize("factor", [4.0, 8.0])
def test_a_reading_that_is_far_off_is_told(both, factor):
    """By the score test [RAO1948] at the anchored curve."""
    stated = anchors(load_setup(BENCH))
    wrong = replace(stated.preload, value=factor * stated.preload.value)
    estimate = anchored_estimate(both[1], replace(stated, preload=wrong), largest_torque_Nm=2000.0)
    assert estimate.contradicted


def test_a_stated_hold_off_keeps_nothing_of_the_weak_belief_in_a_small_one(both):
    blind = both[1].problem
    made = anchored(blind, curve_anchors(anchors(load_setup(BENCH)))).unknowns
    at = [made.curve_slice(0).start + hold for hold in HOLDS]
    assert blind.unknowns.rows[:, at].any(axis=0).all() and not made.rows[:, at].any()


@pytest.mark.parametrize(("slope", "bend_Nm"), [(0.08, 1250.0), (0.04, 2500.0), (0.015, 5000.0)])
def test_flat_ramps_behind_springs_outside_the_packs_leave_the_preload_as_the_bench_reads_it(slope, bend_Nm):
    """They bend the curve at M0/slope, late or where nobody drives; of three true files the preload came out at 40 N.m
    or less, for no bend was allowed beyond 2000 N.m, and a fit without a slope asked for one at 5000."""
    truth = np.array([100.0, slope, bend_Nm, slope, bend_Nm])
    made = simulated_set(480, np.random.default_rng(5), curve=truth)

    def anchor(value, sd):
        return Anchor(value=value, sd=sd, source="differential", label="invented")

    stated = Anchors(
        preload=anchor(100.0, 8.0),
        drive_ring_hold=anchor(0.0, 5.0),
        coast_ring_hold=anchor(0.0, 5.0),
        series_share=anchor(1.0, 0.0),
        slope_ratio=anchor(1.0, 0.3),
    )
    found = anchored_estimate(fit(make_problem(made.observed, AXLE, KNOWN)), stated, largest_torque_Nm=1500.0)
    preload, drive = (found.lock_curve.parameters[name] for name in ("preload_Nm", "drive_slope"))
    assert preload.value == pytest.approx(100.0, abs=10.0) and preload.lower <= 100.0 <= preload.upper
    assert drive.lower <= slope <= drive.upper
    assert not found.contradicted
    hold = found.lock_curve.parameters["drive_hold_Nm"]
    if bend_Nm > 1500:
        assert hold.value is None and 1000 < hold.lower <= 1500
    else:
        assert hold.lower <= bend_Nm <= hold.upper
