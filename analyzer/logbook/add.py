"""Puts logs into a logbook and keeps their results up to date with code, car, setup and channel map."""

from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from analyzer.errors import CannotTell, HalfshaftError, InputError
from analyzer.logbook import files, results
from analyzer.logbook.parquet_copy import write_parquet
from analyzer.logbook.runs import Run, run_of_id, runs, set_run
from analyzer.logbook.store import Store
from analyzer.pipeline import Progress, analyze


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
    date_s: float | None = None,
) -> Added:
    """Put a log with its car, setup and channel map into the logbook, all of it or nothing; nothing is analysed yet.

    Parameters
    ----------
    log_path : the same bytes a second time are the same run, which then has this car, setup and map.
    date_s : when it was driven (s since 1970); default: when the log's file was last changed.

    Raises
    ------
    InputError : a file cannot be read or says what it may not.
    """
    log_path = Path(log_path)
    paths = {"log": log_path, "car": car_path, "setup": setup_path, "channels": channels_path}
    with store.staging() as folder, ExitStack() as opened:
        staged = {
            kind: files.stage(kind, Path(path).name, opened.enter_context(_open(path)), folder)
            for kind, path in paths.items()
            if path is not None
        }
        run_id = staged["log"].id
        copy = folder / f"{run_id}.parquet"
        write_parquet(staged["log"].path, copy)
        with store.transaction() as connection:
            known = connection.execute("SELECT 1 FROM runs WHERE id = ?", (run_id,)).fetchone() is not None
            ids = {kind: files.place(store, connection, one) for kind, one in staged.items()}
            if connection.execute("UPDATE files SET parquet = 1 WHERE id = ? AND parquet = 0", (run_id,)).rowcount:
                store.placing.place(copy, store.folder / "parquet" / copy.name)
            set_run(
                connection,
                run_id,
                date_s=log_path.stat().st_mtime if date_s is None else date_s,
                car_id=ids["car"],
                setup_id=ids.get("setup"),
                channels_id=ids.get("channels"),
            )
    return Added(run_of_id(store, run_id), known)


def correct_car(store: Store, car_path: Path | str) -> list[Run]:
    """Give every run of the car of this file's name the file; returns those runs.

    Raises
    ------
    InputError : the file says what it may not, or no run is of such a car.
    """
    with store.staging() as folder, _open(car_path) as stream:
        staged = files.stage("car", Path(car_path).name, stream, folder)
        there = runs(store, car=staged.title)
        if not there:
            names = ", ".join(sorted({f"'{run.car.title}'" for run in runs(store)})) or "none"
            raise InputError(
                f"{Path(car_path).name}: no run in this logbook is of a car named '{staged.title}'; cars there: "
                f"{names}. Name a log to add as well, or correct the name."
            )
        with store.transaction() as connection:
            car_id = files.place(store, connection, staged)
            connection.executemany("UPDATE runs SET car_id = ? WHERE id = ?", [(car_id, run.id) for run in there])
    return runs(store, car=staged.title)


def up_to_date(store: Store, run: Run, *, progress: Progress = lambda step, share: None) -> results.StoredResult:
    """The result of a run by this code, made now when there is none or when code, car, setup or map changed.

    Raises
    ------
    InputError, CannotTell : the log cannot be analysed; the logbook remembers it.
    """
    found = results.result_of(store, run)
    if found is None or not results.is_current(found, run):
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
    try:
        analysis = analyze(
            log_path=run.log.path,
            car_path=run.car.path,
            setup_path=None if run.setup is None else run.setup.path,
            channels_path=None if run.channels is None else run.channels.path,
            progress=progress,
        )
    except HalfshaftError as error:
        results.fail(store, run, message=str(error), provenance=provenance)
        raise
    return results.finish(store, run, analysis, provenance=provenance)


def _open(path: Path | str) -> BinaryIO:
    try:
        return open(path, "rb")
    except OSError as error:
        raise InputError(f"{path}: cannot be read ({error.strerror}); check the path.") from None
