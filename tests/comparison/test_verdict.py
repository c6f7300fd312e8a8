"""Verdicts, event counts and matching of corners on made-up numbers whose answer is known beforehand."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_analysis import made_car
from scipy import stats

from analyzer.comparison.compared_runs import match_circles, match_corners
from analyzer.comparison.phase_changes import rate_ratio
from analyzer.comparison.sides import _expected, side_change, verdict
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup
from analyzer.presentation.comparison_words import side_sentence

NORMAL = stats.norm.ppf((np.arange(2000) + 0.5) / 2000)


@pytest.mark.parametrize(
    ("value", "deviation", "expected", "said"),
    [
        (0.0, 5.0, None, "no_change"),  # 90 % interval of +/- 8 inside the margin of 20
        (12.0, 4.0, None, "no_change"),  # shown to differ from zero, and shown to be too small to matter
        (0.0, 15.0, None, "cannot_tell"),  # +/- 25: holds zero, but a change that matters as well
        (50.0, 10.0, None, "stronger"),
        (-50.0, 10.0, None, "weaker"),
        (25.0, 20.0, None, "cannot_tell"),
        (70.0, 10.0, 70.0, "as_predicted"),  # inside the margin about the expectation
        (70.0, 20.0, 60.0, "as_predicted"),  # not inside, but holds the expectation and excludes zero
        (10.0, 5.0, 70.0, "weaker"),  # the change did not take
        (130.0, 10.0, 70.0, "stronger"),
        (40.0, 30.0, 70.0, "cannot_tell"),
        (2.0, 5.0, 3.0, "no_change"),  # the parts say next to nothing
    ],
)
def test_verdict(value, deviation, expected, said):
    draws = value + deviation * NORMAL
    assert verdict(value, draws, expected=expected, expected_sd=0.0, margin=20.0) == said


def test_an_unsure_prediction_contradicts_less():
    draws = 100.0 + 10.0 * NORMAL
    assert verdict(100.0, draws, expected=70.0, expected_sd=0.0, margin=20.0) == "stronger"
    assert verdict(100.0, draws, expected=70.0, expected_sd=15.0, margin=20.0) == "as_predicted"


def test_ratio_of_rates_as_published():
    """[POISSONTEST] (from memory; its interval is recomputed below from the definition): 11 events in
    800 against 21 in 3011 gives 1.971488, 0.8584264 to 4.2772659."""
    ratio = rate_ratio(count_before=21, count_after=11, laps_before=3011, laps_after=800)
    assert ratio.value == pytest.approx(1.971488, abs=1e-6)
    assert (ratio.lower, ratio.upper) == pytest.approx((0.8584264, 4.2772659), rel=1e-6)
    # Clopper-Pearson by its definition: at the limit the tail beyond the count holds 2.5 %
    for limit, tail in (
        (ratio.lower, lambda p: stats.binom.sf(10, 32, p)),
        (ratio.upper, lambda p: stats.binom.cdf(11, 32, p)),
    ):
        share = limit * 800 / (limit * 800 + 3011)
        assert tail(share) == pytest.approx(0.025, rel=1e-6)


def test_ratio_without_events():
    assert rate_ratio(count_before=0, count_after=0, laps_before=4, laps_after=4).value is None
    none_before = rate_ratio(count_before=0, count_after=9, laps_before=4, laps_after=4)
    assert none_before.value is None and none_before.upper is None
    assert none_before.lower > 1  # 9 of 9 on one side: p = 0.004


TRACK = [(1, "left", 300.0), (2, "right", 800.0), (3, "left", 1500.0), (4, "left", 1900.0), (5, "right", 2600.0)]


def match(reference, other, *, length_m=3000.0, other_length_m=3000.0):
    return match_corners(reference, other, length_m=length_m, other_length_m=other_length_m)


def test_corners_match_by_place_not_by_number():
    # the other log misses the first corner, numbers the rest anew and measures the lap 1 % longer
    other = [(n - 1, d, 1.01 * at) for n, d, at in TRACK[1:]]
    found = match(TRACK, other, other_length_m=3030)
    assert found.numbers == {1: 2, 2: 3, 3: 4, 4: 5}
    assert found.shift == pytest.approx(0.0, abs=1e-9)


def test_corners_match_across_start_lines():
    rng = np.random.default_rng(1)
    shifted = sorted(((at + 1300.0 + rng.normal(0, 5)) % 3000, d, n) for n, d, at in TRACK)
    other = [(k, d, at) for k, (at, d, _) in enumerate(shifted, 1)]
    found = match(TRACK, other)
    assert found.numbers == {k: n for k, (_, _, n) in enumerate(shifted, 1)}
    assert found.shift * 3000 % 3000 == pytest.approx(1700.0, abs=10.0)  # 1300 further on in the log: 1700 round


def test_another_circuit_does_not_match():
    assert match(TRACK, TRACK, other_length_m=4000).numbers == {}
    other = [(1, "right", 200.0), (2, "left", 700.0), (3, "right", 1400.0), (4, "right", 1900.0), (5, "left", 2400.0)]
    assert match(TRACK, other).numbers == {}


@pytest.mark.parametrize(
    "change_Nm, said", [(30.0, "Preload changed by +30 N.m"), (6.0, "Preload, as measured: +6 N.m")]
)
def test_a_change_that_may_be_none_is_not_said_to_be_one(change_Nm, said):
    curves = np.array([[60.0, 0.3, 20.0, 0.1, 20.0]] * 2)
    curves[1, 0] += change_Nm
    draws = np.tile(curves, (400, 1, 1))
    draws[:, 1, 0] += 8.0 * np.random.default_rng(3).standard_normal(400)
    joint = SimpleNamespace(curves=curves, draws=draws, torque_span_Nm=(-300.0, 900.0), largest_torque_Nm=1200.0)
    change = side_change("preload", joint, car=made_car(), before=None, after=None)
    assert side_sentence("preload", change).startswith(said)


def test_circles_are_matched_by_radius_and_direction():
    before = [(1, "left", 15.2), (2, "left", 16.1), (3, "right", 14.9), (4, "left", 31.0), (5, "right", 60.0)]
    after = [(1, "right", 61.0), (2, "left", 14.8), (3, "left", 29.5), (4, "right", 45.0)]
    assert match_circles(before, after).numbers == {1: 5, 2: 1, 3: 4}  # 45 m to the right has no like
    assert match_circles(before, before).numbers == {1: 1, 2: 1, 3: 3, 4: 4, 5: 5}  # two logs of one radius are one


def test_what_the_files_leave_open_of_the_springs_is_left_open_of_the_change():
    """Preload raised by 120 N.m, the same ramps: outside the packs the larger rules, so the ramps add 120 less where
    they rule; between the rings both add up, and the ramps add what they did (free body of one ring)."""

    def parts(preload_Nm, **more):
        breakaway = {"torque_Nm": preload_Nm / 2, "method": "one_wheel_held"}
        figures = {"type": "plate", "drive_lock_percent": 40, "coast_lock_percent": 40, "breakaway": breakaway, **more}
        return predict_lock_curve(Setup.model_validate(figures))

    torque = np.linspace(1000, 2000, 21)  # the ramps rule all over, 400 to 800 N.m
    outside, _ = _expected("drive", *(parts(p, cone_spring_position="outside_packs") for p in (60, 180)), torque)
    between, _ = _expected("drive", *(parts(p, cone_spring_position="between_rings") for p in (60, 180)), torque)
    assert outside == pytest.approx(-120) and between == pytest.approx(0)
    open_, sd = _expected("drive", parts(60), parts(180), torque)
    assert open_ == pytest.approx(-60) and sd >= 60
    # one file that says it speaks for both: it is one differential
    assert _expected("drive", parts(60), parts(180, cone_spring_position="between_rings"), torque)[0] == pytest.approx(
        0
    )
