"""Results: what a run was analysed with, how far that is, and what came out, with the provenance it came from."""

import json
import secrets
import sqlite3
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from analyzer.errors import InputError
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook import stored_files
from analyzer.logbook.folder import is_id, to_disk
from analyzer.logbook.runs import Run, remove_run, run_of_id
from analyzer.logbook.sidecars import ABOUT, TEXT
from analyzer.logbook.store import Store
from analyzer.provenance import Provenance, code_version, hash_of_logs

if TYPE_CHECKING:  # a list of runs needs none of it
    from analyzer.analysis import Analysis
    from analyzer.log_check import CheckJson

TOLD = "told.json"  # beside the arrays of a result: what the run tells of its car
_COLUMNS = (
    "id, run_id, car_id, setup_id, channels_id, state, step, share, message, asked_s, provenance, code, folder, "
    "distance_km, briefs.heard AS knowledge, preload"
)
_RESULTS = f"SELECT {_COLUMNS} FROM results LEFT JOIN briefs ON result_id = id"
_COMBINATION = "run_id = ? AND car_id = ? AND setup_id IS ? AND channels_id IS ?"


@dataclass(frozen=True)
class StoredResult:
    """One analysis of a run, asked for, under way or over.

    Attributes
    ----------
    state : `waiting`, `running`, `done`, `failed` or `cancelled`.
    step, share : what is being done and the share done (0 to 1) while it runs.
    message : why it failed or was cancelled.
    asked_s : when it was asked for (s since 1970).
    provenance, code : what the last result or failure came from.
    folder : name of the folder of its arrays.
    distance_km : distance driven in the logs.
    knowledge : what the result used of other runs, as JSON (`car_knowledge`); None where it used nothing.
    preload : its preload with the interval, as JSON; None where it has none.
    """

    id: str
    run_id: str
    car_id: str
    setup_id: str | None
    channels_id: str | None
    state: str
    step: str
    share: float
    message: str
    asked_s: float
    provenance: str | None
    code: str | None
    folder: str | None
    distance_km: float | None
    knowledge: str | None = None
    preload: str | None = None

    @property
    def combination(self) -> tuple[str | None, ...]:
        """Which run it is of, with which car, setup and channel map."""
        return self.run_id, self.car_id, self.setup_id, self.channels_id


def expected(run: Run) -> Provenance:
    """What a result of this run would come from now."""
    return Provenance(
        log_sha256=hash_of_logs([log.content_sha256 for log in run.logs]),
        car_sha256=run.car.content_sha256,
        setup_sha256=run.setup.content_sha256 if run.setup else None,
        channels_sha256=run.channels.content_sha256 if run.channels else None,
        code=code_version(),
    )


def ask(connection: sqlite3.Connection, run: Run) -> str:
    """The id of the result of a run with its car, setup and channel map, made when there is none. In a transaction."""
    combination = _combination(run)
    found = connection.execute(f"SELECT id FROM results WHERE {_COMBINATION}", combination).fetchone()
    if found is not None:
        return str(found["id"])
    made = secrets.token_hex(8)
    connection.execute(
        "INSERT INTO results (run_id, car_id, setup_id, channels_id, id, state, asked_s) "
        "VALUES (?, ?, ?, ?, ?, 'waiting', ?)",
        (*combination, made, time.time()),
    )
    return made


def result(store: Store, result_id: str) -> StoredResult:
    """A result by its id.

    Raises
    ------
    InputError : there is none.
    """
    row = store.row(f"{_RESULTS} WHERE id = ?", (result_id,)) if is_id(result_id) else None
    if row is None:
        raise InputError("there is no such run in this logbook; go back to the start page and choose one.")
    return StoredResult(**row)


def results(store: Store) -> list[StoredResult]:
    """All results, the one asked for last first."""
    # by place: the columns are the fields, in their order
    return [StoredResult(*row) for row in store.rows(f"{_RESULTS} ORDER BY asked_s DESC, id")]


def result_of(store: Store, run: Run) -> StoredResult | None:
    """The result of a run with the car, setup and channel map that it has now, or None."""
    row = store.row(f"{_RESULTS} WHERE {_COMBINATION}", _combination(run))
    return None if row is None else StoredResult(**row)


