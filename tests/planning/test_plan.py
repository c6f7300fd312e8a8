"""What a plan promises, on planted information and on logs."""

import json
from importlib.resources import files

import numpy as np
import pytest
from planning.reached import reached
from vehicle.made_axle import IDEAL, made_car, made_inputs, starts

from analyzer.cli.main import main
from analyzer.lockcurve import model
from analyzer.lockcurve.loss import LogTerms
from analyzer.lockcurve.problem import LOCK_SD_Nm
from analyzer.lockcurve.unknowns import Owner
from analyzer.planning.information import Belief, Information, Looks
from analyzer.planning.looks import Arc, held_on, solved_looks
from analyzer.vehicle.axle_solution import solve
from analyzer.vehicle.parameters import Prior

pytestmark = pytest.mark.usefixtures("analysed_once")
SAMPLES = files("sample_logs")
CURVE = np.array([110.0, 0.35, 40.0, 0.15, 60.0])


def planted(count: int = 4000) -> Information:
    """Looks at a known curve, each its own pass, that scatter as their curvature says: G'G = H. Only the curve is
    unknown, and the tyre has the model's form."""
    torque = np.random.default_rng(5).uniform(-500, 1600, count)
    nothing = np.zeros((1, count))  # the one other parameter moves no look
    slopes = np.concatenate([nothing, -model.gradient(CURVE, torque)[0] / LOCK_SD_Nm])
    one = np.ones(count)
    log = LogTerms(Owner(), np.arange(count), ((slopes, one, one),))
    return Information(
        priors=(Prior("log_mass", 0.0, 0.01, "car"),),
        hold_sd_Nm=500.0,
        curve=CURVE,
        values={},
        looks=(Looks(log, torque),),
        beliefs=(),
        misses=np.zeros(1),
        form_factor=0.0,
        hold_tie_Nm=1e4,
    )


def preload_variance(known: Information) -> float:
    return float(known.covariance()[0, 0])


def test_a_bench_reading_shrinks_the_preload_as_the_closed_form_says():
    known = planted()
    before = preload_variance(known)
    for sd in (0.2, 1.0, 5.0):
        after = preload_variance(known.with_belief(Belief({"preload_Nm": 1 / sd}, "bench")))
        # two independent measurements: the inverses of their variances add (JCGM 100 and any textbook)
        assert after == pytest.approx(1 / (1 / before + 1 / sd**2), rel=0.02)


def test_information_is_the_inverse_of_the_covariance():
    known = planted()
    (slopes, _, _), *_ = known.looks[0].terms.terms
    fisher = slopes[1:] @ slopes[1:].T
    assert known.covariance() == pytest.approx(np.linalg.inv(fisher), rel=0.03, abs=1e-3)


def test_twice_the_laps_halve_the_variance_and_more_never_widen():
    known = planted()
    variances = [preload_variance(known.with_laps(times)) for times in (1, 2, 4, 8)]
    assert np.array(variances[:-1]) / variances[1:] == pytest.approx(2.0, rel=0.02)


def test_a_change_is_twice_as_uncertain_where_nothing_is_shared():
    known = planted()
    both = known.before_and_after().covariance()
    weights = np.zeros(10)
    weights[[0, 5]] = -1, 1
    assert weights @ both @ weights == pytest.approx(2 * preload_variance(known), rel=0.03)


def test_planned_passes_scatter_by_what_the_logged_ones_miss():
    known = planted()
    of_log = known.looks[0]
    planned = Looks(of_log.terms, of_log.torque_Nm, planned=True)
    for miss in (0.5, 1.0, 2.0):
        alone = Information(**{**vars(known), "looks": (planned,), "misses": np.array([miss])})
        assert preload_variance(alone) == pytest.approx(miss**2 * preload_variance(known), rel=0.02)


@pytest.fixture(scope="module")
def circled():
    car = made_car()
    arcs = [Arc(radius, left, 50.0) for radius in (15.0, 30.0, 60.0) for left in (True, False)]
    held = held_on(arcs, car, shut_Nm=-300.0, most_Nm=1200.0)
    value = starts(car, **IDEAL)
    inputs, slips, solved = solved_looks(held, value, CURVE, made_inputs(speed=np.full(5, 15.0)), car)
    return car, held, value, inputs, slips, solved


