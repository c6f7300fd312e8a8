"""The odds of the setup file against other builds. That they are right as often as they say is measured by
`agreement.odds_sessions`; its figures stand in DEVELOPERS.md."""

import math
from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from agreement.odds_sessions import Case, cases, fitted, planted, said
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.agreement.alternatives import AS_THE_FILE_SAYS, alternatives
from analyzer.agreement.diagnose import TEMPER, belief, log_evidence
from analyzer.agreement.verdict import Odds, OddsAgainst
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.lockcurve import marginal_likelihood, model
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.problem import make_problem
from analyzer.lockcurve.witness import Witness
from analyzer.presentation.agreement_words import bar, headline, odds_words

SAMPLES = Path(str(resources.files("sample_logs")))
SD_Nm = 30.0


@pytest.fixture
def setup():
    return load_setup(SAMPLES / "baseline.setup.toml")


def witness_of(curve: np.ndarray, *, torque_Nm: np.ndarray) -> Witness:
    """A log that shows a curve without error, through a car and a tyre that are known."""
    return Witness(
        torque_Nm=torque_Nm,
        fitted_Nm=model.locking_torque_Nm(curve, torque_Nm),
        weight=np.ones(len(torque_Nm)),
        slipping=np.ones(len(torque_Nm), bool),
        by_capacity=np.full(len(torque_Nm), -1 / SD_Nm),
        residual=np.zeros(len(torque_Nm)),
        by_unknown=np.zeros((len(torque_Nm), 1)),
        information=np.eye(1),
        gradient=np.zeros(1),
    )


def test_evidence_of_a_straight_line_is_the_textbooks():
    """Linear and Gaussian: log N(y; X m, s^2 + X S X') up to a constant, the marginal likelihood of a linear model
    (Bishop, Pattern Recognition and Machine Learning, 2006, section 3.5; from memory). Only the preload is unsure."""
    torque = np.linspace(20.0, 60.0, 5)
    shown = np.array([100.0, 0.0, 0.0, 0.0, 0.0])
    witness = witness_of(shown, torque_Nm=torque)
    found = []
    expected = []
    for preload in (80.0, 100.0, 130.0):
        mean = np.array([preload, 0.0, 0.0, 0.0, 0.0])
        spread = np.diag([25.0, 1e-9, 1e-9, 1e-9, 1e-9]) ** 2
        found.append(_without_form(witness, mean, spread))
        covariance = SD_Nm**2 * np.eye(5) + 25.0**2
        apart = np.full(5, 100.0 - preload)
        expected.append(-0.5 * apart @ np.linalg.solve(covariance, apart))
    assert np.diff(found) == pytest.approx(np.diff(expected), abs=0.02)


def _without_form(witness: Witness, mean: np.ndarray, covariance: np.ndarray) -> float:
    """As `log_evidence`, the form of the tyre taken for right."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("analyzer.lockcurve.marginal_likelihood.model_error", lambda *a, **k: np.zeros((2, 5)))
        return marginal_likelihood.log_evidence(witness, mean, covariance)


def test_a_locked_sample_bounds_a_curve_and_does_not_measure_it():
    """Tobit's model: what held is as likely under any curve above it, and the less likely the further one is below."""
    shown = np.array([100.0, 0.0, 0.0, 0.0, 0.0])
    slipped = witness_of(shown, torque_Nm=np.linspace(20.0, 60.0, 30))
    held = replace(slipped, slipping=np.zeros(30, bool), by_capacity=np.full(30, 1 / SD_Nm))
    spread = np.diag([1.0, 1e-9, 1e-9, 1e-9, 1e-9]) ** 2
    evidence = {
        preload: _without_form(held, np.array([preload, 0.0, 0.0, 0.0, 0.0]), spread)
        for preload in (40.0, 200.0, 300.0)
    }
    assert evidence[300.0] == pytest.approx(evidence[200.0], abs=0.1)
    assert evidence[40.0] < evidence[200.0] - 10


def test_curves_within_the_error_of_the_tyre_s_form_are_hardly_told_apart():
    """Slopes 0.02 apart are one deviation of the split's error (`uncertainty.SPLIT_ERROR_SHARE`); a hundred samples
    without that error tell them apart."""
    torque = np.repeat(np.linspace(100.0, 1500.0, 10), 10)
    shown = np.array([60.0, 0.30, 0.0, 0.10, 0.0])
    witness = witness_of(shown, torque_Nm=torque)
    other, spread = shown + np.array([0.0, 0.02, 0.0, 0.0, 0.0]), np.diag([5.0, 0.002, 1.0, 0.002, 1.0]) ** 2
    sure, unsure = (
        of(witness, shown, spread) - of(witness, other, spread)
        for of in (_without_form, marginal_likelihood.log_evidence)
    )
    assert sure > 3 and 0 < unsure < 1.5


