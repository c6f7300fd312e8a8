"""Where the logs of a batch are: a folder here, or any address that fsspec knows."""

import difflib
import io
import os
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from pydantic import Field

from analyzer.errors import InputError
from analyzer.files import same_file
from analyzer.logbook.folder import ARCHIVES, LOG_ENDINGS, PACKINGS
from analyzer.settings_file import Settings, read_toml, validated

TRUTH = ".truth."  # `halfshaft simulate` writes the truth beside its log
_ENDINGS = (*(f"{ending}{packed}" for ending in LOG_ENDINGS for packed in ("", *PACKINGS)), *ARCHIVES)


@dataclass(frozen=True)
class Log:
    """One log of a batch.

    Attributes
    ----------
    name : its path inside the folder, with forward slashes.
    place : path, or address for fsspec.
    date_s : when it was last changed (s since 1970), None where the storage does not say.
    content : its bytes, where no other process can read the place (storage in this process's memory).
    more : the other logs of its run, which are fitted together with it; the run goes by the first one's name.
    """

    name: str
    place: str
    date_s: float | None
    content: bytes | None = None
    more: tuple["Log", ...] = ()

    @property
    def run(self) -> tuple["Log", ...]:
        """All logs of its run."""
        return (self, *self.more)

    def open(self) -> BinaryIO:
        """A stream of its bytes.

        Raises
        ------
        InputError : it cannot be read, from the machine this runs on.
        """
        try:
            if self.content is not None:
                return io.BytesIO(self.content)
            if is_address(self.place):
                stream: BinaryIO = _fsspec().open(self.place, "rb").open()
                return stream
            return open(self.place, "rb")
        except OSError as error:
            raise InputError(
                f"{self.name}: cannot be read from here ({error.strerror or error}); check that every machine sees it."
            ) from None


def is_address(folder: str) -> bool:
    """Whether a folder is an address for fsspec rather than a path."""
    return "://" in folder


def find_logs(folder: str, *, without: Path | None = None) -> list[Log]:
    """Every log under a folder, by name.

    Parameters
    ----------
    folder : path or address, searched with all folders in it.
    without : a folder to leave out (the batch's own output).

    Raises
    ------
    InputError : no such folder, no log in it, or fsspec is needed and not installed.
    """
    found = list(_at_address(folder) if is_address(folder) else _at_path(Path(folder), without))
    logs = sorted((log for log in found if _is_log(log.name)), key=lambda log: log.name)
    if not logs and without is not None and same_file(folder, without):
        raise InputError(f"{folder}: is the folder of logs and --out as well; name another --out.")
    if not logs:
        raise InputError(f"{folder}: no log in it; looked for files ending in {', '.join(LOG_ENDINGS)}, packed or not.")
    return logs


class _RunTable(Settings):
    logs: tuple[str, ...] = Field(min_length=1, max_length=100, description="paths of logs inside the folder")


class _RunsFile(Settings):
    run: tuple[_RunTable, ...] = Field(description="one table a run")


def as_runs(logs: list[Log], runs_path: Path | str) -> list[Log]:
    """The logs as runs, by a file that says which of them are one.

    Parameters
    ----------
    runs_path : TOML, a table `[[run]]` with `logs = ["laps.csv", "circles.csv"]` each; a log that no table names is a
        run by itself.

    Raises
    ------
    InputError : the file cannot be read, names a log that is not there, or a log twice.
    """
    file = Path(runs_path).name
    said = validated(_RunsFile, read_toml(runs_path), file=file, table_name="run")
    left = {log.name: log for log in logs}
    together: list[Log] = []
    for table in said.run:
        for name in table.logs:
            if name not in {log.name for log in logs}:
                near = difflib.get_close_matches(name, [log.name for log in logs], n=1)
                hint = f"did you mean '{near[0]}'?" if near else "write the path as it is inside the folder."
                raise InputError(f"{file}: no log '{name}' in the folder; {hint}")
            if name not in left:
                raise InputError(f"{file}: '{name}' is named twice; a log is of one run.")
            first = together[-1] if name != table.logs[0] else None
            log = left.pop(name)
            if first is None:
                together.append(log)
            else:
                together[-1] = replace(first, more=(*first.more, log))
    return sorted([*together, *left.values()], key=lambda log: log.name)


def _is_log(name: str) -> bool:
    last = PurePosixPath(name).name.casefold()
    return last.endswith(_ENDINGS) and TRUTH not in last and not last.startswith(".")


def _at_path(folder: Path, without: Path | None) -> Iterator[Log]:
    if not folder.is_dir():
        raise InputError(f"{folder}: is no folder; name the folder that holds the logs.")
    for path in folder.rglob("*"):
        if path.is_file() and not (
            without is not None and Path(os.path.realpath(path)).is_relative_to(os.path.realpath(without))
        ):
            yield Log(path.relative_to(folder).as_posix(), os.path.realpath(path), path.stat().st_mtime)


def _at_address(folder: str) -> Iterator[Log]:
    fsspec = _fsspec()
    try:
        files, root = fsspec.core.url_to_fs(folder)
        entries = files.find(root, detail=True)
    except (OSError, ValueError, ImportError) as error:
        raise InputError(f"{folder}: cannot be listed ({error}); check the address.") from None
    for path, about in entries.items():
        name = path.removeprefix(root.rstrip("/")).lstrip("/")
        content = files.cat_file(path) if "memory" in _protocols(files) and _is_log(name) else None
        yield Log(name, files.unstrip_protocol(path), _date_s(about), content)


def _protocols(files: Any) -> tuple[str, ...]:
    return (files.protocol,) if isinstance(files.protocol, str) else tuple(files.protocol)


def _date_s(about: dict[str, Any]) -> float | None:
    """When a file was last changed; every storage has its own word for it."""
    words = ("mtime", "modified", "LastModified", "last_modified", "created")
    told = next((about[key] for key in words if key in about), None)
    if isinstance(told, int | float):
        return float(told)
    if isinstance(told, datetime):
        return (told if told.tzinfo else told.replace(tzinfo=UTC)).timestamp()
    return None


def _fsspec() -> Any:
    try:
        import fsspec
    except ModuleNotFoundError:
        raise InputError(
            "addresses (with ://) need fsspec; install it with pip install 'halfshaft[cluster]'."
        ) from None
    return fsspec
