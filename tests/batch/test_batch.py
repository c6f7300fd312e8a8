"""A batch: all logs in one table, once; what failed is named; what is done is not done again."""

import dataclasses
import io
import json
import os
import shutil
import signal
from importlib import resources
from pathlib import Path

import pandas as pd
import pyarrow.parquet as pq
import pytest

from analyzer.analysis import PhaseResult
from analyzer.batch import workers
from analyzer.batch.places import Log, find_logs
from analyzer.batch.progress import COLUMNS, Parts
from analyzer.batch.run import run_batch
from analyzer.batch.workers import Settings, Task
from analyzer.cli.main import main
from analyzer.errors import InputError
from analyzer.provenance import Provenance, provenance
from dashboards.uploads import checked

pytestmark = pytest.mark.usefixtures("analysed_once")
GOOD = ["first.parquet", "may/second.parquet"]


def test_season_table_holds_every_phase_and_names_what_failed(logs, car, tmp_path, capsys, request):
    out = tmp_path / "out"
    arguments = ["batch", str(logs), "--car", str(car), "--out", str(out), "--processes", "2"]
    assert main([*arguments, "--json", str(tmp_path / "told.json")]) == 3
    said = capsys.readouterr()
    assert "2 logs analysed, 0 done before, 1 failed" in said.out
    assert "broken.csv: no table of numbers" in said.err
    table = pd.read_parquet(out / "season.parquet")
    assert sorted(table["log"].unique()) == GOOD
    for name in GOOD:  # the same rows as the result of each log alone
        result = json.loads(next((out / "results").glob(f"{name.replace('/', '_')}-*.json")).read_text())
        rows = table[table["log"] == name]
        phases = [(c["lap"], c["corner"], p) for c in result["corners"] for p in c["phases"]]
        assert len(rows) == len(phases) > 20
        for row, (lap, corner, phase) in zip(rows.to_dict("records"), phases, strict=True):
            assert (row["lap"], row["corner"], row["phase"]) == (lap, corner, phase["phase"])
            for key in ("transfer_torque_Nm", "inside_slip", "mean_speed_m_s"):
                assert (pd.isna(row[key]) and phase[key] is None) or row[key] == phase[key]
    assert table["date"].notna().all()

    # the same again does nothing anew; a changed log alone is done again
    request.getfixturevalue("in_this_process")
    parts = {p: p.stat().st_mtime_ns for p in (out / "parts").iterdir()}
    assert main(arguments) == 3
    assert "0 logs analysed, 2 done before, 1 failed" in capsys.readouterr().out
    assert parts == {p: p.stat().st_mtime_ns for p in (out / "parts").iterdir()}
    (logs / "broken.csv").unlink()
    pq.write_table(pq.read_table(logs / "first.parquet").slice(0, 9000), logs / "first.parquet")
    assert main(arguments) == 0
    assert "1 log analysed, 1 done before, 0 failed" in capsys.readouterr().out
    assert pd.read_parquet(out / "season.parquet")["log"].value_counts()["first.parquet"] < len(
        table[table["log"] == "first.parquet"]
    )


@pytest.mark.usefixtures("in_this_process")
def test_another_car_or_code_is_done_again(logs, car, tmp_path, monkeypatch):
    (logs / "may" / "second.parquet").unlink()
    (logs / "broken.csv").unlink()
    out = tmp_path / "out"
    run_batch(folder=str(logs), car_path=car, out=out, processes=1)
    log = find_logs(str(logs))[0]
    same = provenance(car_path=car)
    assert Parts(out).made_of(log, same)
    assert not Parts(out).made_of(log, dataclasses.replace(same, car_sha256="0" * 64))
    assert not Parts(out).made_of(log, dataclasses.replace(same, setup_sha256="0" * 64))
    assert not Parts(out).made_of(log, dataclasses.replace(same, code="0.0.0+0"))
    part = next((out / "parts").iterdir())
    table = pq.read_table(part)
    for kept in ("{", '{"log_sha256": "0", "of_another_version": 1}'):
        pq.write_table(table.replace_schema_metadata({b"halfshaft_provenance": kept}), part)
        assert not Parts(out).made_of(log, same)


