"""One connection shared by threads, one folder shared by processes, and writes that outlive a power cut."""

import threading

import pytest

from analyzer.errors import InputError
from analyzer.logbook import folder
from analyzer.logbook.database import Database
from analyzer.logbook.folder import Placing

CHANCE_S = 0.3  # for the other thread to come in where nothing keeps it out


@pytest.fixture
def database(tmp_path):
    opened = Database(tmp_path, rebuild=lambda connection: None)
    opened.begin_writing(may_be_empty=True)
    with opened.transaction() as connection:
        connection.execute("CREATE TABLE notes (words TEXT)")
    yield opened
    opened.close()


def in_the_midst(database, enter, other):
    """`other()` in a second thread while the first is within `enter()`; what it came to."""
    came, told = threading.Event(), []

    def second():
        came.set()
        try:
            told.append(other())
        except Exception as error:
            told.append(error)

    thread = threading.Thread(target=second)
    with enter() as connection:
        thread.start()
        came.wait(10)
        thread.join(CHANCE_S)
        waited = thread.is_alive()
        if enter == database.transaction:
            connection.execute("INSERT INTO notes VALUES ('first')")
    thread.join(20)
    return waited, told[0]


def words(database):
    return [row["words"] for row in database.rows("SELECT words FROM notes")]


def test_a_transaction_of_one_thread_waits_for_that_of_another(database):
    def write():
        with database.transaction() as connection:
            connection.execute("INSERT INTO notes VALUES ('second')")

    assert in_the_midst(database, database.transaction, write) == (True, None)
    assert words(database) == ["first", "second"]


def test_a_transaction_waits_for_whoever_reads_one_state(database):
    def write():
        with database.transaction() as connection:
            connection.execute("INSERT INTO notes VALUES ('second')")

    assert in_the_midst(database, database.reading, write) == (True, None)
    assert words(database) == ["second"]


def test_a_query_of_another_thread_does_not_see_a_transaction_half_done(database):
    waited, seen = in_the_midst(database, database.transaction, lambda: words(database))
    assert waited and seen == ["first"]


def test_what_was_reported_done_outlives_a_power_cut(database):
    # SQLite's documentation of PRAGMA synchronous: with a rollback journal that is deleted, 3 (EXTRA) also syncs the
    # folder after the deletion; with 2 (FULL) the last transaction may be rolled back after a power cut
    assert database.rows("PRAGMA journal_mode")[0][0] == "delete"
    assert database.rows("PRAGMA synchronous")[0][0] == 3


def test_two_do_not_open_a_logbook_at_the_same_moment(tmp_path, monkeypatch):
    monkeypatch.setattr(folder, "OPENING_WAIT_S", 0.2)
    with Placing(tmp_path).opening():
        with pytest.raises(InputError, match="another process is opening this logbook"), Placing(tmp_path).opening():
            pass
    with Placing(tmp_path).opening():
        pass
