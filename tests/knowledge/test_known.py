"""Runs of one car put together: the limits where the answer is known, who is heard, and who contradicts."""

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from analyzer.errors import InputError
from analyzer.files import json_text
from analyzer.knowledge import known_car
from analyzer.knowledge.carried import RADIUS, SENSOR, TYRE, WANDERING, wandering
from analyzer.knowledge.knowledge_file import as_json, load_knowledge
from analyzer.knowledge.known_car import Heard, Hearing, Knowledge, Usable
from analyzer.knowledge.told import Gaussian, misfit, together

from .cars import NAMES, PRIOR_SD, a_car, a_run

PRIOR = Gaussian(NAMES, np.diag(PRIOR_SD**-2), np.zeros(len(NAMES)))


def of(names):
    return [NAMES.index(name) for name in names]


def names(usable):
    return [one.name for one in usable.runs]


def test_without_runs_the_prior_is_all_there_is():
    run = a_run(np.random.default_rng(0), np.zeros(len(NAMES)))
    usable = Knowledge("car", ()).usable_by(run)
    assert usable.runs == () and usable.probability is None and not usable.known.information.any()
    np.testing.assert_allclose((usable.known + PRIOR).covariance(), np.diag(PRIOR_SD**2))
    assert Knowledge("car", ()).of_the_newest() is None


def test_two_identical_runs_halve_the_variance_where_nothing_wanders():
    rng = np.random.default_rng(1)
    said = Gaussian.said(a_run(rng, a_car(rng), rank=60).told)
    still = said.wandered(np.zeros(len(NAMES)))
    np.testing.assert_allclose(still.information, said.information, rtol=1e-9)
    both = together([still, still], NAMES)
    np.testing.assert_allclose(both.covariance(), said.covariance() / 2, rtol=1e-6)
    np.testing.assert_allclose(both.mean(), said.mean(), rtol=1e-6)


def test_wandering_adds_to_the_variance():
    rng = np.random.default_rng(2)
    said, sd = Gaussian.said(a_run(rng, a_car(rng), rank=60).told), wandering(NAMES)
    np.testing.assert_allclose(said.wandered(sd).covariance(), said.covariance() + np.diag(sd**2), rtol=1e-6)


def test_no_number_of_runs_makes_the_next_one_surer_than_its_own_wandering():
    rng = np.random.default_rng(3)
    car = a_car(rng)
    knowledge = Knowledge("car", tuple(a_run(rng, car, number=k, rank=60) for k in range(200)))
    known = knowledge.usable_by(a_run(rng, car, number=999)).known
    sure = np.sqrt(np.diag(known.covariance())) / wandering(NAMES)
    assert np.all(sure > 1) and np.all(sure < 1.05)


def test_what_wanders_without_limit_is_not_handed_on():
    rng = np.random.default_rng(4)
    said = Gaussian.said(a_run(rng, a_car(rng)).told)
    assert not said.wandered(np.full(len(NAMES), np.inf)).information.any()
    some = np.where(np.isin(NAMES, list(TYRE)), np.inf, 0.0)
    found, limit = said.wandered(some), said.wandered(np.where(np.isinf(some), 1e4, 0.0))
    np.testing.assert_allclose(found.information, limit.information, rtol=1e-3, atol=1e-3 * found.information.max())
    assert not found.information[of(TYRE)].any()


def test_a_run_is_never_told_its_own_word():
    rng = np.random.default_rng(5)
    car = a_car(rng)
    one, other = (a_run(rng, car, number=k) for k in range(2))
    assert Knowledge("car", (one,)).usable_by(one).runs == ()
    with_own, without = (Knowledge("car", runs).usable_by(one) for runs in ((one, other), (other,)))
    assert names(with_own) == names(without) == ["run 1"]
    np.testing.assert_array_equal(with_own.known.information, without.known.information)


