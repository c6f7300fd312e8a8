"""Runs: one log, or several that are one answer, with the car and setup that they were driven with."""

import sqlite3
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from analyzer.errors import InputError
from analyzer.knowledge.carried import SAID as DRIVEN_WITH
from analyzer.logbook import stored_files
from analyzer.logbook.store import Store
from analyzer.logbook.stored_files import StoredFile


@dataclass(frozen=True)
class Run:
    """One or several logs with what they were driven with.

    Attributes
    ----------
    id : of the first log.
    date_s : seconds since 1970, UTC.
    more : the other logs of the run (slow circles, a slow lap), which are fitted together with the first.
    words : `tyres`, `weather` and `sensor`, as a person said them.
    """

    id: str
    date_s: float
    log: StoredFile
    car: StoredFile
    setup: StoredFile | None
    channels: StoredFile | None
    more: tuple[StoredFile, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)

    @property
    def logs(self) -> tuple[StoredFile, ...]:
        """All of its logs."""
        return (self.log, *self.more)

    @property
    def name(self) -> str:
        """Its logs, as one line."""
        return " + ".join(log.name for log in self.logs)


def runs(store: Store, *, car: str | None = None) -> list[Run]:
    """All runs, or those of the car of this name, oldest first."""
    with store.reading() as connection:
        rows = connection.execute("SELECT * FROM runs ORDER BY date_s, id").fetchall()
        stored = {row["id"]: stored_files.stored_file(store, row) for row in connection.execute("SELECT * FROM files")}
        more = _more(connection)
    found = [_run(row, stored, more) for row in rows]
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
        more = _more(connection)
        ids = [row["id"], row["car_id"], row["setup_id"], row["channels_id"], *more.get(run_id, ())]
        parts = connection.execute(f"SELECT * FROM files WHERE id IN ({', '.join('?' * len(ids))})", ids).fetchall()
    return _run(row, {part["id"]: stored_files.stored_file(store, part) for part in parts}, more)


def find_run(store: Store, text: str) -> Run:
    """The run that an id, the start of one, or a file name says.

    Raises
    ------
    InputError : none, or more than one.
    """
    found = runs(store)
    named = [run for run in found if _is_named(run, text)]
    if len(named) == 1:
        return named[0]
    if named:
        raise InputError(
            f"'{text}' can be {' or '.join(f'{run.id} ({run.log.name})' for run in named[:5])}; give the id."
        )
    there = ", ".join(f"{run.id[:6]} ({run.log.name})" for run in found[:8]) or "none yet"
    raise InputError(f"there is no run '{text}' in this logbook; there are: {there}. Give an id or a file name.")


def _is_named(run: Run, text: str) -> bool:
    names = {name for log in run.logs for name in (log.name, log.name.split(".")[0])}
    return text in names or (len(text) >= 3 and run.id.startswith(text))


def more_logs(store: Store, run_id: str) -> tuple[StoredFile, ...]:
    """The other logs of a run, in order; none where there is no such run."""
    rows = store.rows(
        "SELECT files.* FROM more_logs JOIN files ON files.id = log_id WHERE run_id = ? ORDER BY place", (run_id,)
    )
    return tuple(stored_files.stored_file(store, row) for row in rows)


def set_run(
    connection: sqlite3.Connection,
    run_id: str,
    *,
    date_s: float,
    car_id: str,
    setup_id: str | None,
    channels_id: str | None,
) -> None:
    """Say what a log was driven with.

    Parameters
    ----------
    connection : inside a transaction.
    run_id : of a run that is there or not yet.
    date_s : when it was driven (s since 1970); a run that is there keeps its own.
    car_id, setup_id, channels_id : ids of files in the logbook; None without one.
    """
    connection.execute(
        "INSERT INTO runs (id, date_s, car_id, setup_id, channels_id) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT (id) DO UPDATE SET car_id = excluded.car_id, setup_id = excluded.setup_id, "
        "channels_id = excluded.channels_id",
        (run_id, date_s, car_id, setup_id, channels_id),
    )


SAID = ("title", "driver", "tyres", "weather", "sensor", "notes")  # of a run, by a person
MOST_SAID = 2000  # letters


