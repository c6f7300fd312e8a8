"""A logbook keeps what came in byte for byte, once, with results that know what they came from."""

import hashlib
import json
import shutil
import sqlite3
import subprocess
import sys

import numpy as np
import pytest

from analyzer.errors import CannotTell, HalfshaftError, InputError
from analyzer.logbook import add, results, runs, stored_files
from analyzer.logbook.add import up_to_date
from analyzer.logbook.folder import checked, safe_name
from analyzer.logbook.listing import preload_trend
from analyzer.logbook.store import Store
from analyzer.logs.read import read_log
from analyzer.pipeline import analyze
from analyzer.presentation.result_json import to_json


def test_a_log_is_kept_byte_for_byte_with_its_hash(store, short_logs, car):
    original = (short_logs / "before.parquet").read_bytes()
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    assert run.log.path.read_bytes() == original
    assert run.log.sha256 == hashlib.sha256(original).hexdigest()
    assert run.car.path.read_bytes() == car.read_bytes()


@pytest.mark.parametrize("name", ["baseline.parquet", "stiffer_cone.csv.gz", "baseline_minimum.csv"])
def test_the_parquet_copy_reads_as_the_log_does(store, samples, car, name):
    run = add.add(store, samples / name, car_path=car).run
    original, copy = read_log(samples / name), read_log(run.log.parquet)
    assert copy.channels.keys() == original.channels.keys()
    np.testing.assert_array_equal(copy.time_s, original.time_s)
    for channel, values in original.channels.items():
        np.testing.assert_array_equal(copy.channels[channel], values)


def test_the_same_log_twice_is_one_run(store, short_logs, car, tmp_path):
    first = add.add(store, short_logs / "before.parquet", car_path=car, date_s=1e9)
    shutil.copy(short_logs / "before.parquet", tmp_path / "other name.parquet")
    again = add.add(store, tmp_path / "other name.parquet", car_path=car)
    assert (first.known, again.known) == (False, True)
    assert again.run == first.run and len(runs.runs(store)) == 1
    assert len([path for path in (store.folder / "files" / "log").iterdir() if path.is_dir()]) == 1


def test_a_result_is_the_pipeline_s_and_made_once(store, short_logs, car, monkeypatch):
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    found = up_to_date(store, run)
    expected = analyze(log_path=short_logs / "before.parquet", car_path=car)
    assert results.result_text(store, found.id) == to_json(expected)
    assert to_json(results.analysis_of(store, found.id)) == to_json(expected)
    speed = expected.signals.speed_m_s[expected.signals.valid]
    assert found.distance_km == pytest.approx(np.mean(speed) * len(speed) / expected.signals.rate_hz / 1000, rel=1e-6)
    monkeypatch.setattr(add, "analyze", None)  # a second analysis would fail
    assert up_to_date(store, run) == found


def counting(monkeypatch):
    """Replaces the analysis by a made-up one and counts."""
    from made_analysis import made_analysis

    calls, made = [], made_analysis()
    monkeypatch.setattr(add, "analyze", lambda **paths: calls.append(paths) or made)
    return calls


def test_results_are_made_anew_when_code_car_setup_or_map_change(
    store, short_logs, car, samples, tmp_path, monkeypatch
):
    calls = counting(monkeypatch)
    log = short_logs / "before.parquet"

    def analysed(**others):
        run = add.add(store, log, **{"car_path": car, **others}).run
        up_to_date(store, run)
        return len(calls)

    assert analysed() == 1
    assert analysed() == 1
    heavier = tmp_path / "car.toml"
    heavier.write_text(car.read_text().replace("mass_kg = 1", "mass_kg = 2", 1))
    assert analysed(car_path=heavier) == 2
    assert calls[-1]["car_path"].read_text() == heavier.read_text()
    assert analysed(setup_path=samples / "baseline.setup.toml") == 3
    (tmp_path / "map.toml").write_text('[channels]\nthrottle = "throttle"\n')
    assert analysed(channels_path=tmp_path / "map.toml") == 4
    assert analysed() == 4  # what was made with the first car is still current
    monkeypatch.setattr(results, "code_version", lambda: "9.9.9+f")
    assert analysed() == 5
    (current,) = [r for r in results.results(store) if r.code == "9.9.9+f"]
    assert current.car_id == runs.runs(store)[0].car.id


