"""Analyses every log of a folder, whatever else fails, and goes on where it was stopped."""

import contextlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from analyzer.batch import workers
from analyzer.batch.places import as_runs, find_logs
from analyzer.batch.progress import SEASON, Parts
from analyzer.batch.workers import Outcome, Settings, Task
from analyzer.files import Outputs, read_at_most
from analyzer.provenance import provenance
from analyzer.settings_file import LARGEST_BYTES

Progress = Callable[[int, int, str], None]  # (logs over, all logs, the one just over)


@dataclass
class Report:
    """What a batch did.

    Attributes
    ----------
    analysed, before : names of the logs analysed now, and of those that were done before.
    failed : name -> reason.
    rows : of the season table; 0 when there was nothing to write, and a table that was there is as it was.
    season : where the table is.
    """

    season: Path
    analysed: list[str] = field(default_factory=list)
    before: list[str] = field(default_factory=list)
    failed: dict[str, str] = field(default_factory=dict)
    rows: int = 0


def run_batch(
    *,
    folder: str,
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
    runs_path: Path | str | None = None,
    out: Path | str,
    processes: int | None = None,
    scheduler: str | None = None,
    outputs: Outputs | None = None,
    progress: Progress = lambda over, total, name: None,
) -> Report:
    """Analyse all logs under `folder` and write the season table.

    Parameters
    ----------
    folder : path, or address for fsspec.
    car_path, setup_path, channels_path : of all logs.
    runs_path : which logs are one run (`places.as_runs`); default: each by itself.
    out : output folder; logs done there with the same bytes, car, setup, channel map and code are not done again.
    processes : local processes; default: as many as there are cores.
    scheduler : address of a Dask scheduler; default: local processes.
    outputs : what may be written; default: no file that halfshaft did not write.

    Raises
    ------
    InputError : folder, settings files, output or scheduler are wrong; a log that is wrong is told in the report.
    """
    expected = provenance(car_path=car_path, setup_path=setup_path, channels_path=channels_path)
    car = _settings(car_path)
    setup = None if setup_path is None else _settings(setup_path)
    channels = None if channels_path is None else _settings(channels_path)
    parts = Parts(Path(out), outputs or Outputs())
    logs = find_logs(folder, without=parts.folder)
    if runs_path is not None:
        logs = as_runs(logs, runs_path)
    report = Report(season=parts.folder / SEASON)
    parts.require(logs)
    parts.make()
    tasks = [Task(log, car, setup, channels, expected, parts.made_of(log, expected)) for log in logs]
    try:
        for outcome in _outcomes(tasks, processes=processes, scheduler=scheduler):
            if outcome.same:
                report.before.append(outcome.log)
            elif outcome.rows is not None:
                parts.keep(outcome.log, rows=outcome.rows, result=outcome.result)
                report.analysed.append(outcome.log)
            else:
                report.failed[outcome.log] = outcome.reason or "no reason was given"
            progress(_over(report), len(logs), outcome.log)
    finally:  # also when interrupted: what is done can be used
        there = {*report.analysed, *report.before}
        if there:  # a table that is there is better than an empty one
            report.rows = parts.write_season([log for log in logs if log.name in there])
    return report


def _outcomes(tasks: list[Task], *, processes: int | None, scheduler: str | None) -> Iterator[Outcome]:
    if not tasks:
        return iter(())
    if scheduler is not None:
        return workers.on_cluster(tasks, address=scheduler)
    return workers.on_this_machine(tasks, processes=processes or _cores())


def _over(report: Report) -> int:
    return len(report.analysed) + len(report.before) + len(report.failed)


def _settings(path: Path | str) -> Settings:
    return Settings(Path(path).name, read_at_most(path, LARGEST_BYTES, what="settings file"))


def _cores() -> int:
    with contextlib.suppress(AttributeError):  # not on every system
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1
