"""Puts files into the logbook's folder so that a process that is killed leaves them whole or not there at all.

A file is written under `incoming/<process>/`, brought to the disk, and renamed to its place inside the transaction
that commits the row which names it. What no row names is an orphan; opening the logbook removes it. A process holds
the lock of its `incoming` folder while it lives, so that nobody cleans up after the living.
"""

import os
import secrets
import shutil
from collections.abc import Container, Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from analyzer.errors import InputError

INCOMING = "incoming"
OPENING_WAIT_S = 60.0


class Placing:
    """The files of one logbook, as seen by one process."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._token = secrets.token_hex(8)
        self._own = folder / INCOMING / self._token
        self._lock = FileLock(f"{self._own}.lock", thread_local=False)

    @contextmanager
    def opening(self) -> Iterator[None]:
        """The lock under which one process at a time opens the logbook and takes its `incoming` folder.

        Raises
        ------
        InputError : the folder cannot be made, or another process keeps the lock.
        """
        try:
            (self._folder / INCOMING).mkdir(parents=True, exist_ok=True)
            with FileLock(self._folder / "opening.lock", timeout=OPENING_WAIT_S):
                self._lock.acquire(blocking=False)
                self._own.mkdir()
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

    def place(self, staged: Path, target: Path) -> None:
        """Move what was staged and is on the disk to where a row will name it; call it inside the row's transaction."""
        if target.is_dir():  # an orphan of a process that was killed here, for no row names it
            shutil.rmtree(target)
        os.replace(staged, target)
        _folder_to_disk(target.parent)

    def clean(self, places: dict[Path, Container[str]]) -> None:
        """Remove what dead processes left. Call it under `opening`, inside a transaction.

        Parameters
        ----------
        places : folder -> the names of the entries in it that a row names.
        """
        for folder, named in places.items():
            for path in folder.iterdir() if folder.is_dir() else ():
                if path.name not in named:
                    _remove(path)
        for lock_file in (self._folder / INCOMING).glob("*.lock"):
            if lock_file.stem != self._token:
                _clean_if_dead(lock_file)

    def close(self) -> None:
        """Give the `incoming` folder back."""
        shutil.rmtree(self._own, ignore_errors=True)
        self._lock.release()
        Path(self._lock.lock_file).unlink(missing_ok=True)


def _clean_if_dead(lock_file: Path) -> None:
    lock = FileLock(lock_file)
    try:
        lock.acquire(blocking=False)
    except Timeout:
        return
    try:
        _remove(lock_file.with_suffix(""))
        lock_file.unlink(missing_ok=True)
    finally:
        lock.release()


def _remove(path: Path) -> None:
    if path.is_dir():
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
