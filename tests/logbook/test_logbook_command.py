"""`halfshaft logbook` as typed."""

import json
import shutil
import time

import pyarrow.parquet as pq
import pytest
from made_analysis import made_analysis

from analyzer.cli.main import main
from analyzer.logbook import add, results


@pytest.fixture
def book(tmp_path, monkeypatch):
    """Runs `halfshaft logbook` on a logbook of its own, with a made-up analysis; gives the exit status."""
    made = made_analysis()
    monkeypatch.setattr(add, "analyze", lambda **paths: made)

    def run(action, *arguments):
        return main(["logbook", action, *map(str, arguments), "--logbook", str(tmp_path / "book")])

    return run


def listed(book, capsys):
    capsys.readouterr()
    assert book("list", "--json", "-") == 0
    return json.loads(capsys.readouterr().out)


def test_add_list_show_remove(book, short_logs, car, samples, capsys):
    logs = [short_logs / "before.parquet", short_logs / "after.parquet"]
    assert (
        book("add", *logs, "--car", car, "--setup", samples / "baseline.setup.toml", "--date", "2026-05-02T14:30") == 0
    )
    assert "preload" in capsys.readouterr().out
    found = listed(book, capsys)
    assert sorted(run["log"]["file"] for run in found) == ["after.parquet", "before.parquet"]
    assert {run["result"]["state"] for run in found} == {"up to date"}
    assert {run["setup"]["file"] for run in found} == {"baseline.setup.toml"}
    assert book("list") == 0
    table = capsys.readouterr().out
    assert "before.pa" in table and "2026-05-02" in table and max(map(len, table.splitlines())) <= 80
    assert book("show", "before") == 0
    shown = capsys.readouterr().out
    assert found[0]["result"]["code"] in shown and "Cautions" in shown and "Measured lock curve" in shown
    assert book("show", found[0]["id"][:6], "--json", "-") == 0
    assert json.loads(capsys.readouterr().out)["schema"] == 1
    assert book("remove", "before.parquet") == 0
    assert [run["log"]["file"] for run in listed(book, capsys)] == ["after.parquet"]


def test_the_same_log_again_is_said(book, short_logs, car, tmp_path, capsys):
    shutil.copy(short_logs / "before.parquet", tmp_path / "copy.parquet")
    assert book("add", short_logs / "before.parquet", "--car", car) == 0
    assert book("add", tmp_path / "copy.parquet", "--car", car) == 0
    assert "there already, as before.parquet" in capsys.readouterr().out
    assert len(listed(book, capsys)) == 1


def test_a_bad_log_does_not_stop_the_others(book, short_logs, car, tmp_path, capsys):
    (tmp_path / "bad.csv").write_text("nothing\n")
    assert book("add", tmp_path / "bad.csv", short_logs / "before.parquet", "--car", car) == 2
    assert "bad.csv" in capsys.readouterr().err
    assert len(listed(book, capsys)) == 1


def test_what_changed_is_listed_as_out_of_date_and_shown_as_it_was_until_it_is_updated(
    book, short_logs, car, capsys, monkeypatch
):
    book("add", short_logs / "before.parquet", "--car", car)
    monkeypatch.setattr(results, "code_version", lambda: "9.9.9+f")
    assert listed(book, capsys)[0]["result"]["state"] == "out of date"
    assert book("show", "before.parquet") == 0
    shown = capsys.readouterr()
    assert "9.9.9+f" not in shown.out and "this result is out of date" in shown.err
    assert listed(book, capsys)[0]["result"]["state"] == "out of date"
    assert book("trend") == 0 and "1 result is not up to date" in capsys.readouterr().err
    assert book("update", "before.parquet") == 0
    capsys.readouterr()
    assert book("show", "before.parquet") == 0
    shown = capsys.readouterr()
    assert "9.9.9+f" in shown.out and shown.err == ""
    assert listed(book, capsys)[0]["result"]["state"] == "up to date"


def test_a_car_alone_corrects_its_runs(book, short_logs, car, tmp_path, capsys):
    book("add", short_logs / "before.parquet", short_logs / "after.parquet", "--car", car)
    other = tmp_path / "weighed.toml"
    other.write_text(car.read_text().replace("mass_kg = 1", "mass_kg = 2", 1))
    assert book("add", "--car", other) == 0
    assert "2 runs have weighed.toml now" in capsys.readouterr().out
    assert {run["car"]["file"] for run in listed(book, capsys)} == {"weighed.toml"}


def test_one_run_is_one_run(book, short_logs, car, capsys):
    book("add", short_logs / "before.parquet", "--car", car)
    assert book("add", "--car", car) == 0
    assert f"1 run has {car.name} now" in capsys.readouterr().out