def results_of(store: Store, runs: Sequence[Run]) -> list[StoredResult | None]:
    """As `result_of`, of many runs at once."""
    there = {found.combination: found for found in results(store)}
    return [there.get(_combination(run)) for run in runs]


def _combination(run: Run) -> tuple[str | None, ...]:
    setup, channels = run.setup, run.channels
    return run.id, run.car.id, None if setup is None else setup.id, None if channels is None else channels.id


def run_of(store: Store, found: StoredResult) -> Run:
    """The run of a result, with the car, setup and channel map of the result, whatever the run has by now.

    Raises
    ------
    InputError : the run was removed.
    """
    if store.row("SELECT 1 FROM runs WHERE id = ?", (found.run_id,)) is None:
        raise InputError("the run was removed from the logbook; add its log again.")
    return replace(
        run_of_id(store, found.run_id),
        car=stored_files.file(store, "car", found.car_id),
        setup=stored_files.file(store, "setup", found.setup_id) if found.setup_id else None,
        channels=stored_files.file(store, "channels", found.channels_id) if found.channels_id else None,
    )


def is_current(found: StoredResult | None, run: Run) -> bool:
    """Whether a result, or a failure, is what this code would say of the run's log, car, setup and map again."""
    return found is not None and found.state in ("done", "failed") and found.provenance == expected(run).key


def fail(store: Store, run: Run, *, message: str, provenance: Provenance) -> None:
    """Note that the log cannot be analysed, and from what that follows; arrays of a result before are dropped.

    Parameters
    ----------
    message : what a person reads.
    provenance : of the attempt, so that it is not made again while nothing changes.

    Raises
    ------
    InputError : the run was removed meanwhile.
    """
    with store.transaction() as connection:
        result_id, before = _result_to_fill(connection, run)
        connection.execute(
            "UPDATE results SET state = 'failed', step = '', share = 0, message = ?, provenance = ?, code = ?, "
            "folder = NULL, distance_km = NULL, knowledge = NULL, result = NULL WHERE id = ?",
            (message, provenance.key, provenance.code, result_id),
        )
        _drop_arrays(store, before)


def finish(
    store: Store, run: Run, analysis: "Analysis", *, provenance: Provenance, knowledge: str | None = None
) -> StoredResult:
    """Put the result of a run with its arrays in the place of the one before.

    Parameters
    ----------
    knowledge : as in `StoredResult`.

    Raises
    ------
    InputError : the run was removed meanwhile, or the disk is full.
    """
    from analyzer.knowledge.knowledge_file import run_json
    from analyzer.logbook import analysis_files
    from analyzer.presentation.result_json import to_json

    text = to_json(analysis)
    name = secrets.token_hex(8)
    with store.staging() as folder:
        staged = folder / name
        staged.mkdir()
        analysis_files.save(analysis, staged)
        (staged / TEXT).write_text(text, "utf-8")
        if analysis.told is not None:
            (staged / TOLD).write_text(json.dumps(run_json(analysis.told)), "utf-8")
        to_disk(staged)
        with store.transaction() as connection:
            result_id, before = _result_to_fill(connection, run)
            made = {"folder": name, "distance_km": distance_km(analysis), "knowledge": knowledge}
            about = _about(connection, result_id, provenance, made)
            (staged / ABOUT).write_text(about, "utf-8")
            to_disk(staged / ABOUT)
            store.placing.place(staged, store.arrays(name))
            connection.execute(
                "UPDATE results SET state = 'done', step = '', share = 1, message = '', provenance = ?, code = ?, "
                "folder = ?, distance_km = ?, knowledge = ?, result = ? WHERE id = ?",
                (provenance.key, provenance.code, *made.values(), text, result_id),
            )
            _drop_arrays(store, before)
    return result(store, result_id)


def _result_to_fill(connection: sqlite3.Connection, run: Run) -> tuple[str, str | None]:
    """The id of a run's result, and the folder of the arrays that are there."""
    if connection.execute("SELECT 1 FROM runs WHERE id = ?", (run.id,)).fetchone() is None:
        raise InputError(f"{run.log.name}: was removed from the logbook while it was analysed; add it again.")
    result_id = ask(connection, run)
    row = connection.execute("SELECT folder FROM results WHERE id = ?", (result_id,)).fetchone()
    return result_id, row["folder"]


