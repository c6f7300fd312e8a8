"""A run that is given another log in the browser: fitted together, refused in words, and never half taken."""

import io
import json
from importlib import resources
from pathlib import Path

import pytest
from plotly.utils import PlotlyJSONEncoder
from watched import command_line, wait

from analyzer.errors import InputError
from analyzer.log_check import check_log
from analyzer.logbook import results
from analyzer.logs.registry import open_log
from analyzer.vehicle.car import load_car
from dashboards.check_page import columns_of, layout
from dashboards.jobs import Jobs
from dashboards.run.views import lock

SAMPLES = Path(str(resources.files("sample_logs")))
CAR = SAMPLES / "club_car.toml"
CIRCLES = SAMPLES / "baseline_circles.parquet"


def sent(logbook, path, name=None):
    with path.open("rb") as stream:
        return logbook.store("log", name or path.name, stream, None).key


def test_circles_are_fitted_together_with_the_laps_as_the_command_line_does(logbook, run_id, tmp_path):
    again = logbook.add_log(run_id, sent(logbook, CIRCLES))
    assert again == run_id and logbook.run(run_id).state == "waiting"  # the same link, made anew
    jobs = Jobs(logbook)
    again = logbook.new_run(log_key=logbook.job(run_id)["keys"]["log"], car_key="sample", setup_key=None)
    jobs.start(again)
    run, _ = wait(logbook, again, states=("done", "failed"))
    assert run.state == "done", run.message
    assert run.name == "baseline.parquet + baseline_circles.parquet"
    told = json.loads(logbook.result_text(again))
    expected = command_line(tmp_path, "analyze", SAMPLES / "baseline.parquet", CIRCLES, "--car", CAR)
    expected.pop("generator")
    assert told == expected
    first, second = (json.dumps(layout(logbook, again, f"?log={k}"), cls=PlotlyJSONEncoder) for k in (1, 2))
    assert '"data-log": 1' in first and '"data-log": 2' in second
    for k, path in ((1, SAMPLES / "baseline.parquet"), (2, CIRCLES)):
        assert logbook.check(again, k)["log"] == check_log(path, car=load_car(CAR)).as_json()["log"]
    assert [c["name"] for c in columns_of(logbook, again, 2)["columns"]] == [c.name for c in open_log(CIRCLES).columns]
    with pytest.raises(InputError, match="this run has no log 3; it has 2"):
        layout(logbook, again, "?log=3")
    plotted = lock(logbook.analysis(again))
    assert len(plotted["elsewhere"]) == 1 and plotted["elsewhere"][0]["x"]["high"] > 0


def test_a_run_that_is_analysed_anew_with_another_car_keeps_its_other_logs(logbook, run_id):
    logbook.add_log(run_id, sent(logbook, CIRCLES))
    text = CAR.read_text("utf-8").replace("mass_kg = 1040", "mass_kg = 1051")
    car = logbook.store("car", "heavier.toml", io.BytesIO(text.encode()), None)
    again = logbook.new_run(log_key=logbook.job(run_id)["keys"]["log"], car_key=car.key, setup_key=None)
    run = results.run_of(logbook.book, results.result(logbook.book, again))
    assert again != run_id and [log.name for log in run.logs] == ["baseline.parquet", "baseline_circles.parquet"]
    assert len(logbook.job(again)["logs"]) == 2


def test_what_cannot_be_added_is_refused_and_changes_nothing(logbook, run_id):
    own = logbook.job(run_id)["keys"]["log"]
    with pytest.raises(InputError, match="is this run's own log"):
        logbook.add_log(run_id, own)
    other = logbook.new_run(
        log_key=sent(logbook, SAMPLES / "steeper_ramps.parquet"), car_key="sample", setup_key="sample"
    )
    with pytest.raises(InputError, match=r"baseline\.parquet: is a run of its own .* remove that run"):
        Jobs(logbook)  # what waits is ended: a run that is under way takes no log
        logbook.add_log(other, own)
    assert logbook.run(run_id).state == "done" and logbook.job(run_id)["logs"][1:] == []
    circles = sent(logbook, CIRCLES)
    logbook.add_log(run_id, circles)
    with pytest.raises(InputError, match=r"is a log of run .* already"):
        logbook.new_run(log_key=circles, car_key="sample", setup_key=None)
    with pytest.raises(InputError, match="still being analysed"):
        logbook.add_log(run_id, circles)
