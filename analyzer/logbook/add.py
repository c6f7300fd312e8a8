"""Puts logs into a logbook and keeps their results up to date with code, car, setup and channel map."""

import sqlite3
from collections.abc import Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.errors import CannotTell, HalfshaftError, InputError
from analyzer.files import GENERATOR, PARQUET_MARK, each_once, open_regular
from analyzer.knowledge.carried import said
from analyzer.logbook import results, stored_files
from analyzer.logbook.car_knowledge import has_ended, knowledge_of, record, runs_and_words
from analyzer.logbook.folder import to_disk
from analyzer.logbook.runs import Run, add_log, not_of_another, run_of_id, runs, say, set_run
from analyzer.logbook.store import Store
from analyzer.logs.registry import open_log
from analyzer.pipeline import NOTHING_SAID, Progress, analyze


@dataclass(frozen=True)
class Added:
    """What `add` did: the run, and whether its log was there before."""

    run: Run
    known: bool


def add(
    store: Store,
    log_path: Path | str,
    *,
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
    more: Sequence[Path | str] = (),
    words: Mapping[str, str] = NOTHING_SAID,
    date_s: float | None = None,
) -> Added:
    """Put a log with its car, setup and channel map into the logbook, all of it or nothing; nothing is analysed yet.

    Parameters
    ----------
    log_path : the same bytes a second time are the same run, which then has this car, setup and map.
    more : other logs of the run, such as slow circles; all are fitted together.
    words : `tyres`, `weather` and `sensor`, in words, where somebody says them.
    date_s : when it was driven (s since 1970); default: when the log's file was last changed.

    Raises
    ------
    InputError : a file cannot be read or says what it may not.
    """
    log_path = Path(log_path)
    each_once([log_path, *more], option="LOG")
    paths = {"log": log_path, "car": car_path, "setup": setup_path, "channels": channels_path}
    with store.staging() as folder, ExitStack() as opened:
        staged = {
            kind: stored_files.stage(kind, Path(path).name, opened.enter_context(open_regular(path)), folder)
            for kind, path in paths.items()
            if path is not None
        }
        run_id = staged["log"].id
        several = [staged["log"], *(_staged_log(folder / f"more{k}", path, opened) for k, path in enumerate(more))]
        for one in several:
            write_parquet(one.path, folder / f"{one.id}.parquet")
        with store.transaction() as connection:
            known = connection.execute("SELECT 1 FROM runs WHERE id = ?", (run_id,)).fetchone() is not None
            not_of_another(connection, run_id)
            ids = {kind: stored_files.place(store, connection, one) for kind, one in staged.items()}
            set_run(
                connection,
                run_id,
                date_s=log_path.stat().st_mtime if date_s is None else date_s,
                car_id=ids["car"],
                setup_id=ids.get("setup"),
                channels_id=ids.get("channels"),
            )
            for one in several:
                stored_files.place(store, connection, one)
                _place_parquet(store, connection, folder / f"{one.id}.parquet", one.id)
                add_log(connection, run_id, one.id)
            say(connection, run_id, words)
    return Added(run_of_id(store, run_id), known)


def add_to_run(store: Store, run: Run, log_paths: Sequence[Path | str]) -> Run:
    """Give a run further logs, all or none: slow circles, a slow lap, another session of the day.

    Raises
    ------
    InputError : a file is no log, or is in another run.
    """
    each_once(log_paths, option="LOG")
    with store.staging() as folder, ExitStack() as opened:
        staged = [_staged_log(folder / f"more{k}", path, opened) for k, path in enumerate(log_paths)]
        for one in staged:
            write_parquet(one.path, folder / f"{one.id}.parquet")
        with store.transaction() as connection:
            for one in staged:
                stored_files.place(store, connection, one)
                _place_parquet(store, connection, folder / f"{one.id}.parquet", one.id)
                add_log(connection, run.id, one.id)
    return run_of_id(store, run.id)


def _staged_log(folder: Path, path: Path | str, opened: ExitStack) -> stored_files.Staged:
    folder.mkdir()
    return stored_files.stage("log", Path(path).name, opened.enter_context(open_regular(path)), folder)


def _place_parquet(store: Store, connection: sqlite3.Connection, copy: Path, log_id: str) -> None:
    if connection.execute("UPDATE files SET parquet = 1 WHERE id = ? AND parquet = 0", (log_id,)).rowcount:
        store.placing.place(copy, store.folder / "parquet" / copy.name)


