"""Explanations of a disagreement: planted in the numbers, then planted in simulated sessions."""

from dataclasses import replace

import numpy as np
import pytest
from agreement.planted import PLANTED, setup, told
from made_analysis import made_estimate, made_prediction
from scipy import stats
from sizes import only_whole

from analyzer.agreement import diagnose as room
from analyzer.agreement.alternatives import possible_causes
from analyzer.agreement.diagnose import diagnose
from analyzer.agreement.steady_samples import SteadyMeans
from analyzer.agreement.verdict import Explanation
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup
from analyzer.presentation.agreement_words import diagnosis_sentence, explanation_sentence
from analyzer.presentation.words import explanation_cells

TORQUES = np.array([-500.0, -350, -200, -50, 100, 300, 500, 800, 1200])
NOTHING_BOUND = replace(made_estimate(), points=())


def seen(curve, *, common: float = 0.06, own_Nm: float = 8.0, count: int = 9) -> SteadyMeans:
    """The curve itself as if measured, with an error that all torques share and one of their own."""
    at = TORQUES[:count]
    locking = curve.locking_torque_Nm(at)
    return SteadyMeans(at, locking, common**2 * np.outer(locking, locking) + own_Nm**2 * np.eye(len(at)))


@pytest.mark.parametrize("cause", list(PLANTED))
def test_a_cause_planted_in_the_numbers_comes_first(cause):
    planted = PLANTED[cause]
    measured = seen(predict_lock_curve(planted.fitted))
    found = diagnose(measured, NOTHING_BOUND, predict_lock_curve(planted.file), planted.file)
    assert found.explanations[0].kind == cause and cause in found.tied
    assert all(
        a.times_better >= b.times_better for a, b in zip(found.explanations, found.explanations[1:], strict=False)
    )


@pytest.mark.parametrize(
    ("cause", "value"),
    # by hand from PLANTED: 1300/4500, 10000/4500, 2 mu z r_eff 6000 N with r_eff 51.5 mm, 0.055/0.11
    [("preload_soft", 0.289), ("preload_up", 2.22), ("ring_springs", 135.96), ("friction", 0.5)],
)
def test_the_free_figure_is_recovered_within_its_interval(cause, value):
    planted = PLANTED[cause]
    measured = seen(predict_lock_curve(planted.fitted), common=0.03, own_Nm=3.0)
    best = diagnose(measured, NOTHING_BOUND, predict_lock_curve(planted.file), planted.file).explanations[0]
    assert best.lower <= value <= best.upper
    assert best.value == pytest.approx(value, rel=0.12)


def test_a_log_that_says_little_leaves_the_file_alone():
    vague = seen(predict_lock_curve(PLANTED["preload_soft"].fitted), common=0.8, own_Nm=200.0)
    found = diagnose(vague, NOTHING_BOUND, predict_lock_curve(setup()), setup())
    assert found.verdict == "as_the_file_says" and found.tied[0] == "as_the_file_says"
    assert "also possible" in diagnosis_sentence(found)


def test_bounds_alone_can_contradict_the_file_and_only_from_above():
    nothing = SteadyMeans(np.zeros(0), np.zeros(0), np.zeros((0, 0)))
    file = made_prediction()
    over = diagnose(nothing, made_estimate(kind="bound", preload=500.0), file)
    assert over.explanations[0].kind == "preload_up" and "as_the_file_says" not in over.tied
    under = diagnose(nothing, made_estimate(kind="bound", preload=20.0), file)
    assert under.tied[0] == "as_the_file_says"


def test_nothing_seen_cannot_tell_and_parts_that_do_not_exist_are_not_doubted():
    nothing = SteadyMeans(np.zeros(0), np.zeros(0), np.zeros((0, 0)))
    assert diagnose(nothing, NOTHING_BOUND, made_prediction()).verdict == "cannot_tell"
    assert diagnose(nothing, NOTHING_BOUND, made_prediction(kind="open")) is None
    assert diagnose(nothing, NOTHING_BOUND, made_prediction(kind="spool")) is None