def test_the_logs_speak_as_much_more_softly_as_the_answer_is_less_sure():
    """Twice the deviation is a quarter of the information (`lockcurve.fit`: what does not average out)."""
    found = fit(make_problem(simulated_set(300, np.random.default_rng(8)).observed, CAR, KNOWN))
    plain = Witness.of(found)
    wider = Witness.of(replace(found, problem=replace(found.problem, widened=2.0)))
    for name in ("weight", "information", "gradient"):
        assert getattr(wider, name) == pytest.approx(getattr(plain, name) / 4)
    proposed = belief_of(found.curve), belief_of(found.curve + np.array([40.0, 0.1, 0.0, 0.0, 0.0]))
    of = marginal_likelihood.log_evidence
    loud, soft = (of(w, *proposed[0]) - of(w, *proposed[1]) for w in (plain, wider))
    assert loud > 10 and 0 < soft < 0.9 * loud  # what is believed of the car beforehand is as loud as ever


def belief_of(curve):
    return curve, np.diag([5.0, 0.01, 5.0, 0.01, 5.0]) ** 2


def test_a_log_without_samples_tells_nothing(setup):
    witness = witness_of(np.array([60.0, 0.2, 0.0, 0.1, 0.0]), torque_Nm=np.zeros(0))
    evidence = [log_evidence(witness, one.curve) for one in alternatives(predict_lock_curve(setup), setup)]
    assert evidence == pytest.approx([evidence[0]] * len(evidence), abs=1e-6)


def test_a_log_that_shows_one_build_speaks_for_it(setup):
    torque = np.repeat(np.linspace(-600.0, 1500.0, 40), 40)
    found = alternatives(predict_lock_curve(setup), setup)
    for shown in found:
        if shown.kind in ("ring_springs_left_out", "preload_step_up", "preload_step_down", "plates_worn"):
            continue  # a few newton-metres on this car
        witness = witness_of(belief(shown.curve)[0], torque_Nm=torque)
        evidence = {one.kind: log_evidence(witness, one.curve) for one in found}
        assert max(evidence, key=evidence.__getitem__) == shown.kind


def test_the_belief_is_the_predictions_own_band(setup):
    """95 % of the drive slope, against the band that `halfshaft predict` prints."""
    curve = predict_lock_curve(setup)
    mean, covariance = belief(curve)
    low, high = curve.interval_of("drive_slope")
    assert mean[1] == pytest.approx(curve.drive_slope)
    assert math.exp(1.96 * math.sqrt(covariance[1, 1]) / mean[1]) == pytest.approx(high / mean[1], rel=0.1)
    assert low < mean[1] < high


def test_where_a_flat_ramp_begins_to_clamp_is_unknown(setup):
    curve = predict_lock_curve(setup)
    _, as_said = belief(curve)
    _, flat = belief(replace(curve, coast_slope=0.0))
    assert np.sqrt(as_said[4, 4]) < 100 < 180 < np.sqrt(flat[4, 4])
    assert flat[2, 2] == pytest.approx(as_said[2, 2])


def test_alternatives_are_what_the_file_leaves_to_change(setup):
    kinds = {one.kind for one in alternatives(predict_lock_curve(setup), setup)}
    assert {AS_THE_FILE_SAYS, "ramps_exchanged", "preload_gone", "plates_worn", "ramps_steeper"} <= kinds
    same = setup.model_copy(update={"coast_ramp_angle_deg": setup.drive_ramp_angle_deg, "ring_spring": None})
    fewer = {one.kind for one in alternatives(predict_lock_curve(same), same)}
    assert not {"ramps_exchanged", "ring_springs_left_out"} & fewer
    bench = load_setup(SAMPLES / "baseline_bench.setup.toml")
    glazed = {
        name: next(o.curve for o in alternatives(predict_lock_curve(s), s) if o.kind == "plates_glazed").preload_Nm
        / predict_lock_curve(s).preload_Nm
        for name, s in (("springs", setup), ("bench", bench))
    }
    assert glazed == pytest.approx({"springs": 0.6, "bench": 1.0})  # the bench felt the friction that there is
    spool = Setup(type="spool")
    assert len(alternatives(predict_lock_curve(spool), spool)) == 1
    sheet = Setup.model_validate(
        {
            "type": "plate",
            "drive_lock_percent": 40,
            "coast_lock_percent": 20,
            "breakaway": {"torque_Nm": 40, "method": "case_held"},
        }
    )
    kinds = {one.kind for one in alternatives(predict_lock_curve(sheet), sheet)}
    assert "preload_gone" in kinds and "ramps_steeper" not in kinds


