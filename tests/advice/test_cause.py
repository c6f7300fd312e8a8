"""When the log shows that the differential is not the thing to change. Findings and outcomes are planted."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from made_analysis import made_analysis
from made_findings import made_evidence, made_finding

from analyzer.advice.choice import causes
from analyzer.advice.evaluate import NAMES
from analyzer.findings.evidence import Blame, CoastUndersteer, InsideSpin
from analyzer.presentation.advice_words import cause_sentence


def found(kind, start_s=20.0, end_s=21.0, **evidence):
    duration = {"duration_s": end_s - start_s}
    return made_finding(made_evidence(kind, **duration, **evidence), corner=1, start_s=start_s, end_s=end_s)


def judged(*, findings=(), inside_s=0.0, both_s=0.0, moment_Nm=120.0, inside_load=None):
    analysis = replace(made_analysis(), findings=tuple(findings))
    if inside_load is not None:
        n = len(analysis.signals.time_s)
        load = np.full(n, inside_load)
        analysis = replace(analysis, axle=replace(analysis.axle, load_left_N=load, load_right_N=load))
    values = {"spin_s": inside_s + both_s, "inside_spin_s": inside_s, "both_spin_s": both_s}
    values |= {"coast_moment_Nm": moment_Nm, "entry_share": 0.01, "snap_Nm_s": 1000.0}
    outcomes = np.array([values[name] for name in NAMES])
    return causes([SimpleNamespace(analysis=analysis)], outcomes, outcomes)


def test_no_spin_is_nothing_to_cure():
    cause = judged(inside_s=0.2)["spin"]
    assert cause.verdict == "nothing_to_cure" and not cause.advise


def test_both_wheels_spinning_is_too_much_torque_for_the_tyres():
    cause = judged(inside_s=1.0, both_s=3.0)["spin"]
    assert cause.verdict == "not_the_differential" and not cause.advise
    assert "more torque than both tyres can hold" in cause_sentence(cause)


@pytest.mark.parametrize(
    "blame, verdict, advise",
    [
        (Blame.FOOT, "not_the_differential", False),
        (Blame.OPEN, "cannot_tell", True),
        (Blame.CAR, "differential", True),
    ],
)
def test_whose_spin_it_is(blame, verdict, advise):
    cause = judged(inside_s=3.0, findings=[found(InsideSpin, foot_or_car=blame)])["spin"]
    assert (cause.verdict, cause.advise) == (verdict, advise)


def test_an_inside_wheel_without_load_is_the_suspension_s():
    spin = found(InsideSpin, start_s=0.0, end_s=60.0, foot_or_car=Blame.CAR)
    cause = judged(inside_s=3.0, findings=[spin], inside_load=150.0)["spin"]
    assert cause.verdict == "not_the_differential" and "the wheel hangs" in cause_sentence(cause) and cause.advise


def test_understeer_without_a_moment_of_the_differential_is_not_its():
    cause = judged(findings=[found(CoastUndersteer, of_the_differential=False)])["entry"]
    assert cause.verdict == "not_the_differential" and not cause.advise


def test_understeer_by_the_differential_is():
    cause = judged(findings=[found(CoastUndersteer, of_the_differential=True)])["entry"]
    assert (
        cause.verdict == "differential"
        and "in the replay" in cause_sentence(cause)
        and "120 N.m" in cause_sentence(cause)
    )


def test_without_coasting_in_corners_nothing_is_said_of_the_entry():
    cause = judged(moment_Nm=np.nan)["entry"]
    assert cause.verdict == "cannot_tell" and not cause.advise