def say_of(store: Store, run_id: str, *, date_s: float | None = None, **said: str) -> None:
    """Note what a person says of a run, and when it was driven.

    Parameters
    ----------
    date_s : when it was driven (s since 1970); None leaves it.
    **said : fields of `SAID`, those that are not named stay; of `MOST_SAID` letters at the most.

    Raises
    ------
    InputError : no such run, an unknown field, or a text that is too long.
    """
    run_of_id(store, run_id)
    with store.transaction() as connection:
        say(connection, run_id, said)
        if date_s is not None:
            connection.execute("UPDATE runs SET date_s = ? WHERE id = ?", (date_s, run_id))


def not_of_another(connection: sqlite3.Connection, log_id: str) -> None:
    """Refuse a log that is one more log of a run.

    Raises
    ------
    InputError : it is.
    """
    owner = connection.execute("SELECT run_id FROM more_logs WHERE log_id = ?", (log_id,)).fetchone()
    if owner is not None:
        name, run = (
            connection.execute("SELECT name FROM files WHERE id = ?", (key,)).fetchone()["name"]
            for key in (log_id, owner["run_id"])
        )
        raise InputError(f"{name}: is a log of run {owner['run_id'][:8]} ({run}) already; remove that run first.")


def say(connection: sqlite3.Connection, run_id: str, said: Mapping[str, str]) -> None:
    """As `say_of`, inside a transaction.

    Raises
    ------
    InputError : an unknown field, or a text that is too long.
    """
    unknown = [name for name in said if name not in SAID]
    if unknown:
        raise InputError(f"'{unknown[0]}' is nothing that a run has; allowed: {', '.join(SAID)}.")
    for name, text in said.items():
        if not isinstance(text, str) or len(text) > MOST_SAID:
            raise InputError(f"{name}: is too long; allowed: up to {MOST_SAID} letters. Shorten it.")
        connection.execute(f"UPDATE runs SET {name} = ? WHERE id = ?", (text.strip(), run_id))


def add_log(connection: sqlite3.Connection, run_id: str, log_id: str) -> None:
    """Say that a stored log is one more of a run. Inside a transaction.

    Raises
    ------
    InputError : the log is another run's, or a run of its own.
    """
    mine = connection.execute("SELECT 1 FROM more_logs WHERE run_id = ? AND log_id = ?", (run_id, log_id)).fetchone()
    if log_id == run_id or mine is not None:
        return
    not_of_another(connection, log_id)
    name = connection.execute("SELECT name FROM files WHERE id = ?", (log_id,)).fetchone()["name"]
    if connection.execute("SELECT 1 FROM runs WHERE id = ?", (log_id,)).fetchone() is not None:
        raise InputError(f"{name}: is a run of its own in this logbook; remove that run, then add its log here.")
    last = connection.execute("SELECT max(place) AS place FROM more_logs WHERE run_id = ?", (run_id,)).fetchone()
    place = 1 + (last["place"] or 0)
    connection.execute("INSERT INTO more_logs (run_id, place, log_id) VALUES (?, ?, ?)", (run_id, place, log_id))


def remove_run(store: Store, run_id: str) -> None:
    """Take a run out: its logs, results and comparisons. Cars, setups and maps stay for other runs."""
    logs = run_of_id(store, run_id).logs
    with store.transaction() as connection:
        folders = connection.execute("SELECT folder FROM results WHERE run_id = ?", (run_id,)).fetchall()
        connection.execute("DELETE FROM runs WHERE id = ?", (run_id,))
        for log in logs:
            connection.execute("DELETE FROM files WHERE id = ?", (log.id,))
            stored_files.forget(store, log)
        for row in folders:
            if row["folder"]:
                store.discard(store.arrays(row["folder"]))


def _more(connection: sqlite3.Connection) -> dict[str, list[str]]:
    """Run -> its further logs, in order."""
    found: dict[str, list[str]] = {}
    for row in connection.execute("SELECT run_id, log_id FROM more_logs ORDER BY run_id, place"):
        found.setdefault(row["run_id"], []).append(row["log_id"])
    return found


def _run(row: sqlite3.Row, stored: dict[str, StoredFile], more: Mapping[str, Sequence[str]]) -> Run:
    return Run(
        id=row["id"],
        date_s=row["date_s"],
        log=stored[row["id"]],
        car=stored[row["car_id"]],
        setup=stored[row["setup_id"]] if row["setup_id"] else None,
        channels=stored[row["channels_id"]] if row["channels_id"] else None,
        more=tuple(stored[log_id] for log_id in more.get(row["id"], ())),
        words={what: row[what] for what in DRIVEN_WITH},
    )