def test_steeper_by_five_degrees_is_a_ratio_of_tangents(setup):
    """tan 45 / tan 40 = 1.192: a 45 degree ramp cut 5 degrees steeper (trigonometry)."""
    at_45 = setup.model_copy(update={"drive_ramp_angle_deg": 45.0})
    curve = predict_lock_curve(at_45)
    steeper = next(o for o in alternatives(curve, at_45) if o.kind == "ramps_steeper")
    assert steeper.curve.drive_slope / curve.drive_slope == pytest.approx(1.192, abs=1e-3)


@pytest.mark.parametrize(
    "times, words, length",
    [
        (1.9, "not separable", 0.0),
        (0.6, "not separable", 0.0),
        (23.0, "20 to 1 for the file", math.log(23) / math.log(100)),
        (1 / 23, "20 to 1 against the file", -math.log(23) / math.log(100)),
        (5e6, "more than 100 to 1 for the file", 1.0),
    ],
)
def test_odds_in_words_and_as_a_bar(times, words, length):
    one = OddsAgainst("preload_gone", times)
    assert odds_words(one) == words
    assert bar(one) == pytest.approx(length)


def test_headlines():
    against = lambda **times: Odds(tuple(OddsAgainst(k, v) for k, v in times.items()))  # noqa: E731
    assert (
        headline(against(preload_gone=23.0, plates_worn=1.1), "agrees") == "20 to 1 for the file against preload gone."
    )
    both = headline(against(preload_gone=200.0, plates_worn=14.0), "agrees")
    assert both == "10 to 1 or more for the setup file against preload gone or plates worn thin, half the preload left."
    assert "to 1" in headline(against(preload_gone=1.0), "agrees") and "can't separate" in headline(
        against(preload_gone=1.0), "agrees"
    )
    assert headline(against(preload_gone=0.2), "agrees").endswith(
        "5 to 1 against the setup file, too little to act on."
    )
    assert headline(against(preload_gone=0.02), "agrees") == "Preload gone rather than the setup file: 50 to 1."
    off = headline(against(preload_gone=1.0), "weaker")
    assert off.endswith("contradicts the file, and none of these builds alone explains it.")
    assert "explains" not in headline(against(preload_gone=0.02), "weaker")
    tied = headline(against(preload_gone=0.02, plates_worn=0.04, ramps_exchanged=40.0), "agrees")
    assert tied.startswith("Preload gone or plates worn") and tied.endswith("can't separate these.")


def test_the_table_counts_what_is_right():
    """Ten cases at 20 to 1 after the temper, one of them wrong."""
    at = math.log(20) / TEMPER
    found = [Case(k, "a", "b", -at if k == 0 else at) for k in range(10)]
    assert "10 to 30 to 1: 10 said, 90 % right" in list(said(found, TEMPER))


@pytest.mark.slow
def test_a_few_sessions_are_told_rightly():
    """With laps and circles: what is said at 10 to 1 is right."""
    found: list[Case] = []
    for seed in (6, 8, 13):
        car, kind = planted(seed)
        found += cases(seed, car, kind, fitted(car, "laps+circles"))
    loud = [c for c in found if math.exp(TEMPER * abs(c.log_odds)) >= 10]
    assert len(loud) >= 1 and all(c.log_odds > 0 for c in loud)  # one of them since rough logs widen the answer


def test_a_silent_file_is_the_mean_over_both_positions(setup):
    curve = predict_lock_curve(setup)
    witness = witness_of(belief(curve)[0], torque_Nm=np.linspace(0.0, 900.0, 60))
    ends = [log_evidence(witness, replace(curve, series_shares=(share,))) for share in (0.0, 1.0)]
    both = log_evidence(witness, replace(curve, series_shares=(0.0, 1.0)))
    assert both == pytest.approx(math.log(np.mean(np.exp(ends))))
