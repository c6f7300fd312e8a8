"""Runs: one a log, whatever the number of times it was added, with the car and setup that it was driven with."""

import sqlite3
from dataclasses import dataclass

from analyzer.errors import InputError
from analyzer.logbook import files
from analyzer.logbook.files import StoredFile
from analyzer.logbook.store import Store


@dataclass(frozen=True)
class Run:
    """One log with what it was driven with. `id` is the log's; `date_s` seconds since 1970, UTC."""

    id: str
    date_s: float
    log: StoredFile
    car: StoredFile
    setup: StoredFile | None
    channels: StoredFile | None


def runs(store: Store, *, car: str | None = None) -> list[Run]:
    """All runs, or those of the car of this name, oldest first."""
    with store.reading() as connection:
        rows = connection.execute("SELECT * FROM runs ORDER BY date_s, id").fetchall()
        stored = {row["id"]: files.stored_file(store, row) for row in connection.execute("SELECT * FROM files")}
    found = [_run(row, stored) for row in rows]
    return [run for run in found if car is None or run.car.title == car]


def run_of_id(store: Store, run_id: str) -> Run:
    """The run of a whole id.

    Raises
    ------
    InputError : there is none.
    """
    with store.reading() as connection:
        row = connection.execute("SELECT * FROM runs WHERE id = ?", (run_id,)).fetchone()
        if row is None:
            raise InputError(f"there is no run {run_id} in this logbook any more; add its log again.")
        ids = (row["id"], row["car_id"], row["setup_id"], row["channels_id"])
        parts = connection.execute("SELECT * FROM files WHERE id IN (?, ?, ?, ?)", ids).fetchall()
    return _run(row, {part["id"]: files.stored_file(store, part) for part in parts})


def find_run(store: Store, text: str) -> Run:
    """The run that an id, the start of one, or a file name says.

    Raises
    ------
    InputError : none, or more than one.
    """
    found = runs(store)
    named = [
        run
        for run in found
        if text in (run.log.name, run.log.name.split(".")[0]) or (len(text) >= 3 and run.id.startswith(text))
    ]
    if len(named) == 1:
        return named[0]
    if named:
        raise InputError(
            f"'{text}' can be {' or '.join(f'{run.id} ({run.log.name})' for run in named[:5])}; give the id."
        )
    there = ", ".join(f"{run.id[:6]} ({run.log.name})" for run in found[:8]) or "none yet"
    raise InputError(f"there is no run '{text}' in this logbook; there are: {there}. Give an id or a file name.")


def set_run(
    connection: sqlite3.Connection,
    run_id: str,
    *,
    date_s: float,
    car_id: str,
    setup_id: str | None,
    channels_id: str | None,
) -> None:
    """Say what a log was driven with; a run that is there keeps its date. Inside a transaction."""
    connection.execute(
        "INSERT INTO runs (id, date_s, car_id, setup_id, channels_id) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT (id) DO UPDATE SET car_id = excluded.car_id, setup_id = excluded.setup_id, "
        "channels_id = excluded.channels_id",
        (run_id, date_s, car_id, setup_id, channels_id),
    )


SAID = ("title", "driver", "tyres", "weather", "notes")  # of a run, by a person
MOST_SAID = 2000  # letters


def say_of(store: Store, run_id: str, *, date_s: float | None = None, **said: str) -> None:
    """Note what a person says of a run: `title`, `driver`, `tyres`, `weather`, `notes`, and when it was driven.

    Raises
    ------
    InputError : no such run, an unknown field, or a text that is too long.
    """
    unknown = [name for name in said if name not in SAID]
    if unknown:
        raise InputError(f"'{unknown[0]}' is nothing that a run has; allowed: {', '.join(SAID)}.")
    for name, text in said.items():
        if not isinstance(text, str) or len(text) > MOST_SAID:
            raise InputError(f"{name}: is too long; allowed: up to {MOST_SAID} letters. Shorten it.")
    run_of_id(store, run_id)
    with store.transaction() as connection:
        for name, text in said.items():
            connection.execute(f"UPDATE runs SET {name} = ? WHERE id = ?", (text.strip(), run_id))
        if date_s is not None:
            connection.execute("UPDATE runs SET date_s = ? WHERE id = ?", (date_s, run_id))


def remove_run(store: Store, run_id: str) -> None:
    """Take a run out: its log, results and comparisons. Cars, setups and maps stay for other runs."""
    log = files.file(store, "log", run_id)
    with store.transaction() as connection:
        folders = connection.execute("SELECT folder FROM results WHERE run_id = ?", (run_id,)).fetchall()
        connection.execute("DELETE FROM runs WHERE id = ?", (run_id,))
        connection.execute("DELETE FROM files WHERE id = ?", (run_id,))
        files.forget(store, log)
        for row in folders:
            if row["folder"]:
                store.discard(store.arrays(row["folder"]))


def _run(row: sqlite3.Row, stored: dict[str, StoredFile]) -> Run:
    return Run(
        id=row["id"],
        date_s=row["date_s"],
        log=stored[row["id"]],
        car=stored[row["car_id"]],
        setup=stored[row["setup_id"]] if row["setup_id"] else None,
        channels=stored[row["channels_id"]] if row["channels_id"] else None,
    )