def _about(connection: sqlite3.Connection, result_id: str, provenance: Provenance, columns: dict[str, Any]) -> str:
    """What is kept beside the arrays, so that a lost database has the result again."""
    row = connection.execute(
        "SELECT id, run_id, car_id, setup_id, channels_id, asked_s FROM results WHERE id = ?", (result_id,)
    ).fetchone()
    made = {"state": "done", "share": 1, "provenance": provenance.key, "code": provenance.code}
    return json.dumps({**dict(row), **made, **columns}, indent=1) + "\n"


def _drop_arrays(store: Store, name: str | None) -> None:
    """Inside the transaction in which the row ceases to name them."""
    if name is not None:
        store.discard(store.arrays(name))


def remove(store: Store, found: StoredResult) -> None:
    """Take a result out; the last one of a run takes the run with it, another one's car and setup become the run's."""
    with store.transaction() as connection:
        connection.execute("DELETE FROM results WHERE id = ?", (found.id,))
        other = connection.execute(
            "SELECT car_id, setup_id, channels_id FROM results WHERE run_id = ? ORDER BY asked_s DESC", (found.run_id,)
        ).fetchone()
        if other is not None:
            connection.execute(
                "UPDATE runs SET car_id = ?, setup_id = ?, channels_id = ? WHERE id = ?", (*other, found.run_id)
            )
        _drop_arrays(store, found.folder)
    if other is None:
        remove_run(store, found.run_id)


def keep_log_check(store: Store, result_id: str, check: "CheckJson") -> None:
    """Keep what the log check found."""
    with store.transaction() as connection:
        connection.execute(
            "UPDATE results SET log_check = ? WHERE id = ?", (json.dumps(check, allow_nan=False), result_id)
        )


def log_check(store: Store, result_id: str) -> "CheckJson | None":
    """What the log check found, or None when it did not get that far."""
    row = store.row("SELECT log_check FROM results WHERE id = ?", (result_id,))
    found: CheckJson | None = json.loads(row["log_check"]) if row is not None and row["log_check"] else None
    return found


def result_text(store: Store, result_id: str) -> str:
    """The JSON text of a result.

    Raises
    ------
    InputError : no such result, or it is not done.
    """
    row = store.row("SELECT result FROM results WHERE id = ?", (result(store, result_id).id,))
    if row is None or row["result"] is None:
        raise InputError("this run has no result yet; wait until it is done, or analyse it again.")
    return str(row["result"])


def preload(found: StoredResult | None) -> Interval:
    """The preload of a result with its 95 % interval (N.m), or None with the reason."""
    if found is not None and found.state == "failed":
        return Interval(None, None, None, found.message)
    if found is None or found.preload is None:
        return Interval(None, None, None, "not analysed yet")
    return Interval(**json.loads(found.preload))


def heard_by(found: StoredResult | None) -> int:
    """How many other runs a result used."""
    return len(kept_of_others(found, "heard"))


def kept_of_others(found: StoredResult | None, what: str) -> list[str]:
    """Digests of the runs that a result `heard` or was `offered`."""
    return [] if found is None or found.knowledge is None else json.loads(found.knowledge)[what]


def analysis_of(store: Store, result_id: str) -> "Analysis":
    """The whole analysis of a result, with its arrays.

    Raises
    ------
    InputError : no such result, not done, or stored by a version that kept other things.
    """
    from analyzer.logbook import analysis_files

    found = result(store, result_id)
    if found.folder is None:
        raise InputError("this run has no result yet; wait until it is done, or analyse it again.")
    return analysis_files.load(store.arrays(found.folder))


def distance_km(analysis: "Analysis") -> float:
    """Distance driven in all logs while every channel was there (km)."""
    import numpy as np

    driven = 0.0
    for signals in (one.signals for one in (analysis, *analysis.others)):
        speed = np.where(signals.valid & np.isfinite(signals.speed_m_s), signals.speed_m_s, 0.0)
        driven += float(np.sum(speed) / signals.rate_hz / 1e3)
    return driven
