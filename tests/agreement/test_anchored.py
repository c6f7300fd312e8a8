"""The curve with what bench, ring springs and ramps say, on the shipped laps and circles, whose setup file is true."""

from dataclasses import replace
from importlib import resources

import pytest

from analyzer.agreement.anchored import anchored_estimate, curve_anchors
from analyzer.differential.anchors import anchors
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.lockcurve.problem import anchored
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
