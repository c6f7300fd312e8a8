"""The logbook's folder: what may be in it, how it is called, and how a file gets there whole or not at all.

What may be in a logbook and how it is called, and whether a folder is one. Every name that comes from outside passes
here, so that no path can lead out of the folder.

A file is written under `incoming/<process>/`, brought to the disk, and renamed to its place inside the transaction
that commits the row which names it. What a process is about to place, or to take away, it first writes down in
`incoming/<process>/unfinished`. Whoever writes next removes what a dead process wrote down there and no row names,
and nothing else: what is not written down is not the logbook's, and stays. A process holds the lock of its
`incoming` folder while it lives, so that nobody cleans up after the living.
"""

import os
import re
import secrets
import shutil
import time
from collections.abc import Container, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

from analyzer.errors import InputError
from analyzer.files import LOGBOOK_DATABASE, LOGBOOK_MARKER

if TYPE_CHECKING:
    from filelock import BaseFileLock

KINDS = {  # kind of file -> words for it
    "log": "a log",
    "car": "a car file",
    "setup": "a setup file",
    "channels": "a channel map",
}
LOG_ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".feather", ".arrow", ".mf4", ".mdf", ".xlsx")
PACKINGS = (".gz", ".zip", ".xz", ".bz2")
ARCHIVES = (".tar", ".tgz", ".tar.gz", ".tar.xz", ".tar.bz2")  # of one log
MARKER = LOGBOOK_MARKER  # lies in every logbook, so that one is known without its database
MARKER_TEXT = """This folder is a halfshaft logbook. halfshaft keeps logs, car files, setups and results here.
files/    every file as it came, with a .json beside it from which a lost logbook.sqlite is rebuilt
parquet/  the logs as Parquet
results/  what the analyses gave
lost/     what was in the way; halfshaft never deletes it
"""
DATABASE = LOGBOOK_DATABASE
DATABASE_START = b"SQLite format 3\0"
APPLICATION_ID = 0x68736C62  # marks the database as a logbook's, so that no other database is changed
PLACES = (*(f"files/{kind}" for kind in KINDS), "parquet", "results")
LONGEST, KEPT_AT_THE_END = 120, 40  # letters of a name: its date leads, its kind ends it
_ID = re.compile(r"[0-9a-f]{16}")
_PLAIN = re.compile(rf"(?!\.)[\w.\-]{{1,{LONGEST}}}")  # what `safe_name` leaves as it is
INCOMING, UNFINISHED, LOST = "incoming", "unfinished", "lost"
OPENING_WAIT_S = 60.0
_PROCESS = re.compile(r"[0-9a-f]{16}")  # an `incoming` folder; its lock ends in .lock
# what a process may write down: places that only the logbook itself fills
_PLACED = re.compile(
    r"files/(log|car|setup|channels)/[0-9a-f]{16}(\.json)?|parquet/[0-9a-f]{16}\.parquet|results/[0-9a-f]{16}"
)


def is_id(text: str) -> bool:
    """Whether `text` has the form of an id."""
    return _ID.fullmatch(text) is not None


def safe_name(filename: str) -> str:
    """The last part of a file name with only letters, digits, dot, dash and underscore, not hidden; of one that is too
    long the middle is left out."""
    last = re.split(r"[/\\]", filename)[-1]
    clean = re.sub(r"[^\w.\-]+", "_", last).lstrip(".")
    if len(clean) > LONGEST:
        clean = clean[: LONGEST - KEPT_AT_THE_END - 2] + "__" + clean[-KEPT_AT_THE_END:]
    return clean or "file"


def checked(name: str) -> str:
    """A name from the database, refused when it could lead elsewhere.

    Raises
    ------
    InputError : not a plain file name.
    """
    if not _PLAIN.fullmatch(name):
        raise InputError(f"the logbook names a file {name!r}, which is no file name; restore a copy of the logbook.")
    return name


