"""Sentences with figures that a paying engineer would frown at: shares of next to nothing, nothing before and after."""

import re
from dataclasses import replace

import pytest
from made_analysis import PRELOAD, Made, made_analysis, made_estimate, made_prediction

from analyzer.advice.choice import causes
from analyzer.advice.evaluate import NAMES
from analyzer.agreement.verdict import agree
from analyzer.findings.whole_car import find_of_the_session
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.advice_words import cause_sentence, change_words
from analyzer.presentation.agreement_words import side_sentence
from analyzer.presentation.comparison_words import rate_cells
from analyzer.presentation.finding_words import _degrees, trend_sentence
from analyzer.presentation.tables import evidence_rows
from analyzer.presentation.words import trend_rows


@pytest.fixture(scope="module")
def analysis():
    return made_analysis(Made())


def sentences(found):
    return {side: side_sentence(side, one) for side, one in found.sides.items()}


def test_several_times_the_file_is_said_in_newton_metres_and_not_as_hundreds_of_per_cent():
    """Measured 120 N.m and a coast slope of 0.09; the file says 65 N.m and 0.02: 85 % and 350 % over."""
    said = sentences(agree(made_estimate(relative_sd=0.02), made_prediction(preload=65.0 / 2.2, coast=0.02)))
    assert "N.m over the setup file" in said["preload"] and "%" not in said["preload"]
    assert "0.09 compares with the file's 0.02" in said["coast"] and "%" not in said["coast"]
    usual = sentences(agree(made_estimate(relative_sd=0.02), made_prediction(preload=0.7 * PRELOAD)))
    assert "43 % over the setup file" in usual["preload"]


def fading(analysis, *, span_s, per_10_min):
    trend = analysis.trend
    whole = Interval(per_10_min, per_10_min - 0.4, per_10_min + 0.4)
    changes = {name: Interval(-40.0, -60.0, -20.0) for name in ("preload_Nm",)}
    return replace(
        trend,
        verdict="fading",
        span_s=span_s,
        relative_per_10_min=whole,
        parameters_per_10_min=changes,
        early={"preload_Nm": 70.0},
        late={"preload_Nm": 62.0},
    )


def test_a_short_run_tells_its_change_and_not_that_of_ten_minutes(analysis):
    trend = fading(analysis, span_s=150.0, per_10_min=-1.6)  # -40 % over the run
    (row,) = trend_rows(trend)
    assert row[1:] == ("70", "62", "-10", "-15 to -5")  # a quarter of ten minutes
    found = find_of_the_session(analysis.signals, trend, None)
    shown = dict(evidence_rows(found[0]))
    assert not [label for label in shown if "10 minutes" in label]
    assert shown["change over the run, %"] == "-40" and shown["at least, over the run, %"] == "-50"
    longer = find_of_the_session(analysis.signals, fading(analysis, span_s=1200.0, per_10_min=-0.2), None)
    assert dict(evidence_rows(longer[0]))["change per 10 minutes, %"] == "-20"


def test_no_lock_loses_more_than_all_of_it(analysis):
    whole = Interval(-4.71, -6.0, -1.0)
    said = trend_sentence(replace(analysis.trend, verdict="fading", relative_per_10_min=whole, span_s=150.0))
    assert "-100 % (-100 to -25)" in said


def test_events_that_stopped_are_not_so_many_times_as_often():
    assert rate_cells(Interval(0.0, 0.0, 0.62)) == ("–", "none after; at most 0.6")
    assert rate_cells(Interval(0.5, 0.2, 1.1)) == ("0.5", "0.2 to 1.1")


def test_less_than_a_degree_of_steering_wheel_is_not_none():
    assert (_degrees(0.4), _degrees(1.0), _degrees(19.3)) == ("0.4 degrees", "1.0 degrees", "19 degrees")


class _Option:
    def __init__(self, moment: float) -> None:
        self.outcome = {name: Interval(0.0, None, None) for name in NAMES}
        self.outcome["coast_moment_Nm"] = Interval(moment, moment - 10, moment + 10)


def test_what_a_build_leaves_as_it_is_is_still_that():
    assert "off-throttle moment against the turn still 90 N.m (80 to 100)" in change_words(_Option(90.2), _Option(89.8))


def test_a_moment_into_the_turn_is_no_negative_share_of_the_front_tyres(analysis):
    session = type("Session", (), {"analysis": replace(analysis, findings=())})()
    outcome = [{"coast_moment_Nm": -12.0, "entry_share": -0.001}.get(name, 0.0) for name in NAMES]
    said = cause_sentence(causes([session], outcome, outcome)["entry"])
    assert not re.search(r"-\d", said) and "does not resist the turn" in said
