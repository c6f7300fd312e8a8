"""Writes output files whole or not at all: beside the target first, then renamed over it."""

import os
import tempfile
from collections.abc import Hashable, Sequence
from contextlib import suppress
from os import PathLike
from pathlib import Path
from typing import Any

from analyzer.errors import InputError


def require_place(path: Path | str) -> None:
    """Refuse a place that `write_atomic` would refuse, before minutes of work are spent on what goes there.

    Raises
    ------
    InputError : `path` is a folder, or its folder is missing or may not be written.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(f"{path}: is a folder; name a file to write.")
    if path.exists() and not path.is_file():
        return  # a pipe or a device
    if not path.parent.is_dir():
        raise InputError(f"{path}: the folder {path.parent} does not exist; make it first.")
    if not os.access(path.parent, os.W_OK):
        raise InputError(f"{path}: may not be written; check the permissions of {path.parent}.")


def write_atomic(path: Path | str, content: str | bytes) -> None:
    """Write `content` to `path` so that a reader sees the old file or the whole new one, never a half.

    Parameters
    ----------
    path : file to write. An existing pipe or device (`/dev/stdout`) is written straight, because it
        cannot be renamed over.
    content : text (written as UTF-8) or bytes.

    Raises
    ------
    InputError : the folder is missing, is not writable, or the disk is full; the target is left as it was.
    """
    path = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        if path.is_dir():
            raise InputError(f"{path}: is a folder; name a file to write.")
        if path.exists() and not path.is_file():
            path.write_bytes(data)
            return
        _write_aside(path.resolve(), data)  # resolved, so that a link keeps pointing at what it pointed at
    except FileNotFoundError:
        raise InputError(f"{path}: the folder {path.parent} does not exist; make it first.") from None
    except PermissionError:
        raise InputError(f"{path}: may not be written; check the permissions of {path.parent}.") from None
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}); nothing was changed. Free some space or "
            "name another place."
        ) from None
    except RuntimeError:  # pathlib's word for a loop of links, before Python 3.13
        raise InputError(f"{path}: is a loop of links; name another file.") from None


def _write_aside(path: Path, data: bytes) -> None:
    handle, aside = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(aside, _mode(path))
        os.replace(aside, path)
    except BaseException:
        with suppress(FileNotFoundError):
            os.unlink(aside)
        raise


def _mode(path: Path) -> int:
    """The target's own permissions, or what a plain `open` would have given."""
    if path.exists():
        return path.stat().st_mode & 0o7777
    mask = os.umask(0)
    os.umask(mask)
    return 0o666 & ~mask


def identity(log: Any) -> Hashable:
    """The same for what is the same log: its place for a path, else the object itself."""
    return Path(log).resolve() if isinstance(log, str | PathLike) else id(log)


def each_once(logs: Sequence[Any], *, option: str) -> None:
    """Refuse a log that is given twice: its laps would count as twice as many.

    Raises
    ------
    InputError : names the log and the option.
    """
    known: set[Hashable] = set()
    for k, log in enumerate(logs):
        which = identity(log)
        if which in known:
            name = which.name if isinstance(which, Path) else f"log {k + 1}"
            raise InputError(f"{option}: {name} is given twice, and its laps would count twice; name it once.")
        known.add(which)