def is_logbook(folder: Path) -> bool:
    """Whether a folder is a logbook, also one whose database is lost: by its marker, or, before there was one, by a
    stored file."""
    return (
        (folder / MARKER).is_file()
        or _is_own_database(folder / DATABASE)
        or any(is_id(path.name) for kind in KINDS for path in (folder / "files" / kind).glob("*") if path.is_dir())
    )


def _is_own_database(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        header = file.read(100)
    # bytes 68 to 71: the application id (SQLite file format)
    return header.startswith(DATABASE_START) and header[68:72] == APPLICATION_ID.to_bytes(4, "big")


def named_few(names: list[str], most: int = 5) -> str:
    """The first few of a list of names."""
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest


class Placing:
    """The files of one logbook, as seen by one process; nothing is written before `opening`."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._token = secrets.token_hex(8)
        self._own = folder / INCOMING / self._token
        self._lock: BaseFileLock | None = None  # of who writes
        self._lost: Path | None = None

    @contextmanager
    def opening(self) -> Iterator[None]:
        """The lock under which one process at a time opens the logbook for writing and takes its `incoming` folder.

        Raises
        ------
        InputError : another process keeps the lock.
        OSError : the folder cannot be written.
        """
        from filelock import FileLock, Timeout  # takes longer to import than a logbook to be opened for reading

        try:
            (self._folder / INCOMING).mkdir(parents=True, exist_ok=True)
            with FileLock(self._folder / "opening.lock", timeout=OPENING_WAIT_S):
                # the folder is known by its list; it comes before the lock and goes after it
                self._own.mkdir(exist_ok=True)
                (self._own / UNFINISHED).touch()
                self._lock = self._lock or FileLock(f"{self._own}.lock", thread_local=False)
                self._lock.acquire(blocking=False)
                yield
        except Timeout:
            raise InputError(f"{self._folder}: another process is opening this logbook; try again.") from None

    @contextmanager
    def staging(self) -> Iterator[Path]:
        """An empty folder to write in; whatever is left in it afterwards is thrown away.

        Raises
        ------
        InputError : the disk is full or may not be written.
        """
        stage = self._own / secrets.token_hex(4)
        try:
            stage.mkdir()
            yield stage
        except OSError as error:
            raise InputError(
                f"{self._folder}: cannot be written ({error.strerror or error}); nothing was changed. Free some space."
            ) from None
        finally:
            shutil.rmtree(stage, ignore_errors=True)

    def write_down(self, paths: Iterable[Path]) -> None:
        """Note, on the disk, what is about to be placed or taken away; call it before.

        Raises
        ------
        InputError : the folder cannot be written.
        """
        lines = "".join(f"{path.relative_to(self._folder).as_posix()}\n" for path in paths)
        try:
            with (self._own / UNFINISHED).open("a", encoding="utf-8") as file:
                file.write(lines)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise InputError(
                f"{self._folder}: cannot be written ({error.strerror or error}); nothing was changed. Free some space."
            ) from None

    def finished(self) -> None:
        """What was written down is done: the transaction is committed."""
        with suppress(FileNotFoundError):
            os.truncate(self._own / UNFINISHED, 0)

    def undo(self, named: Container[str]) -> None:
        """Remove what was placed in a transaction that was rolled back.

        Parameters
        ----------
        named : the places that a row names, as paths inside the folder.
        """
        for place in _written_down(self._own / UNFINISHED):
            if place not in named:
                remove(self._folder / place)
        self.finished()

    def place(self, staged: Path, target: Path) -> None:
        """Move what was staged and is on the disk to where a row will name it; call it inside the row's transaction.
        What no row names and lies there goes to `lost`."""
        if os.path.lexists(target):
            self.set_aside(target)
        self.write_down([target])
        os.replace(staged, target)
        _folder_to_disk(target.parent)

    def place_texts(self, texts: dict[Path, str]) -> None:
        """Write small files that are the logbook's own, each whole, in the place of what is there; call it inside a
        transaction."""
        if not texts:
            return
        self.write_down(texts)
        with self.staging() as folder:
            for path, text in texts.items():
                staged = folder / path.name
                staged.write_text(text, "utf-8")
                to_disk(staged)
                if path.is_dir():
                    self.set_aside(path)
                os.replace(staged, path)
            for parent in {path.parent for path in texts}:
                _folder_to_disk(parent)

    def set_aside(self, path: Path) -> Path:
        """Move what is in the way into `lost`; returns where it is now."""
        if self._lost is None:
            self._lost = self._folder / LOST / f"{time.strftime('%Y-%m-%d-%H%M%S')}-{self._token[:4]}"
        target = self._lost / path.relative_to(self._folder)
        while os.path.lexists(target):
            target = target.with_name(f"{target.name}-{secrets.token_hex(2)}")
        target.parent.mkdir(parents=True, exist_ok=True)
        os.replace(path, target)
        return target

    def finish_for_the_dead(self, named: Container[str], *, keep: bool) -> None:
        """Remove what dead processes wrote down and did not finish. Call it under `opening`, inside a transaction.

        Parameters
        ----------
        named : the places that a row names, as paths inside the folder.
        keep : to `lost` with it instead: the rows were rebuilt, and what they do not name may be more than that.
        """
        for own in (self._folder / INCOMING).iterdir():
            if own != self._own and _is_of_a_process(own):
                self._finish_if_dead(own, named, keep=keep)

    def _finish_if_dead(self, own: Path, named: Container[str], *, keep: bool) -> None:
        from filelock import FileLock, Timeout

        lock = FileLock(f"{own}.lock")
        try:
            lock.acquire(blocking=False)
        except Timeout:
            return
        try:
            for place in _written_down(own / UNFINISHED):
                if place not in named and os.path.lexists(self._folder / place):
                    (self.set_aside if keep else remove)(self._folder / place)
            _remove_own(own, lock)
        finally:
            lock.release()

    def strangers(self) -> list[Path]:
        """What lies in `incoming` and no process of the logbook made."""
        folder = self._folder / INCOMING
        found = sorted(folder.iterdir()) if folder.is_dir() else []
        return [
            path for path in found if not _is_of_a_process(path.with_suffix("") if path.suffix == ".lock" else path)
        ]

    def close(self) -> None:
        """Give the `incoming` folder back."""
        if self._lock is not None and self._lock.is_locked:
            if not _written_down(self._own / UNFINISHED):  # else the next process finishes it
                _remove_own(self._own, self._lock)
            self._lock.release()


def _is_of_a_process(path: Path) -> bool:
    """Whether a folder in `incoming` was made by a process of the logbook: it has its list, or is empty."""
    if not _PROCESS.fullmatch(path.name) or path.is_symlink() or not path.is_dir():
        return False
    return (path / UNFINISHED).is_file() or not any(path.iterdir())


def _remove_own(own: Path, lock: "BaseFileLock") -> None:
    """Remove a process's folder, its list last, and the lock that is held before either."""
    with suppress(OSError):  # some systems keep what is open
        os.unlink(lock.lock_file)
    for path in own.iterdir() if own.is_dir() else ():
        if path.name != UNFINISHED:
            remove(path)
    (own / UNFINISHED).unlink(missing_ok=True)
    with suppress(OSError):
        own.rmdir()


def _written_down(path: Path) -> list[str]:
    """The places in a list of what was unfinished; its last line counts only when it is whole."""
    if not path.is_file():
        return []
    lines = path.read_text("utf-8", errors="replace").split("\n")[:-1]
    return [line for line in lines if _PLACED.fullmatch(line)]


def remove(path: Path) -> None:
    """Remove what the logbook wrote down as its own; what a kill leaves of it is removed at the next opening."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path, ignore_errors=True)
    else:
        path.unlink(missing_ok=True)


def to_disk(path: Path) -> None:
    """Wait until a file, or a folder with its files, is on the disk."""
    for file in [p for p in path.rglob("*") if p.is_file()] if path.is_dir() else [path]:
        with file.open("rb+") as stream:
            os.fsync(stream.fileno())
    if path.is_dir():
        _folder_to_disk(path)


def _folder_to_disk(folder: Path) -> None:
    if os.name == "nt":
        return  # folders cannot be opened there, and renames are journalled
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