def test_a_long_name_stands_whole_on_a_line_of_its_own(book, short_logs, car, tmp_path, capsys):
    long = tmp_path / "2026-05-02_session3_new_tyres_and_a_cold_track.parquet"
    shutil.copy(short_logs / "before.parquet", long)
    book("add", long, "--car", car)
    for action in ("list", "trend"):
        capsys.readouterr()
        assert book(action) == 0
        table = capsys.readouterr().out
        assert f"  {long.name}" in table.splitlines()
        assert max(map(len, table.splitlines())) <= 80


def test_export_writes_plain_files(book, short_logs, car, samples, tmp_path):
    setup = samples / "baseline.setup.toml"
    book("add", short_logs / "before.parquet", "--car", car, "--setup", setup)
    assert book("export", "--out", tmp_path / "out") == 0
    (folder,) = (tmp_path / "out").iterdir()
    assert (folder / "log" / "before.parquet").read_bytes() == (short_logs / "before.parquet").read_bytes()
    assert (folder / "car" / car.name).read_bytes() == car.read_bytes()
    assert (folder / "setup" / setup.name).read_bytes() == setup.read_bytes()
    assert pq.read_table(folder / "log.parquet").num_rows == pq.read_table(short_logs / "before.parquet").num_rows
    assert json.loads((folder / "result.json").read_text())["schema"] == 1
    assert json.loads((folder / "run.json").read_text())["log"]["file"] == "before.parquet"
    # what the run has no more is gone from the next export; what somebody put beside it stays
    other = shutil.copy(car, tmp_path / "corrected.toml")
    (folder / "notes.txt").touch()
    book("add", short_logs / "before.parquet", "--car", other)
    assert book("export", "--out", tmp_path / "out") == 0
    assert not (folder / "setup").exists() and json.loads((folder / "run.json").read_text())["setup"] is None
    assert sorted(p.name for p in folder.iterdir()) == [
        "car", "log", "log.parquet", "notes.txt", "result.json", "run.json",
    ]  # fmt: skip


def test_trend(book, short_logs, car, capsys):
    book("add", short_logs / "before.parquet", "--car", car, "--date", "2026-05-02")
    book("add", short_logs / "after.parquet", "--car", car, "--date", "2026-05-03")
    capsys.readouterr()
    assert book("trend", "--json", "-") == 0
    told = json.loads(capsys.readouterr().out)
    assert [run["log"] for run in told["runs"]] == ["before.parquet", "after.parquet"]
    assert told["runs"][1]["distance_before_km"] == told["runs"][0]["distance_km"] > 0
    assert book("trend", "--car", told["car"]) == 0
    shown = capsys.readouterr().out
    assert max(map(len, shown.splitlines())) <= 80 and "95 % interval" in shown


@pytest.mark.parametrize(
    "arguments, words",
    [
        (["show", "nothing"], "there is no run 'nothing' in this logbook; there are: "),
        (["remove", "nothing"], "there is no run"),
        (["list", "--car", "nobody"], "cars there: "),
        (["trend", "--car", "nobody"], "cars there: "),
        (["add", "--car", "nowhere.toml"], "nowhere.toml: no such file"),
        (["export", "--out", "/dev/null/x"], "cannot be written"),
    ],
)
def test_what_is_wrong_is_said_in_one_sentence(book, short_logs, car, capsys, arguments, words):
    book("add", short_logs / "before.parquet", "--car", car)
    assert book(*arguments) == 2
    said = capsys.readouterr().err
    assert words in said and "Traceback" not in said


def test_a_wrong_date_is_said(book, short_logs, car, capsys):
    assert book("add", short_logs / "before.parquet", "--car", car, "--date", "yesterday") == 2
    assert "allowed: a date as 2026-05-31" in capsys.readouterr().err


def test_a_logbook_that_is_not_there_is_not_made(tmp_path, capsys):
    assert main(["logbook", "list", "--logbook", str(tmp_path / "none")]) == 2
    assert "there is no such logbook" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_the_page_shows_what_the_command_added(book, short_logs, car, tmp_path, monkeypatch):
    from dashboards import removals
    from dashboards.logbook import Logbook

    monkeypatch.setattr(removals, "UNDO_S", 0.05)  # for so long a removed run can be had back, and its log stays
    book("add", short_logs / "before.parquet", "--car", car)
    page = Logbook(tmp_path / "book")
    (run,) = page.runs()
    assert (run.log_name, run.car_name, run.state) == ("before.parquet", car.name, "done")
    assert page.analysis(run.id).recording.name == made_analysis().recording.name
    page.remove_run(run.id)
    assert list(page.runs()) == []
    until = time.monotonic() + 10
    while len(page.files("log")) > 1 and time.monotonic() < until:
        time.sleep(0.02)
    assert [f.key for f in page.files("log")] == ["sample"]