def test_explanations_that_would_change_nothing_are_not_offered():
    two_way = setup(drive_ramp_angle_deg=45, coast_ramp_angle_deg=45)
    kinds = {c.kind for c in possible_causes(predict_lock_curve(two_way), two_way)}
    # 45 degrees is 45 degrees from either reference, and equal ramps exchanged are equal
    assert not kinds & {"ramps_exchanged", "other_angle_reference"}
    sheet = {c.kind for c in possible_causes(made_prediction(), None)}
    assert "other_angle_reference" not in sheet and "ramps_exchanged" in sheet


def test_the_likelihood_is_the_multivariate_t_of_the_reference_library():
    """scipy.stats.multivariate_t, an implementation of its own."""
    curve = replace(made_prediction(), spread=type(made_prediction().spread)())  # a file that is sure of itself
    measured = seen(made_prediction(preload=140.0))
    none = np.zeros(0)
    (ours,) = room._log_likelihoods([curve], room._Data(measured, none, none))
    theirs = stats.multivariate_t(
        loc=curve.locking_torque_Nm(measured.torque_Nm), shape=measured.covariance, df=room.DEGREES
    ).logpdf(measured.locking_Nm)
    assert ours == pytest.approx(theirs, rel=1e-9)


def test_a_free_figure_pays_for_what_it_could_have_explained():
    """Evidence of a flat factor against a point: with the truth at the file, the point wins by about the ratio of the
    prior's width to the posterior's (Occam factor; MacKay, Information Theory, ch. 28, from memory)."""
    found = diagnose(seen(predict_lock_curve(setup())), NOTHING_BOUND, predict_lock_curve(setup()), setup())
    friction = next(x for x in found.explanations if x.kind == "friction")
    assert 0.02 < friction.times_better < 0.5
    assert found.tied == ("as_the_file_says",)


# none, one of the springs, of the ramps and of the plates; in the numbers (above) all are planted
DRIVEN = ("as_the_file_says", "preload_soft", "ramps_exchanged", "friction")


@pytest.mark.parametrize("cause", [c if c in DRIVEN else pytest.param(c, marks=only_whole) for c in PLANTED])
def test_a_cause_planted_in_a_simulated_session_is_told_or_tied_and_said_so(cause, tmp_path):
    found = told(cause, 1, tmp_path)
    assert cause in found.tied
    if len(found.tied) > 1:
        assert any(words in diagnosis_sentence(found) for words in ("also possible", "Not clear", "can't separate"))


@pytest.mark.parametrize(
    "file",
    [
        setup(coast_ramp_angle_deg=90),  # one-way: the coast ramp is flat and has no hold-off
        setup(cone_spring={"force_N": 0}),
        setup(cone_spring=None, breakaway={"torque_Nm": 60, "method": "one_wheel_held"}),
        setup(drive_ramp_angle_deg=12, coast_ramp_angle_deg=82),  # read the other way, the coast ramp would lock itself
        Setup.model_validate(
            {
                "type": "plate",
                "drive_lock_percent": 40,
                "coast_lock_percent": 20,
                "breakaway": {"torque_Nm": 60, "method": "case_held"},
            }
        ),
    ],
    ids=["one-way", "no preload", "bench", "steep", "data sheet"],
)
def test_every_kind_of_file_can_be_doubted_and_a_right_one_is_left_alone(file):
    predicted = predict_lock_curve(file)
    found = diagnose(seen(predicted), NOTHING_BOUND, predicted, file)
    assert found.verdict == "as_the_file_says" and len(found.explanations) >= 3
    assert all(np.isfinite(x.times_better) for x in found.explanations)
    assert all(explanation_sentence(x).endswith(".") for x in found.explanations)


def test_an_interval_that_ends_with_the_search_is_told_as_a_bound():
    at_end = Explanation("preload_up", 1000.0, 4.0, 3.78, 4.0, "of_the_file", fits=True)
    said = explanation_sentence(at_end)
    assert "at least 3.78 times the file's:" in said and "(3.78" not in said
    assert explanation_cells(at_end)[2] == "at least file × 3.78"
    inside = replace(at_end, value=2.2, lower=1.9, upper=2.6)
    assert "2.20 times the file's (1.90 to 2.60)" in explanation_sentence(inside)