def test_a_comment_in_the_car_file_makes_nothing_anew(store, short_logs, car, tmp_path, monkeypatch):
    calls = counting(monkeypatch)
    log = short_logs / "before.parquet"
    up_to_date(store, add.add(store, log, car_path=car).run)
    run = add.add(store, log, car_path=car).run
    (tmp_path / "noted.toml").write_text("# weighed in May\n" + car.read_text())
    noted = add.add(store, log, car_path=tmp_path / "noted.toml").run
    assert noted.car.id != run.car.id and results.expected(noted) == results.expected(run)
    up_to_date(store, run)
    assert len(calls) == 1


def test_a_corrected_car_goes_to_all_its_runs(store, short_logs, car, tmp_path):
    for name in ("before", "after"):
        add.add(store, short_logs / f"{name}.parquet", car_path=car)
    other = tmp_path / "other.toml"
    other.write_text(car.read_text().replace("mass_kg = 1", "mass_kg = 2", 1))
    corrected = add.correct_car(store, other)
    assert len(corrected) == 2 and {run.car.name for run in corrected} == {"other.toml"}
    other.write_text(other.read_text().replace('name = "', 'name = "another ', 1))
    with pytest.raises(InputError, match="no run in this logbook is of a car named 'another"):
        add.correct_car(store, other)


def test_a_log_that_cannot_be_analysed_is_kept_with_the_reason(store, samples, car, tmp_path):
    text = (samples / "baseline_minimum.csv").read_text().splitlines()[:300]
    (tmp_path / "short.csv").write_text("\n".join(text))
    run = add.add(store, tmp_path / "short.csv", car_path=car).run
    with pytest.raises(HalfshaftError) as first:
        up_to_date(store, run)
    with pytest.raises(CannotTell, match=r"short\.csv") as again:
        up_to_date(store, run)
    assert str(first.value) == str(again.value)
    assert results.preload(results.result_of(store, run)).reason == str(first.value)


@pytest.mark.parametrize("content", [b"", b"no numbers\n", b"PAR1 cut"])
def test_what_is_no_log_leaves_nothing(store, car, tmp_path, content):
    (tmp_path / "bad.csv").write_bytes(content)
    with pytest.raises(InputError, match=r"bad\.csv"):
        add.add(store, tmp_path / "bad.csv", car_path=car)
    assert runs.runs(store) == [] and stored_files.files(store, "car") == []
    assert not [p for p in store.folder.glob("files/*/*")]


def test_removing_takes_files_and_results_and_leaves_the_car(store, short_logs, car, monkeypatch):
    counting(monkeypatch)
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    other = add.add(store, short_logs / "after.parquet", car_path=car).run
    for one in (run, other):
        up_to_date(store, one)
    runs.remove_run(store, run.id)
    assert [r.id for r in runs.runs(store)] == [other.id]
    assert not run.log.path.exists() and not run.log.parquet.exists()
    assert len(list((store.folder / "results").iterdir())) == 1
    assert other.log.path.exists() and other.car.path.exists()
    with pytest.raises(InputError, match="a run in the logbook uses it"):
        stored_files.drop(store, "car", other.car.id)


def test_a_run_removed_while_it_is_analysed_is_said(store, short_logs, car, monkeypatch):
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    calls = counting(monkeypatch)
    made = add.analyze
    monkeypatch.setattr(add, "analyze", lambda **paths: (runs.remove_run(store, run.id), made(**paths))[1])
    with pytest.raises(InputError, match="was removed from the logbook"):
        up_to_date(store, run)
    assert calls and results.results(store) == []


