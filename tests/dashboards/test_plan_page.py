"""The plan on its page: the same figures as the command's, and its questions."""

import json
import time
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest

from analyzer.errors import InputError
from analyzer.pipeline import analyze_with_fit
from analyzer.planning.next_test import plan
from analyzer.presentation.plan_json import plan_result
from analyzer.presentation.plan_words import PLAIN
from dashboards.jobs import Asking
from dashboards.plan_page import asked_change, told

SAMPLES = Path(str(resources.files("sample_logs")))
DONE_S = 90.0


@pytest.fixture(scope="module")
def lap(tmp_path_factory):
    """A log of a lap."""
    path = tmp_path_factory.mktemp("lap") / "lap.parquet"
    pq.write_table(pq.read_table(SAMPLES / "baseline.parquet").slice(0, 8_000), path)
    return path


@pytest.fixture
def lap_run(logbook, lap):
    with lap.open("rb") as stream:
        stored = logbook.store("log", lap.name, stream, None)
    return logbook.new_run(log_key=stored.key, car_key="sample", setup_key="sample")


def answered(asking, run_id, words):
    end = time.monotonic() + DONE_S
    state = asking.start(run_id, words)
    while state.under_way and time.monotonic() < end:
        time.sleep(0.05)
    assert not state.error, state.error
    return state.answer


def test_the_page_s_plan_is_the_command_s(logbook, lap, lap_run):
    asking = Asking(logbook, "plan")
    answer = answered(asking, lap_run, "preload=30")
    analysis, fitted = analyze_with_fit(log_path=lap, car_path=SAMPLES / "club_car.toml")
    expected = plan_result(plan(fitted, analysis, question="preload=30"))
    assert [one["name"] for one in answer["plan"]["options"]] == [one["name"] for one in expected["options"]]
    assert answer["plan"]["now"]["curve_width_Nm"] == pytest.approx(expected["now"]["curve_width_Nm"], rel=1e-3)
    shown = json.dumps([part.to_plotly_json() for part in told(answer)], default=lambda c: c.to_plotly_json())
    for option in expected["options"]:
        assert option["name"] in shown
        for part in option["parts"]:
            assert json.dumps(part["caution"])[1:-1] in shown  # no card without its caution
    # asked again with the same words it is there at once
    assert asking.start(lap_run, "preload=30").answer is answer


def test_without_a_question_the_logs_are_judged_alone(logbook, lap_run):
    """Not against the setup file, though the run has one."""
    answer = answered(Asking(logbook, "plan"), lap_run, PLAIN)
    assert answer["plan"]["question"] is None
    assert answer["plan"]["now"]["asked"] == []


def test_what_cannot_be_asked_is_refused_in_words(logbook, lap_run):
    asking = Asking(logbook, "plan")
    state = asking.start(lap_run, "colour=30")
    end = time.monotonic() + DONE_S
    while state.under_way and time.monotonic() < end:
        time.sleep(0.05)
    assert "is not a question" in state.error
    assert asking.state(lap_run) is state


@pytest.mark.parametrize(
    ("what", "size", "asked"),
    [
        ("preload", "30", "preload=30"),
        ("drive_slope%", "-12,5", "drive_slope=-12.5%"),
        ("preload%", " 20 ", "preload=20%"),
    ],
)
def test_a_change_is_asked_as_on_the_command_line(what, size, asked):
    assert asked_change(what, size) == asked


@pytest.mark.parametrize("size", ["", "much", "0", "nan", "inf"])
def test_a_size_that_is_none_is_refused(size):
    with pytest.raises(InputError, match="other than 0"):
        asked_change("preload", size)


def test_without_a_setup_file_the_page_says_how_to_give_one(ask_page, run_id):
    text = ask_page(f"/run/{run_id}/plan")
    assert "This run has no setup file" in text
    assert f"setup?run={run_id}" in text
    assert "question=agrees" not in text
