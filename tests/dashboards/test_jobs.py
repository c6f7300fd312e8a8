"""Jobs: done with the same numbers, failed in words, cancelled, and never outliving the server."""

import io
import json
import subprocess
import sys
import time
from importlib import resources
from pathlib import Path

import pyarrow.parquet as pq
import pytest
from watched import command_line, wait

from analyzer.errors import InputError
from analyzer.logbook import results
from analyzer.pipeline import analyze
from analyzer.presentation.result_json import to_json
from dashboards.jobs import AT_ONCE, Jobs, _Job

SAMPLES = Path(str(resources.files("sample_logs")))
CAR = SAMPLES / "club_car.toml"
TWO_LAPS = 17_000  # rows of the samples


def test_sample_run_gives_the_command_line_s_result(logbook, tmp_path):
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
    Jobs(logbook)  # a restart cancels what was waiting
    assert logbook.run(run_id).state == "cancelled"
    jobs = Jobs(logbook)
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
    jobs.start(run_id)
    run, seen = wait(logbook, run_id, states=("done", "failed"))
    assert run.state == "done", run.message
    shares = [share for state, _, share in seen if state == "running"]
    assert shares and shares == sorted(shares)
    setup = SAMPLES / "baseline.setup.toml"
    expected = command_line(tmp_path, "analyze", SAMPLES / "baseline.parquet", "--car", CAR, "--setup", setup)
    assert expected.pop("generator").startswith("halfshaft ")  # the mark of a file, see analyzer/files.py
    assert json.loads(logbook.result_text(run_id)) == expected
    assert to_json(logbook.analysis(run_id)) == logbook.result_text(run_id)


def test_broken_log_fails_in_words(logbook):
    jobs = Jobs(logbook)
    stored = logbook.store("log", "broken.csv", io.BytesIO(b"not a log at all\n\x00\x01"), None)
    run_id = logbook.new_run(log_key=stored.key, car_key="sample", setup_key=None)
    jobs.start(run_id)
    run, _ = wait(logbook, run_id, states=("done", "failed"))
    assert run.state == "failed" and "broken.csv" in run.message and "Traceback" not in run.message


def test_cancel_ends_the_child(logbook):
    jobs = Jobs(logbook)
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    jobs.start(run_id)
    wait(logbook, run_id, states=("running",))
    with jobs._lock:  # 'running' is said just before the child is begun, under this lock
        child = jobs._children[run_id]
    jobs.cancel(run_id)
    assert child.wait(timeout=10) != 0
    wait(logbook, run_id, states=("cancelled",))
    with pytest.raises(InputError, match="no result"):
        logbook.result_text(run_id)
    time.sleep(0.3)
    assert logbook.run(run_id).state == "cancelled"


def test_no_child_is_begun_once_the_server_ends(logbook, monkeypatch):
    begun = []
    monkeypatch.setattr(subprocess, "Popen", lambda *given, **_: begun.append(given))
    jobs = Jobs(logbook)
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    job = jobs._jobs[run_id] = _Job()  # waits for its turn ...
    jobs.close()  # ... which comes when the children before it are ended
    jobs._follow(run_id, job)
    assert not begun and logbook.run(run_id).state == "waiting"
    Jobs(logbook)
    assert logbook.run(run_id).state == "cancelled"


def no_process(*_, **__):
    raise OSError("Resource temporarily unavailable")


def other_words(command, **options):
    return Child([sys.executable, "-c", "print('DeprecationWarning: not JSON')"], **options)


Child = subprocess.Popen


@pytest.mark.parametrize("child", [no_process, other_words])
def test_a_child_that_cannot_be_had_or_understood_fails_its_run_only(logbook, monkeypatch, child):
    jobs = Jobs(logbook)
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    monkeypatch.setattr(subprocess, "Popen", child)
    for _ in range(AT_ONCE + 1):  # a slot that was not given back would stop the last
        jobs.start(run_id)
        run, _ = wait(logbook, run_id, states=("failed",), seconds=30)
        assert "ended unexpectedly" in run.message
        wait_for(lambda: run_id not in jobs._jobs)
        assert logbook.new_run(log_key="sample", car_key="sample", setup_key=None) == run_id


