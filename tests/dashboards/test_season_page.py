"""The season: preload of every run of a car, and where the setup changed."""

import io
from dataclasses import replace
from importlib import resources
from pathlib import Path
from urllib.parse import quote

import pytest

from analyzer.errors import InputError
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook import results
from analyzer.logbook.listing import preload_trend
from dashboards.season_page import answer, cars, season

SAMPLES = Path(str(resources.files("sample_logs")))
CAR = "invented club car"


def put(logbook, analysis, name, setup, date_s):
    """A run that is done, with a log of bytes of its own."""
    stored = logbook.store("log", name, io.BytesIO(name.encode()), None)
    text = (SAMPLES / setup).read_bytes()
    setup_key = logbook.store("setup", setup, io.BytesIO(text), len(text)).key
    made = logbook.new_run(log_key=stored.key, car_key="sample", setup_key=setup_key)
    run = results.run_of(logbook.book, results.result(logbook.book, made))
    results.finish(logbook.book, run, analysis, provenance=results.expected(run))
    logbook.say_of(made, date_s=date_s)
    return made


@pytest.fixture
def driven(logbook, analysis):
    """Three runs, the last with other ramps; put in out of order."""
    late = put(logbook, analysis, "c.csv", "steeper_ramps.setup.toml", 3e9)
    first = put(logbook, analysis, "a.csv", "baseline.setup.toml", 1e9)
    second = put(logbook, analysis, "b.csv", "baseline.setup.toml", 2e9)
    return [first, second, late]


def test_runs_stand_in_the_order_they_were_driven_and_changes_are_marked(logbook, driven, analysis):
    told = season(logbook, CAR)["points"]
    assert [point["run"] for point in told] == driven
    assert [point["changed"] for point in told] == [False, False, True]
    measured = analysis.lock_curve.parameters["preload_Nm"]
    assert told[0]["preload"] == [measured.value, measured.lower, measured.upper]
    assert [point["km"] for point in told] == sorted(point["km"] for point in told) and told[0]["km"] > 0
    value, lower, upper = told[0]["parts"]
    assert lower < value < upper


def test_the_answer_claims_a_change_only_where_intervals_are_apart(logbook, driven):
    points = preload_trend(logbook.book, CAR)
    assert "only one with this setup" in answer(points)
    same = points[:2]
    assert "no change can be claimed" in answer(same)
    fell = tuple(
        replace(point, preload_Nm=Interval(value, value - 5, value + 5, None))
        for point, value in zip(same, (60.0, 40.0), strict=True)
    )
    assert "it fell from 60 (55 to 65)" in answer(fell)
    touching = (fell[0], replace(fell[1], preload_Nm=Interval(50.0, 45.0, 55.0, None)))
    assert "no change can be claimed" in answer(touching)
    nothing = tuple(replace(point, preload_Nm=Interval(None, 30.0, None, "locked throughout")) for point in same)
    assert answer(nothing) == "No run with the present setup measures the preload."


def test_the_page_names_the_car_and_leads_to_each_run(ask_page, logbook, driven):
    text = ask_page("/season")
    assert "Season: " in text and CAR in text
    for run_id in driven:
        assert run_id in text
    (only,) = cars(logbook)
    assert only == CAR
    known = f"/car/{quote(CAR)}"
    assert known.replace("/", r"\u002f") in text and "What is known of " in ask_page(known)


def test_a_logbook_without_runs_says_what_to_do(logbook):
    assert cars(logbook) == []
    with pytest.raises(InputError, match="no run in this logbook"):
        season(logbook, "some car")