@pytest.mark.parametrize(
    "changed, gone",
    [
        ("tyres", {**TYRE, **RADIUS}),
        ("weather", TYRE),
        ("sensor", {**SENSOR, "log_speed_scale": 0}),
        ("channels", SENSOR),
        ("car", WANDERING),
    ],
)
def test_what_changed_ends_what_hangs_on_it(changed, gone):
    rng = np.random.default_rng(6)
    car = a_car(rng)
    run, other = a_run(rng, car), a_run(rng, car, number=1, rank=60, **{changed: "another"})
    usable = Knowledge("car", (other,)).usable_by(run)
    told = np.diag(usable.known.information) > 0
    assert not told[of(gone)].any()
    assert told[[i for i, name in enumerate(NAMES) if name not in gone]].all()
    assert names(usable) == ([] if changed == "car" else ["run 1"])


def test_what_changed_is_taken_out_with_what_was_known_of_it_before():
    """Marginal of the posterior: the covariance of what is kept, with the prior of what is gone; it wanders twice, from
    the run to the car and from the car to the next run."""
    rng = np.random.default_rng(16)
    car = a_car(rng)
    run, other = a_run(rng, car), a_run(rng, car, number=1, rank=60, tyres="another")
    known = Knowledge("car", (other,)).usable_by(run).known
    gone = np.isin(NAMES, [*TYRE, *RADIUS])
    kept = ~gone
    posterior = np.linalg.inv(other.told.information + np.diag(np.where(gone, PRIOR_SD**-2.0, 0.0)))
    expected = posterior[np.ix_(kept, kept)] + 2 * np.diag(wandering(NAMES)[kept] ** 2)
    scale = np.sqrt(np.diag(expected))
    found = np.linalg.inv(known.information[np.ix_(kept, kept)])
    np.testing.assert_allclose(found / np.outer(scale, scale), expected / np.outer(scale, scale), atol=1e-6)


def test_others_word_is_left_where_it_makes_the_answer_no_surer(monkeypatch):
    """A log whose passes scatter little knows more than its curvature says (`use.informed`)."""
    blind, found = SimpleNamespace(problem=None, theta=None), SimpleNamespace()
    monkeypatch.setattr(known_car, "with_knowledge", lambda problem, known: None)
    monkeypatch.setattr(known_car, "refit", lambda before, problem: found)
    heard = Heard("run 1", "abc")
    offered = Usable(known=None, runs=(heard,), left_out=(), probability=0.5, offered=(heard,))
    for sd_Nm, answer, runs in ((9.0, found, (heard,)), (11.0, blind, ())):
        monkeypatch.setattr(known_car, "_curve_sd_Nm", lambda one, sd_Nm=sd_Nm: 10.0 if one is blind else sd_Nm)
        taken, used = known_car.informed(blind, offered)
        assert taken is answer and used.runs == runs and used.offered == (heard,)
    assert [(one.name, one.reason) for one in used.left_out] == [("run 1", known_car.NO_SURER)]


def test_a_run_of_another_version_is_not_heard():
    rng = np.random.default_rng(7)
    car = a_car(rng)
    usable = Knowledge("car", (a_run(rng, car, number=1, code="2"),)).usable_by(a_run(rng, car))
    assert usable.runs == () and "another version" in usable.left_out[0].reason


def test_knowledge_of_a_car_is_as_sure_as_it_says():
    """Over cars drawn from the prior, the miss over its stated deviation is standard normal (Kolmogorov-Smirnov)."""
    rng, miss = np.random.default_rng(8), []
    for _ in range(60):
        car = a_car(rng)
        own = car + rng.normal(0, wandering(NAMES))
        knowledge = Knowledge("car", tuple(a_run(rng, car, number=k) for k in range(3)))
        known = knowledge.usable_by(a_run(rng, own, number=9, wanders=0.0, rank=1)).known + PRIOR
        miss += list(np.linalg.solve(np.linalg.cholesky(known.covariance()), own - known.mean()))
    assert stats.kstest(miss, "norm").pvalue > 0.01


def test_the_misfit_of_one_car_is_evenly_spread():
    rng, found = np.random.default_rng(9), []
    for _ in range(200):
        car = a_car(rng)
        known = together([Gaussian.said(a_run(rng, car).told).wandered(wandering(NAMES)) for _ in range(2)], NAMES)
        found.append(misfit(Gaussian.said(a_run(rng, car).told), known.wandered(wandering(NAMES)) + PRIOR))
    # each of the words wanders by itself; with the prior the wandering counts once less, so it errs to the safe side
    assert stats.kstest(found, "uniform", alternative="less").pvalue > 0.001
    assert np.mean(np.array(found) < 0.05) < 0.08


