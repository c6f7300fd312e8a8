"""The benchmarks run and their tables are whole. Times are printed by them, not asserted."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from benchmarks import budgets
from benchmarks.growth import table as growth_table
from benchmarks.long_log import CHANNELS, write_log
from benchmarks.many_runs import CAR_NAME, write_book
from benchmarks.ratios import measured, table
from benchmarks.scale import measured as scaled
from benchmarks.scale import table as scale_table
from sizes import only_whole

from analyzer.logbook.car_knowledge import knowledge_of, runs_and_words
from analyzer.logbook.store import Store


def test_a_long_log_goes_on_over_the_laps(tmp_path):
    write_log(tmp_path / "log.parquet", 30_000)
    log = pd.read_parquet(tmp_path / "log.parquet")
    assert list(log.columns) == ["time", *CHANNELS] and len(CHANNELS) == 14
    assert len(log) == 30_000
    np.testing.assert_allclose(np.diff(log["time"]), 0.01, atol=1e-9)
    assert set(np.diff(log["lap"])) == {0.0, 1.0}
    first, fourth = (log.loc[log["lap"] == lap, "steer"].to_numpy()[:4000] for lap in (1, 4))
    # the same drive, and not the same noise
    assert np.corrcoef(first, fourth)[0, 1] > 0.99
    assert np.std(first - fourth) > 0.1


@only_whole  # seven analyses
@pytest.mark.skipif(not Path("/proc/self/clear_refs").exists(), reason="peak memory is read from Linux's /proc")
def test_ratios_are_printed_for_both_hours_and_both_yardsticks(tmp_path):
    best = measured(tmp_path, hours=2, repeats=1, rows_per_hour=100_000)  # fewer are lost in what the process had free
    rows = table(best, 2).splitlines()
    assert len(rows) == 8
    assert best["first"][0] > best["csv"][0] > 0
    assert best["many"][0] > 0 and best["frames"] > 1.0
    first = next(row for row in rows if "first hour" in row)
    assert f"{best['first'][0] / best['csv'][0]:.1f}" in first and "20 x (a)" in first


def test_growth_is_compared_with_a_straight_line():
    rows = [
        {"millions": m, "rows": 1, "seconds": 1.0, "cpu_seconds": 2.0 + 0.5 * m, "peak_MB": 1.0, "frames": 3.0}
        for m in (1, 3, 10)
    ]
    assert all(line.endswith("| 1.00 |") for line in growth_table(rows).splitlines()[2:])
    rows[2]["cpu_seconds"] *= 2
    assert not growth_table(rows).splitlines()[3].endswith("| 1.00 |")


def test_budgets_say_what_each_command_takes(monkeypatch, tmp_path):
    asked = []
    monkeypatch.setattr(budgets, "seconds_of", lambda arguments: asked.append(arguments) or 2.0)
    best = budgets.measured(tmp_path, repeats=1, rows=2000, runs=3, runs_of_car=2)
    assert len(asked) == len(budgets.COMMANDS) and 0 < best["csv"] < np.inf
    for arguments in asked:
        named = [word for word in arguments if word.endswith((".parquet", ".toml", ".gz"))]
        assert all(Path(word).is_file() for word in named)
    rows = budgets.table(best, (0.08, 20)).splitlines()
    assert len(rows) == 2 + 1 + len(budgets.COMMANDS) + len(budgets.IN_PROCESS) + 1
    assert all(0 < best[name] < np.inf for name in budgets.IN_PROCESS)
    assert "1.00 x laps" in next(row for row in rows if "circles" in row)


def test_a_made_logbook_is_one_of_that_many_runs(tmp_path):
    write_book(tmp_path / "book", 4)
    with Store(tmp_path / "book") as store:
        every = runs_and_words(store, CAR_NAME)
        assert [one.run.name for one in every] == ["baseline.parquet", *(f"run{k}.parquet" for k in (1, 2, 3))]
        assert len({one.told.digest for one in every}) == 4  # each has a word of its own
        assert len(knowledge_of(every, CAR_NAME).usable_by(every[-1].told).runs) == 3
        assert store.strangers() == []


@pytest.mark.slow
@only_whole  # what a cluster makes is held against one machine in batch/test_cluster.py
def test_a_season_is_worked_off_by_processes_and_by_a_cluster(tmp_path):
    pytest.importorskip("distributed")
    rows = scaled(tmp_path, logs=2, minutes=2.0, counts=(1,))
    assert [row["way"] for row in rows] == ["processes", "cluster"]
    assert rows[0]["sent"] == rows[1]["sent"] > 1000  # the same rows and result, whoever makes them
    assert scale_table(rows, 2).count("| 1.00 | 1.00 |") == 2


def test_a_worker_beyond_the_cores_has_no_core_of_its_own():
    rows = [{"way": "processes", "workers": n, "per_hour": 10.0 * min(n, 2), "read": 1, "sent": 1} for n in (1, 2, 4)]
    assert [line.split("|")[4:6] for line in scale_table(rows, 2).splitlines()[2:]] == [
        [" 1.00 ", " 1.00 "],
        [" 1.00 ", " 1.00 "],
        [" 0.50 ", " 1.00 "],
    ]