def test_simulated_looks_satisfy_the_axle(circled):
    car, held, value, inputs, slips, solved = circled
    assert solved.mean() > 0.8 and slips[solved].any()
    found = solve(value, inputs.take(solved), car)
    # the estimator's own solver, which knows neither torque nor curve, finds both again
    assert found.at.input_torque_Nm == pytest.approx(held.torque_Nm[solved], abs=2.0)
    moved = np.abs(found.at.torque_difference_Nm)
    carried = model.locking_torque_Nm(CURVE, held.torque_Nm[solved])
    assert moved[slips[solved]] == pytest.approx(carried[slips[solved]], abs=3.0)
    assert (moved[~slips[solved]] <= carried[~slips[solved]] + 3.0).all()
    apart = (inputs.left_m_s - inputs.right_m_s)[solved & ~slips]
    assert np.abs(apart).max(initial=0.0) < 1e-3


def test_circles_both_ways_are_mirrored(circled):
    _, held, _, inputs, slips, solved = circled
    left, right = held.curvature_1_m > 0, held.curvature_1_m < 0
    assert slips[left].tolist() == slips[right].tolist() and solved[left].tolist() == solved[right].tolist()
    both = solved[left]
    assert inputs.left_m_s[left][both] == pytest.approx(inputs.right_m_s[right][both], abs=2e-3)


def test_a_pulse_ends_at_the_top_speed(circled):
    _, held, *_ = circled
    lateral_g = held.speed_m_s**2 * np.abs(held.curvature_1_m) / 9.80665
    assert lateral_g.min() >= 0.249 and lateral_g.max() <= 0.601


@pytest.mark.slow
def test_the_planned_width_comes_true():
    """Drive what the plan says, on a simulated car of the seeds for choosing, and look at the interval then stated."""
    circles, slow_lap = reached(3, "none")
    assert circles.ratio["curve"] == pytest.approx(1, rel=0.25)
    assert circles.ratio["preload_Nm"] == pytest.approx(1, rel=0.33)
    assert slow_lap.ratio["curve"] == pytest.approx(1, rel=0.25)


def test_a_throttle_passes_through_what_lies_between(circled):
    """Without it nothing of a circle lies near where the ramps begin to clamp."""
    _, held, *_ = circled
    moving = held.torque_rate_Nm_s > 0
    steady = np.unique(held.torque_Nm[~moving])
    assert moving.any() and not np.isin(held.torque_Nm[moving], steady).all()
    assert held.torque_Nm[moving].min() > steady.min() and held.torque_Nm[moving].max() < steady.max()


LINE = ["plan", str(SAMPLES / "baseline.parquet"), "--car", str(SAMPLES / "club_car.toml")]


def test_the_command(tmp_path, capsys):
    setup = str(SAMPLES / "baseline.setup.toml")
    assert main([*LINE, "--setup", setup, "--json", str(tmp_path / "p.json"), "--html", str(tmp_path / "p.html")]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "Does the differential agree with its parts?" in said and "Closed course" in said
    result = json.loads((tmp_path / "p.json").read_text())
    assert result["schema"] == 1 and result["question"] == "agrees"
    options = {tuple(part["kind"] for part in option["parts"]): option for option in result["options"]}
    for kinds in (("circles",), ("slow_lap",), ("laps",), ("roll_out",)):
        assert all(part["caution"] and part["steps"] for part in options[kinds]["parts"])
    assert options[("circles",)]["then"]["curve_width_Nm"] < result["now"]["curve_width_Nm"]
    decided = [option["then"]["decides"] for option in result["options"]]
    assert decided == sorted(decided, reverse=True)  # what decides comes first
    page = (tmp_path / "p.html").read_text()
    assert "Test card" in page and "http" not in page.replace("http-equiv", "")


@pytest.mark.parametrize(
    "question, words",
    [("agrees", "give --setup"), ("preload", "is not a question"), ("ramps=3", "is not a question")],
)
def test_a_question_that_is_none_is_refused(question, words, capsys):
    assert main([*LINE, "--question", question]) == 2
    assert words in capsys.readouterr().err