def test_preload_over_distance(store, short_logs, car, samples, monkeypatch):
    counting(monkeypatch)
    setup = samples / "baseline.setup.toml"
    late = add.add(store, short_logs / "before.parquet", car_path=car, date_s=2e9, setup_path=setup).run
    early = add.add(store, short_logs / "after.parquet", car_path=car, date_s=1e9).run
    up_to_date(store, late)
    name = early.car.title
    first, second = preload_trend(store, name)
    assert (first.run.id, second.run.id) == (early.id, late.id)
    assert first.preload_Nm.value is None and first.preload_Nm.reason == "not analysed yet"
    assert second.setup_changed and not first.setup_changed
    assert second.distance_before_km == 0.0  # what was not analysed has no distance yet
    up_to_date(store, early)
    first, second = preload_trend(store, name)
    assert second.distance_before_km == first.distance_km > 1
    told = json.loads(results.result_text(store, results.result_of(store, late).id))["lock_curve"]["preload_Nm"]
    assert second.preload_Nm.value == told["value"]
    with pytest.raises(InputError, match=f"cars there: '{name}'"):
        preload_trend(store, "no such car")


@pytest.mark.parametrize("name", ["../x", "a/b", "..", ".hidden", "x\x00y", ""])
def test_a_name_in_the_database_cannot_lead_out(name):
    with pytest.raises(InputError, match="no file name"):
        checked(name)
    assert checked(safe_name(name)) == safe_name(name)


def test_a_name_that_is_too_long_keeps_its_date_and_its_kind():
    made = safe_name(f"2026-05-02_{200 * 'a'}.parquet")
    assert len(made) == 120 and made.startswith("2026-05-02_a") and made.endswith("a.parquet") and checked(made) == made


def test_a_database_that_was_tampered_with_cannot_lead_out(store, short_logs, car, tmp_path):
    run = add.add(store, short_logs / "before.parquet", car_path=car).run
    (tmp_path / "secret").write_text("x")
    with store.transaction() as connection:
        connection.execute("UPDATE files SET name = '../../../../secret' WHERE id = ?", (run.id,))
    with pytest.raises(InputError, match="no file name"):
        runs.runs(store)


def test_odd_file_names_stay_in_the_folder(store, short_logs, car, tmp_path):
    odd = tmp_path / "run of 3.5. & more;$(x).parquet"
    shutil.copy(short_logs / "before.parquet", odd)
    run = add.add(store, odd, car_path=car).run
    assert run.log.path.resolve().is_relative_to(store.folder)
    assert run.log.path.read_bytes() == odd.read_bytes()


def test_another_program_s_database_is_left_alone(tmp_path):
    (tmp_path / "book").mkdir()
    path = tmp_path / "book" / "logbook.sqlite"
    with sqlite3.connect(path) as connection:
        connection.execute("CREATE TABLE recipes (name TEXT)")
    connection.close()
    with pytest.raises(InputError, match="no logbook"):
        Store(tmp_path / "book")
    with sqlite3.connect(path) as connection:
        assert connection.execute("SELECT count(*) FROM sqlite_schema").fetchone() == (1,)
    connection.close()


WRITER = """
import sys
from pathlib import Path
sys.path.insert(0, sys.argv[3])
from kill_child import put
from analyzer.logbook.store import Store
with Store(sys.argv[1]) as store:
    for number in range(int(sys.argv[2]), int(sys.argv[2]) + 12):
        put(store, Path(sys.argv[1]).parent / f"outside{sys.argv[2]}", number, 1100)
"""


def test_two_processes_at_once(tmp_path, request):
    """Both make the logbook and add at the same time; half of their logs are the same."""
    here = str(request.path.parent)
    arguments = [[sys.executable, "-c", WRITER, str(tmp_path / "book"), first, here] for first in ("0", "6")]
    both = [subprocess.Popen(line, stderr=subprocess.PIPE, text=True) for line in arguments]
    for process in both:
        assert process.wait(timeout=120) == 0, process.stderr.read()
        process.stderr.close()
    with Store(tmp_path / "book") as store:
        found = runs.runs(store)
        assert len(found) == 18  # 0 to 11 and 6 to 17
        for run in found:
            assert hashlib.sha256(run.log.path.read_bytes()).hexdigest() == run.log.sha256
            assert run.log.parquet.exists()
        assert len(stored_files.files(store, "car")) == 1
        assert store.rows("PRAGMA integrity_check")[0][0] == "ok"


def test_opening_does_not_clean_up_after_the_living(store, tmp_path):
    with store.staging() as folder:
        (folder / "half.csv").write_text("time")
        with Store(store.folder) as other:
            assert (folder / "half.csv").exists()
            assert other.folder == store.folder
    assert not folder.exists()