def test_every_number_of_a_phase_has_a_described_column():
    fields = {field.name for field in dataclasses.fields(PhaseResult)}
    assert fields - COLUMNS.keys() == set(), "add it to COLUMNS of analyzer/batch/season_table.py, with its unit"
    assert COLUMNS.keys() - fields == {"log", "run", "date", "car"}
    assert all(len(description) > 8 for _, description in COLUMNS.values())


def test_columns_are_described_in_the_file(logs, car, tmp_path):
    parts = Parts(tmp_path / "out")
    parts.make()
    assert parts.write_season([]) == 0
    schema = pq.read_schema(parts.folder / "season.parquet")
    assert {f.name: f.metadata[b"description"].decode() for f in schema} == {n: d for n, (_, d) in COLUMNS.items()}


def task(place: Path, car: Path) -> Task:
    log = Log(place.name, str(place), None)
    return Task(log, Settings(car.name, car.read_bytes()), None, None, provenance(car_path=car))


def test_a_process_that_is_killed_takes_no_other_log_with_it(tmp_path, cut_logs, car):
    """The pool breaks when a process dies; each log that was under way is then tried alone."""
    os.mkfifo(tmp_path / "endless.csv")  # opening it waits for ever
    outcomes = workers.on_this_machine(
        [task(tmp_path / "endless.csv", car), task(cut_logs / "baseline.parquet", car)], processes=2
    )
    first = next(outcomes)
    assert first.log == "baseline.parquet" and first.reason is None
    import threading

    stop = threading.Event()
    killer = threading.Thread(target=kill_children, args=(stop,))
    killer.start()
    try:
        (last,) = outcomes
    finally:
        stop.set()
        killer.join()
    assert last.log == "endless.csv" and "its process was ended by the system" in last.reason


def kill_children(stop) -> None:
    import multiprocessing

    while not stop.wait(0.5):
        for child in multiprocessing.active_children():
            os.kill(child.pid, signal.SIGKILL)


@pytest.mark.usefixtures("in_this_process")
def test_ctrl_c_keeps_what_is_done_and_the_same_command_goes_on(tmp_path, cut_logs, car):
    import subprocess
    import sys
    import time

    folder = tmp_path / "logs"
    folder.mkdir()
    for k in range(4):
        (folder / f"log{k}.parquet").write_bytes((cut_logs / "baseline.parquet").read_bytes())
    out = tmp_path / "out"
    line = ["batch", str(folder), "--car", str(car), "--out", str(out), "--processes", "1"]
    process = subprocess.Popen(
        [sys.executable, "-m", "analyzer.cli.main", *line],
        stderr=subprocess.PIPE,
        text=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler),
    )
    while not list(out.glob("parts/*.parquet")):
        assert process.poll() is None
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    said = process.communicate(timeout=60)[1]
    assert process.returncode == 130 and "goes on from there" in said and "Traceback" not in said
    done = len(list(out.glob("parts/*.parquet")))
    assert 1 <= done < 4
    assert pd.read_parquet(out / "season.parquet")["log"].nunique() == done
    report = run_batch(folder=str(folder), car_path=car, out=out, processes=1)
    assert (len(report.before), len(report.analysed)) == (done, 4 - done)


@pytest.mark.usefixtures("in_this_process")
def test_an_address_in_memory(logs, car, tmp_path):
    fsspec = pytest.importorskip("fsspec")
    files = fsspec.filesystem("memory")
    files.pipe("/season/one.parquet", (logs / "first.parquet").read_bytes())
    files.pipe("/season/deep/readme.txt", b"nothing of use")
    try:
        report = run_batch(folder="memory://season", car_path=car, out=tmp_path / "out", processes=1)
    finally:
        files.rm("/season", recursive=True)
    assert report.analysed == ["one.parquet"]
    assert list(report.failed) == ["deep/readme.txt"]
    assert report.rows > 20