def test_who_contradicts_the_rest_is_named_and_not_heard():
    rng = np.random.default_rng(10)
    car = a_car(rng)
    runs = [a_run(rng, car, number=k, rank=30, off=4 * PRIOR_SD if k == 3 else 0.0) for k in range(6)]
    knowledge = Knowledge("car", tuple(runs))
    assert [one.name for one in knowledge.contradicting] == ["run 3"]
    usable = knowledge.usable_by(a_run(rng, car, number=9, rank=30))
    assert names(usable) == ["run 0", "run 1", "run 2", "run 4", "run 5"]
    assert [one.name for one in usable.left_out] == ["run 3"]
    stranger = knowledge.usable_by(a_run(rng, car, number=8, rank=30, off=-4 * PRIOR_SD))
    assert stranger.runs == () and stranger.probability < 1e-6


def test_of_two_that_contradict_each_other_neither_is_heard():
    rng = np.random.default_rng(11)
    car = a_car(rng)
    runs = [a_run(rng, car, number=k, rank=60, off=5 * k * PRIOR_SD) for k in range(2)]
    assert set(Hearing(runs).left_out) == {0, 1}


def test_runs_of_one_car_are_seldom_named():
    rng, named = np.random.default_rng(12), 0
    for _ in range(100):
        car = a_car(rng)
        named += bool(Hearing([a_run(rng, car, number=k) for k in range(6)]).left_out)
    assert named <= 4  # 1 in 100 by the stated level; more than 4 comes in 4 of 1000 (binomial)


def test_of_two_hundred_runs_every_one_is_heard_or_named():
    """How long that takes is a row of `benchmarks/budgets.py`."""
    rng = np.random.default_rng(13)
    car = a_car(rng)
    words = [{"tyres": f"set {k % 4}", "weather": ("dry", "wet")[k % 2]} for k in range(201)]
    runs = [a_run(rng, car, number=k, **driven) for k, driven in enumerate(words)]
    knowledge = Knowledge("car", tuple(runs[:200]))
    assert len(knowledge.usable_by(runs[200]).runs) + len(knowledge.contradicting) == 200


def test_a_file_gives_back_what_was_written(tmp_path):
    rng = np.random.default_rng(14)
    car = a_car(rng)
    knowledge = Knowledge("car", tuple(a_run(rng, car, number=k) for k in range(2)))
    (tmp_path / "known.json").write_text(json_text(as_json(knowledge)))
    again = load_knowledge(tmp_path / "known.json")
    assert again.car == "car" and [run.name for run in again.runs] == ["run 0", "run 1"]
    for one, other in zip(knowledge.runs, again.runs, strict=True):
        assert (one.logs, one.driven_with, one.code, one.date_s) == (
            other.logs,
            other.driven_with,
            other.code,
            other.date_s,
        )
        np.testing.assert_array_equal(one.told.information, other.told.information)
        np.testing.assert_array_equal(one.told.weighted, other.told.weighted)


@pytest.mark.parametrize(
    "change, said",
    [
        (lambda d: d | {"kind": "something"}, "kind"),
        (lambda d: d["runs"][0]["weighted"].append(1.0) or d, "another count"),
        (lambda d: d["runs"][0]["information"][0].__setitem__(0, -1e9) or d, "negative"),
        (lambda d: d["runs"][0]["prior_sd"].__setitem__(0, 0.0) or d, "not above 0"),
        (lambda d: d["runs"][0].__delitem__("code") or d, "code"),
    ],
)
def test_a_file_that_is_none_is_refused_with_a_reason(tmp_path, change, said):
    rng = np.random.default_rng(15)
    found = as_json(Knowledge("car", (a_run(rng, a_car(rng)),)))
    (tmp_path / "known.json").write_text(json_text(change(found)))
    with pytest.raises(InputError, match=said):
        load_knowledge(tmp_path / "known.json")


def test_a_file_that_is_no_json_is_refused(tmp_path):
    (tmp_path / "known.json").write_text("[car]\n")
    with pytest.raises(InputError, match="is not JSON"):
        load_knowledge(tmp_path / "known.json")