def wait_for(holds, seconds=30):
    end = time.monotonic() + seconds
    while not holds():
        assert time.monotonic() < end
        time.sleep(0.01)


def test_a_comparison_that_a_server_left_is_cancelled_by_the_next(logbook):
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    made = logbook.new_comparison([run_id], [run_id], before_laps="odd", after_laps="even")
    logbook.set_status(made, state="running")
    Jobs(logbook)
    assert logbook.run(made).state == "cancelled" and "server stopped" in logbook.run(made).message


def test_child_ends_when_the_server_is_gone(logbook):
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    child = subprocess.Popen(
        [sys.executable, "-m", "dashboards.worker", str(logbook.folder), run_id],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
    )
    assert b"checking" in child.stdout.readline()
    # what the system does to the pipe of a server that died; the check of the log takes seconds from here
    child.stdin.close()
    assert child.wait(timeout=10) == 4
    child.stdout.close()


def test_comparison_gives_the_command_line_s_result(logbook, monkeypatch, tmp_path):
    monkeypatch.setattr("dashboards.removals.UNDO_S", 0.0)
    jobs = Jobs(logbook)
    ids = []
    for name in ("baseline", "steeper_ramps"):
        path = tmp_path / f"{name}.parquet"
        pq.write_table(pq.read_table(SAMPLES / path.name).slice(0, TWO_LAPS), path)
        with path.open("rb") as stream:
            log = logbook.store("log", f"{name}.parquet", stream, None)
        with (SAMPLES / f"{name}.setup.toml").open("rb") as stream:
            setup = logbook.store("setup", f"{name}.setup.toml", stream, None)
        ids.append(logbook.new_run(log_key=log.key, car_key="sample", setup_key=setup.key))
        run = results.run_of(logbook.book, results.result(logbook.book, ids[-1]))
        found = analyze(log_path=run.log.path, car_path=CAR, setup_path=run.setup.path)
        results.finish(logbook.book, run, found, provenance=results.expected(run))
    made = logbook.new_comparison(ids[:1], ids[1:])
    jobs.start(made)
    run, _ = wait(logbook, made, states=("done", "failed"))
    assert run.state == "done", run.message
    options = [o for k, n in (("before", "baseline"), ("after", "steeper_ramps")) for o in (
        f"--{k}", tmp_path / f"{n}.parquet", f"--{k}-setup", SAMPLES / f"{n}.setup.toml")]  # fmt: skip
    kept = logbook.comparison(made)
    expected = command_line(tmp_path, "compare", *options, "--car", CAR)
    assert expected.pop("generator").startswith("halfshaft ")
    assert kept["result"] == expected
    assert kept["charts"]["change"]["data"] and kept["charts"]["phases"]["data"]
    assert made not in [r.id for r in logbook.runs()]
    # odd laps of one log against its even laps
    split = logbook.new_comparison(ids[:1], ids[:1], before_laps="odd", after_laps="even")
    jobs.start(split)
    run, _ = wait(logbook, split, states=("done", "failed"))
    assert run.state == "done", run.message
    assert logbook.comparison(split)["result"]["before"]["runs"] == [{"log": "baseline.parquet", "laps": [1]}]
    # a comparison goes with any of its runs
    logbook.remove_run(ids[1])
    until = time.monotonic() + 20
    while logbook.comparison(made) is not None and time.monotonic() < until:
        time.sleep(0.02)
    assert logbook.comparison(made) is None


def test_comparison_of_a_run_with_itself_is_refused(logbook):
    run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    with pytest.raises(InputError, match="same run"):
        logbook.new_comparison([run_id], [run_id])
    logbook.new_comparison([run_id], [run_id], before_laps="odd", after_laps="even")


def test_comparison_without_a_side_or_with_two_setups_on_one_is_refused(logbook):
    first = logbook.new_run(log_key="sample", car_key="sample", setup_key=None)
    second = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
    with pytest.raises(InputError, match="no run"):
        logbook.new_comparison([first], [])
    with pytest.raises(InputError, match="different setup files"):
        logbook.new_comparison([first, second], [first], before_laps="odd", after_laps="even")