@pytest.mark.usefixtures("in_this_process")
def test_an_address_of_files(logs, car, tmp_path):
    pytest.importorskip("fsspec")
    (logs / "may" / "second.parquet").unlink()
    report = run_batch(folder=f"file://{logs}", car_path=car, out=tmp_path / "out", processes=1)
    assert report.analysed == ["first.parquet"] and list(report.failed) == ["broken.csv"]
    again = run_batch(folder=f"file://{logs}", car_path=car, out=tmp_path / "out", processes=1)
    assert again.before == ["first.parquet"]
    table = pd.read_parquet(again.season)
    changed = (logs / "first.parquet").stat().st_mtime
    assert table["date"].iloc[0].timestamp() == int(changed)


@pytest.mark.usefixtures("in_this_process")
def test_a_table_that_is_there_is_not_emptied(logs, car, tmp_path, capsys):
    for name in GOOD:
        (logs / name).unlink()
    out = tmp_path / "out"
    out.mkdir()
    (out / "season.parquet").write_bytes(b"of before")
    arguments = ["batch", str(logs), "--car", str(car), "--out", str(out), "--processes", "1"]
    assert main(arguments) == 2 and "is there already" in capsys.readouterr().err
    assert main([*arguments, "--overwrite"]) == 3
    assert "No log could be analysed" in capsys.readouterr().out
    assert (out / "season.parquet").read_bytes() == b"of before"


def test_output_inside_the_folder_is_not_a_log(logs, car):
    (logs / "out").mkdir()
    (logs / "out" / "season.parquet").write_bytes(b"PAR1")
    found = find_logs(str(logs), without=logs / "out")
    assert [log.name for log in found] == ["broken.csv", *GOOD]


