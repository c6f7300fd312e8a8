"""The work of one log, the same in a local process and on a cluster's worker. Imports little at its start."""

import tempfile
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING

from analyzer.batch.places import Log
from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import printable
from analyzer.provenance import Provenance, code_version, hash_of_logs, hash_stream

if TYPE_CHECKING:
    from analyzer.analysis import Analysis


@dataclass(frozen=True)
class Settings:
    """A settings file as it travels to another machine: its name and its text."""

    name: str
    text: bytes


@dataclass(frozen=True)
class Task:
    """One log, or the logs of one run, with what to analyse them with. `expected` has no log hash yet; the worker finds
    it as it reads."""

    log: Log
    car: Settings
    setup: Settings | None
    channels: Settings | None
    expected: Provenance


@dataclass(frozen=True)
class Outcome:
    """What came of a task: rows (Parquet bytes) and result (JSON), or the reason there are none.

    `log_sha256` is None where the log could not be read.
    """

    log: str
    log_sha256: str | None
    rows: bytes | None = None
    result: str | None = None
    reason: str | None = None


def analyse_log(task: Task) -> Outcome:
    """Read, hash and analyse one log; what a user can mend comes back as the outcome's reason."""
    try:
        if task.expected.code != code_version():
            raise InputError(
                f"{task.log.name}: the worker runs halfshaft {code_version()}, the batch {task.expected.code}; install "
                "the same version on both."
            )
        with tempfile.TemporaryDirectory(prefix="halfshaft-") as folder:
            return _analyse(task, Path(folder))
    except HalfshaftError as error:
        return Outcome(task.log.name, None, reason=str(error))


def _analyse(task: Task, folder: Path) -> Outcome:
    from analyzer.pipeline import analyze
    from analyzer.presentation.result_json import to_json

    paths, hashes = [], []
    for k, log in enumerate(task.log.run):
        (folder / f"log{k}").mkdir()
        # libraries that open files by themselves take no name that is not UTF-8
        paths.append(folder / f"log{k}" / printable(PurePosixPath(log.name).name))
        with log.open() as source, paths[-1].open("wb") as copy:
            hashes.append(hash_stream(source, copy=copy))
    sha256 = hash_of_logs(hashes)
    try:
        analysis = analyze(
            log_path=paths,
            car_path=_write(folder / "car", task.car),
            setup_path=None if task.setup is None else _write(folder / "setup", task.setup),
            channels_path=None if task.channels is None else _write(folder / "channels", task.channels),
        )
    except HalfshaftError as error:
        return Outcome(task.log.name, sha256, reason=str(error))
    made_from = replace(task.expected, log_sha256=sha256)
    return Outcome(task.log.name, sha256, rows=_rows(task, analysis, made_from), result=to_json(analysis))


def _rows(task: Task, analysis: "Analysis", made_from: Provenance) -> bytes:
    from analyzer.batch.parts import part_bytes, phase_table

    return part_bytes(phase_table(analysis, task.log), made_from)


def _write(folder: Path, settings: Settings) -> Path:
    folder.mkdir()
    path = folder / settings.name
    path.write_bytes(settings.text)
    return path
