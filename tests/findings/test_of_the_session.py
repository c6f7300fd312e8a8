"""Findings about the whole session: planted fade and contradictions are told, and nothing where there is none."""

from dataclasses import replace

import numpy as np
import pytest
from made_analysis import Made, made_analysis, made_estimate, made_prediction, made_signals_and_axle

from analyzer.agreement.diagnose import diagnose
from analyzer.agreement.steady_samples import steady_means, steady_samples
from analyzer.agreement.verdict import agree
from analyzer.findings.lock_trend import lock_trend
from analyzer.findings.whole_car import find_of_the_session
from analyzer.presentation.words import answer


def found(*, change: float = 0.0, prediction=None):
    signals, axle, corners, laps = made_signals_and_axle(Made(spin_laps=()))
    share = signals.time_s / signals.time_s[-1] - 0.5
    axle = replace(axle, torque_difference_Nm=axle.torque_difference_Nm * (1 + change * share))
    estimate = made_estimate()
    samples = steady_samples(signals, corners, axle)
    trend = lock_trend(signals, corners, laps, samples, estimate)
    agreement = None
    if prediction is not None:
        seen = steady_means(samples, estimate)
        agreement = replace(agree(estimate, prediction), diagnosis=diagnose(seen, estimate, prediction))
    return find_of_the_session(signals, trend, agreement)


@pytest.mark.parametrize(("change", "verdict"), [(-0.5, "fading"), (0.7, "rising")])
def test_a_planted_trend_is_a_finding(change, verdict):
    (finding,) = found(change=change)
    assert finding.kind == "lock_trend" and finding.evidence.verdict == verdict
    assert finding.evidence.change_over_run == pytest.approx(change, rel=0.3)
    assert finding.severity == "act" and finding.confidence > 0.95 and finding.lap is None


def test_a_file_with_three_times_the_preload_is_contradicted_and_the_true_one_is_not():
    (finding,) = found(prediction=made_prediction(preload=360.0))
    assert finding.kind == "setup_contradicted" and "preload_soft" in finding.evidence.explanations
    assert finding.evidence.times_better_than_file >= 10
    assert found(prediction=made_prediction()) == ()


def test_steady_and_unknown_are_silent():
    assert found() == ()
    assert found(prediction=made_prediction(kind="spool")) == ()
    signals, axle, corners, laps = made_signals_and_axle(Made())
    nothing = replace(axle, slipping=np.zeros(len(signals.time_s), bool))
    trend = lock_trend(signals, corners, laps, steady_samples(signals, corners, nothing), made_estimate())
    assert trend.verdict == "cannot_tell" and find_of_the_session(signals, trend, None) == ()


def test_the_answer_says_the_likely_cause_only_where_there_is_one():
    analysis = made_analysis(Made(spin_laps=()), predicted=made_prediction(preload=360.0))
    assert [f.kind for f in analysis.findings].count("setup_contradicted") == 1
    for verdict, said in (("explained", True), ("cannot_tell_apart", False)):
        diagnosis = replace(analysis.agreement.diagnosis, verdict=verdict, tied=("preload_soft",))
        told = replace(analysis, agreement=replace(analysis.agreement, diagnosis=diagnosis))
        assert ("Most likely the preload has gone soft." in answer(told)) == said