@pytest.mark.parametrize(
    "change, words",
    [
        (["nowhere"], "is no folder"),
        (["--processes", "0"], "allowed: 1 to 256"),
        (["--scheduler", "tcp://127.0.0.1:9"], "no scheduler answers"),
        (["gopher://x"], "cannot be listed"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(logs, car, tmp_path, capsys, monkeypatch, change, words):
    pytest.importorskip("distributed")
    monkeypatch.setattr("analyzer.batch.workers.CONNECT_S", 1.0)
    folder = [str(logs)] if change[0].startswith("--") else []
    assert main(["batch", *folder, *change, "--car", str(car), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert words in said and "Traceback" not in said


def test_logs_are_found_by_their_ending(tmp_path):
    """All that `analyze` reads, packed as it reads it; the page takes the same."""
    logs = ["a.tsv", "b.CSV.gz", "c.parquet.zip", "e.xlsx", "f.csv.xz", "g.txt.bz2", "h.tar.gz", "i.tgz"]
    for name in (*logs, "notes.md", ".hidden.csv", "d.truth.parquet", "letters.gz"):
        (tmp_path / name).touch()
    assert [log.name for log in find_logs(str(tmp_path))] == logs
    for name in logs:
        assert checked("log", name, io.BytesIO(), None)[0] == name


def test_a_folder_without_logs_is_said(tmp_path):
    with pytest.raises(InputError, match="no log in it"):
        find_logs(str(tmp_path))


def test_a_worker_of_another_version_refuses(cut_logs, car):
    from analyzer.batch.workers import analyse_log

    other = dataclasses.replace(
        task(cut_logs / "baseline.parquet", car), expected=Provenance("", "", None, None, "0.0.1+abc")
    )
    assert "install the same version" in analyse_log(other).reason


def test_the_guide_names_every_column():
    text = resources.files("dashboards.guide").joinpath("user.md").read_text("utf-8")
    table = text.split("\n## Batch\n")[1].split("\n## ")[0]
    assert [name for name in COLUMNS if f"`{name}`" not in table] == []


@pytest.mark.usefixtures("in_this_process")
def test_a_name_that_is_no_utf8_does_not_end_the_batch(cut_logs, car, tmp_path, capsys):
    folder = tmp_path / "logs"
    folder.mkdir()
    (folder / "good.parquet").write_bytes((cut_logs / "baseline.parquet").read_bytes())
    for name in (b"m\xe4rz.parquet", b"\x1b[31mred.parquet"):
        with open(os.fsencode(folder) + b"/" + name, "wb") as file:
            file.write((cut_logs / "steeper_ramps.parquet").read_bytes())
    with open(os.fsencode(folder) + b"/m\xe4rz.csv", "wb") as file:
        file.write(b"nothing\n")
    arguments = ["batch", str(folder), "--car", str(car), "--out", str(tmp_path / "out"), "--processes", "2"]
    told = tmp_path / "told.json"
    assert main([*arguments, "--json", str(told)]) == 3
    said = capsys.readouterr()
    assert "3 logs analysed" in said.out and "m\ufffdrz.csv" in said.err
    assert "\x1b" not in said.out + said.err
    assert "m\ufffdrz.parquet" in json.loads(told.read_text("utf-8"))["analysed"]
    assert "m\ufffdrz.parquet" in set(pd.read_parquet(tmp_path / "out" / "season.parquet")["log"])
    assert main(arguments) == 3 and "3 done before" in capsys.readouterr().out


@pytest.mark.usefixtures("in_this_process")
@pytest.mark.parametrize("place", ["season.parquet", "parts", "results"])
def test_somebody_s_file_in_the_output_folder_stays_and_is_said_before_the_work(cut_logs, car, tmp_path, capsys, place):
    logs, out = tmp_path / "logs", tmp_path / "out"
    logs.mkdir()
    (logs / "a.parquet").write_bytes((cut_logs / "baseline.parquet").read_bytes())
    arguments = ["batch", str(logs), "--car", str(car), "--out", str(out), "--processes", "1"]
    assert main(arguments) == 0
    (in_the_way,) = (out / place).iterdir() if (out / place).is_dir() else [out / place]
    in_the_way.write_text("mine")
    if place == "results":
        shutil.rmtree(out / "parts")  # not done, so it would be written again
    if place == "season.parquet":
        shutil.rmtree(out / "parts")
    assert main(arguments) == 2
    assert "is there already" in capsys.readouterr().err and in_the_way.read_text() == "mine"
    assert not (out / "parts").exists() or place == "parts"  # nothing is made where something is refused
    assert main([*arguments, "--overwrite"]) == 0 and in_the_way.read_bytes() != b"mine"


@pytest.mark.usefixtures("in_this_process")
def test_logs_of_one_run_are_fitted_together(logs, car, tmp_path, capsys):
    (logs / "broken.csv").unlink()
    runs = tmp_path / "runs.toml"
    runs.write_text('[[run]]\nlogs = ["first.parquet", "may/second.parquet"]\n')
    out = tmp_path / "out"
    arguments = ["batch", str(logs), "--car", str(car), "--out", str(out), "--processes", "1", "--runs", str(runs)]
    assert main(arguments) == 0
    assert "1 log analysed" in capsys.readouterr().out
    table = pd.read_parquet(out / "season.parquet")
    assert sorted(table["log"].unique()) == GOOD and set(table["run"]) == {"first.parquet"}
    (result,) = [json.loads(path.read_text()) for path in (out / "results").iterdir()]
    assert [one["file"] for one in result["logs"]] == ["first.parquet", "second.parquet"]
    assert len(table) == sum(len(one["phases"]) for one in result["corners"])
    assert main(arguments) == 0
    assert "0 logs analysed, 1 done before" in capsys.readouterr().out


@pytest.mark.parametrize(
    "text, said",
    [
        ('[[run]]\nlogs = ["first.parquet", "secnd.parquet"]\n', "no log 'secnd.parquet'"),
        ('[[run]]\nlogs = ["first.parquet"]\n[[run]]\nlogs = ["first.parquet"]\n', "named twice"),
        ('[[run]]\nlog = ["first.parquet"]\n', "unknown key 'log'"),
        ("logs = 1\n", "unknown key 'logs'"),
    ],
)
def test_a_runs_file_that_does_not_fit_is_refused(logs, car, tmp_path, capsys, text, said):
    (tmp_path / "runs.toml").write_text(text)
    arguments = ["--car", str(car), "--out", str(tmp_path / "out"), "--runs", str(tmp_path / "runs.toml")]
    assert main(["batch", str(logs), *arguments]) == 2
    assert said in capsys.readouterr().err
