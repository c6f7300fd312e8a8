"""Verdicts against curves whose difference is known, and their limits."""

import pytest
from made_analysis import made_estimate, made_prediction

from analyzer.agreement.verdict import VERDICTS, agree
from analyzer.presentation.agreement_words import side_sentence


def test_equal_curves_agree():
    agreement = agree(made_estimate(), made_prediction())
    assert agreement.verdict == "agrees"
    assert set(agreement.by_side.values()) == {"agrees"}


@pytest.mark.parametrize(
    ("changes", "side", "verdict"),
    [
        ({"preload": 200.0}, "preload", "stronger"),
        ({"preload": 70.0}, "preload", "weaker"),
        ({"drive": 0.30}, "drive", "stronger"),
        ({"drive": 0.06}, "drive", "weaker"),
        ({"coast": 0.40}, "coast", "stronger"),
    ],
)
def test_a_side_that_is_off_is_named_and_rules_the_verdict(changes, side, verdict):
    agreement = agree(made_estimate(**changes), made_prediction())
    assert agreement.by_side[side] == verdict
    assert agreement.verdict == verdict


def test_the_sentence_says_what_the_setup_file_gets_wrong():
    sentence = side_sentence("drive", agree(made_estimate(drive=0.10), made_prediction()).sides["drive"])
    assert "44 % under the file's 0.18" in sentence  # 0.10/0.18 = 0.556
    assert "ramp" in sentence


def test_an_interval_that_cannot_tell_30_percent_cannot_tell():
    agreement = agree(made_estimate(relative_sd=0.4), made_prediction())
    assert agreement.by_side["preload"] == "cannot_tell"


def test_what_it_cannot_tell_is_a_share_of_a_lock_and_torque_where_there_is_none():
    locked = side_sentence("preload", agree(made_estimate(relative_sd=0.4), made_prediction()).sides["preload"])
    assert "too wide to show a difference of 36 N.m (30 %)." in locked  # of the 120 N.m that the file says
    free = side_sentence(
        "preload", agree(made_estimate(relative_sd=0.4), made_prediction(kind="open")).sides["preload"]
    )
    assert "predicted 0 N.m" in free and "%" not in free


def test_a_difference_from_next_to_no_lock_is_said_in_torque():
    sentence = side_sentence("preload", agree(made_estimate(), made_prediction(preload=10.0)).sides["preload"])
    assert "That is 110 N.m over the setup file" in sentence and "%" not in sentence


def test_an_unsupported_side_cannot_tell_and_leaves_the_others():
    agreement = agree(made_estimate(coast_supported=False), made_prediction())
    assert agreement.by_side["coast"] == "cannot_tell"
    assert agreement.verdict == "agrees"


def test_bounds_under_the_setup_file_cannot_tell_and_bounds_over_it_say_stronger():
    under = agree(made_estimate(kind="bound"), made_prediction())
    assert set(under.by_side.values()) == {"cannot_tell"} and under.verdict == "cannot_tell"
    over = agree(made_estimate(kind="bound", preload=500.0), made_prediction())
    assert over.by_side["preload"] == "stronger" and over.verdict == "stronger"


def test_an_open_differential_that_locks_is_stronger_and_one_that_does_not_agrees():
    assert agree(made_estimate(), made_prediction(kind="open")).verdict == "stronger"
    free = agree(made_estimate(preload=8.0, drive=0.0, coast=0.0), made_prediction(kind="open"))
    assert free.verdict == "agrees"


def test_a_spool_agrees_when_nothing_slipped_and_is_weaker_when_it_did():
    spool = made_prediction(kind="spool")
    assert agree(made_estimate(kind="bound"), spool).verdict == "agrees"
    assert agree(made_estimate(), spool).verdict == "weaker"


def test_verdicts_are_of_the_contract():
    for estimate in (made_estimate(), made_estimate(kind="bound"), made_estimate(drive=0.4)):
        agreement = agree(estimate, made_prediction())
        assert {agreement.verdict, *agreement.by_side.values()} <= set(VERDICTS)
        assert all(side_sentence(side, found).endswith(".") for side, found in agreement.sides.items())