def correct_car(store: Store, car_path: Path | str) -> list[Run]:
    """Give every run of the car of this file's name the file; returns those runs.

    Raises
    ------
    InputError : the file says what it may not, or no run is of such a car.
    """
    with store.staging() as folder, open_regular(car_path) as stream:
        staged = stored_files.stage("car", Path(car_path).name, stream, folder)
        there = runs(store, car=staged.title)
        if not there:
            names = ", ".join(sorted({f"'{run.car.title}'" for run in runs(store)})) or "none"
            raise InputError(
                f"{Path(car_path).name}: no run in this logbook is of a car named '{staged.title}'; cars there: "
                f"{names}. Name a log to add as well, or correct the name."
            )
        with store.transaction() as connection:
            car_id = stored_files.place(store, connection, staged)
            connection.executemany("UPDATE runs SET car_id = ? WHERE id = ?", [(car_id, run.id) for run in there])
    return runs(store, car=staged.title)


def up_to_date(store: Store, run: Run, *, progress: Progress = lambda step, share: None) -> results.StoredResult:
    """The result of a run by this code, made now when there is none, when code, car, setup or map changed, or when what
    it used of other runs does not hold any more.

    Raises
    ------
    InputError, CannotTell : the log cannot be analysed; the logbook remembers it.
    """
    found = results.result_of(store, run)
    if found is None or not results.is_current(found, run) or _used_what_ended(store, run):
        found = analyse_now(store, run, progress=progress)
    if found.state == "failed":
        raise CannotTell(found.message)
    return found


def analyse_now(store: Store, run: Run, *, progress: Progress = lambda step, share: None) -> results.StoredResult:
    """Analyse a run and keep the result.

    Raises
    ------
    InputError, CannotTell : the log cannot be analysed; the logbook remembers it.
    """
    provenance = results.expected(run)
    others = knowledge_of(runs_and_words(store, run.car.title), run.car.title, without=run.id)
    paths = [log.path for log in run.logs]
    try:
        analysis = analyze(
            log_path=paths if run.more else run.log.path,
            car_path=run.car.path,
            setup_path=None if run.setup is None else run.setup.path,
            channels_path=None if run.channels is None else run.channels.path,
            knowledge=others if others.runs else None,
            driven_with=said(run.words),
            progress=progress,
        )
    except HalfshaftError as error:
        results.fail(store, run, message=str(error), provenance=provenance)
        raise
    return results.finish(store, run, analysis, provenance=provenance, knowledge=record(run, analysis.knowledge))


def _used_what_ended(store: Store, run: Run) -> bool:
    every = runs_and_words(store, run.car.title)
    return any(has_ended(one, every) for one in every if one.run.id == run.id)


def write_parquet(log_path: Path | str, target: Path) -> None:
    """Write the log at `log_path` to `target`: every column that holds numbers, under the log's own names, with its
    unit in the field's metadata. The copy is for pandas and the like; analyses read the bytes as they came.

    Raises
    ------
    InputError : not a log, or its columns cannot be told apart.
    """
    raw = open_log(log_path)
    values, _ = raw.load(list(range(len(raw.columns))))
    fields = [
        pa.field(column.name, pa.float64(), metadata={"unit": column.unit or ("s" if column.is_clock else "")})
        for column in raw.columns
    ]
    metadata = {PARQUET_MARK: GENERATOR, "form": raw.form, "preamble": raw.preamble[:100_000]}
    try:
        table = pa.Table.from_arrays([pa.array(v) for v in values], schema=pa.schema(fields, metadata=metadata))
        pq.write_table(table, target, compression="zstd")
    except pa.ArrowException as error:
        raise InputError(f"{Path(log_path).name}: cannot be kept as Parquet ({error}); export the log anew.") from None
    to_disk(target)


def keep_parquet(store: Store, run: Run) -> None:
    """Give a run's logs their Parquet copies, where they have none yet.

    Raises
    ------
    InputError : a log cannot be opened.
    """
    for log in (one for one in run.logs if one.parquet is None):
        with store.staging() as folder:
            staged = folder / f"{log.id}.parquet"
            write_parquet(log.path, staged)
            with store.transaction() as connection:
                _place_parquet(store, connection, staged, log.id)
