"""A logbook of an earlier version is brought up to date, whole or not at all."""

import sqlite3

import pytest

from analyzer.errors import InputError
from analyzer.logbook import add, database, results, runs
from analyzer.logbook.store import Store

NOW = len(database.MIGRATIONS)
NEXT = ("ALTER TABLE runs ADD COLUMN track TEXT NOT NULL DEFAULT ''", "UPDATE runs SET track = 'unknown'")


@pytest.fixture
def old(store, short_logs, car):
    """The folder of a logbook of today with one run."""
    add.add(store, short_logs / "before.parquet", car_path=car)
    store.close()
    return store.folder


def version(folder):
    connection = sqlite3.connect(folder / "logbook.sqlite")
    found = connection.execute("PRAGMA user_version").fetchone()[0]
    connection.close()
    return found


def test_a_new_logbook_has_the_newest_version(store):
    assert version(store.folder) == len(database.MIGRATIONS)
    assert store.rows("PRAGMA foreign_keys")[0][0] == 1
    assert store.rows("PRAGMA journal_mode")[0][0] == "delete"
    assert store.rows("PRAGMA application_id")[0][0] == database.APPLICATION_ID


def test_a_step_is_taken_and_keeps_what_is_there(old, monkeypatch):
    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, NEXT))
    with Store(old) as store:  # only read: the step is taken in memory
        assert [row["track"] for row in store.rows("SELECT track FROM runs")] == ["unknown"]
    assert version(old) == NOW
    for _ in range(2):  # the second time there is nothing to do
        with Store(old) as store:
            store.begin_writing()
            assert [row["track"] for row in store.rows("SELECT track FROM runs")] == ["unknown"]
            assert len(runs.runs(store)) == 1
        assert version(old) == NOW + 1


def test_a_step_that_fails_changes_nothing(old, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, (NEXT[0], "UPDATE nowhere SET x = 1")))
        with pytest.raises(InputError, match="cannot be used"):
            Store(old)
    with Store(old) as store, monkeypatch.context() as patch:
        patch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, (NEXT[0], "UPDATE nowhere SET x = 1")))
        with pytest.raises(InputError, match="cannot be used"):
            store.begin_writing()
    assert version(old) == NOW
    with Store(old) as store:
        assert "track" not in store.rows("SELECT * FROM runs")[0].keys()
        assert len(runs.runs(store)) == 1


def test_a_newer_logbook_is_refused_and_left_alone(old, monkeypatch):
    monkeypatch.setattr(database, "MIGRATIONS", (*database.MIGRATIONS, NEXT))
    with Store(old) as store:
        store.begin_writing()
    monkeypatch.undo()
    with pytest.raises(InputError, match="newer version"):
        Store(old)
    assert version(old) == NOW + 1


def as_of_version(folder, number):
    """Make the database of a logbook one of an earlier version, with what that knew of the same runs."""
    path, old = folder / "logbook.sqlite", folder / "old.sqlite"
    source, target = sqlite3.connect(path), sqlite3.connect(old, isolation_level=None)
    source.row_factory = sqlite3.Row
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(database, "MIGRATIONS", database.MIGRATIONS[:number])
        database.migrate(target, "old")
    for table in ("files", "runs", "results"):
        columns = [row[1] for row in target.execute(f"PRAGMA table_info({table})")]
        for row in source.execute(f"SELECT * FROM {table}"):
            marks = ", ".join("?" * len(columns))
            target.execute(f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({marks})", [row[c] for c in columns])
    source.close()
    target.close()
    old.replace(path)


@pytest.mark.parametrize("number", range(1, NOW))
def test_a_logbook_of_each_earlier_version_keeps_its_runs_and_results(tmp_path, short_logs, car, number):
    from made_analysis import made_analysis

    with Store(tmp_path / "book") as store:
        run = add.add(store, short_logs / "before.parquet", car_path=car).run
        before = results.finish(store, run, made_analysis(), provenance=results.expected(run))
        text = results.result_text(store, before.id)
    as_of_version(tmp_path / "book", number)
    assert version(tmp_path / "book") == number
    with Store(tmp_path / "book") as store:
        store.begin_writing()
        assert version(tmp_path / "book") == NOW
        assert runs.runs(store) == [run]
        assert results.results(store) == [before] and results.result_text(store, before.id) == text
        assert store.rows("PRAGMA foreign_key_check") == []
    with Store(tmp_path / "new") as new, Store(tmp_path / "book") as brought:
        # the tables are those of a new logbook
        tables = "SELECT type, name, sql FROM sqlite_schema ORDER BY type, name"
        assert [tuple(r) for r in brought.rows(tables)] == [tuple(r) for r in new.rows(tables)]
