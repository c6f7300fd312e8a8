"""Reads small files within bounds, and writes files so that nothing of the user's is lost.

An output is written whole or not at all: beside its place first, then renamed over it. A command writes through
`Outputs`, which refuses what it reads and every existing file that halfshaft did not write. What halfshaft wrote is
known by its content: a first JSON key, an HTML meta element, Parquet metadata, or the first line of a TOML file.
"""

import errno
import hashlib
import json
import os
import re
import shutil
import stat
import tempfile
import time
import unicodedata
from collections.abc import Callable, Hashable, Iterable, Mapping, Sequence
from contextlib import suppress
from os import PathLike
from pathlib import Path
from typing import Any, BinaryIO

from analyzer import __version__
from analyzer.errors import InputError

GENERATOR = f"halfshaft {__version__}"
PARQUET_MARK = b"halfshaft"  # begins a key of a Parquet file's metadata
_JSON_START = re.compile(rb'\s*(\{|\[\s*(\{|\]\s*$))\s*("generator": "halfshaft )?')
# what `json` leaves as it is, and a terminal may obey (C1) or UTF-8 cannot hold (bytes of a file name)
_TO_ESCAPE, _SURROGATES = re.compile(r"[\x7f-\x9f\ud800-\udfff]"), "\ud800"
_HTML_MARK = b'<meta name="generator" content="halfshaft '
_HTML_HEAD_BYTES = 4096
_TOML_MARK = re.compile(rb"# Written by halfshaft \S+ \(([0-9a-f]{16})\)[^\n]*\n")
READER_WAIT_S = 10.0  # for a program that is to read a pipe; common practice, no source
_MOST_LINKS = 40  # as Linux follows them, path_resolution(7)
LOGBOOK_MARKER, LOGBOOK_DATABASE = "about-this-logbook.txt", "logbook.sqlite"  # either makes a folder a logbook
# what a logbook fills by itself, below its folder
_LOGBOOK_FOLDERS = {"files", "parquet", "results", "incoming", "lost"}
_LOGBOOK_FILES = (LOGBOOK_MARKER, LOGBOOK_DATABASE, "opening.lock")


# reading


def open_regular(path: Path | str) -> BinaryIO:
    """A stream of a file's bytes; never waits for a pipe, never reads a device.

    Raises
    ------
    InputError : no such file, no permission, or no regular file.
    """
    name = Path(path).name or str(path)
    try:
        # a pipe that nobody writes to would keep a plain `open` waiting
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except FileNotFoundError:
        raise InputError(f"{name}: no such file; check the path.") from None
    except PermissionError:
        raise InputError(f"{name}: may not be read; check its permissions.") from None
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise InputError(
            f"{name}: cannot be read ({getattr(error, 'strerror', None) or error}); check the path."
        ) from None
    mode = os.fstat(handle).st_mode
    if stat.S_ISREG(mode):
        return os.fdopen(handle, "rb")
    os.close(handle)
    found = "a folder" if stat.S_ISDIR(mode) else "a pipe or a device"
    raise InputError(f"{name}: is {found}, not a file; name a file.")


def read_at_most(path: Path | str, most_bytes: int, *, what: str) -> bytes:
    """All bytes of a small file.

    Parameters
    ----------
    what : what the file should be, for the message.

    Raises
    ------
    InputError : as `open_regular`, or there are more than `most_bytes`.
    """
    with open_regular(path) as stream:
        try:
            content = stream.read(most_bytes + 1)
        except OSError as error:
            raise InputError(f"{Path(path).name}: cannot be read ({error.strerror}); check the path.") from None
    if len(content) > most_bytes:
        raise InputError(
            f"{Path(path).name}: is larger than {most_bytes / 1e6:g} MB, so it is no {what}; allowed: up to "
            f"{most_bytes / 1e6:g} MB. Name the right file."
        )
    return content


# what halfshaft wrote


def json_text(result: Any) -> str:
    """A result as the text of a JSON file with the key by which `is_own_json` knows it: first in an object, first in
    each of a list's objects.

    Parameters
    ----------
    result : plain data, or a text that is JSON already.
    """
    value = json.loads(result) if isinstance(result, str) else result
    text = json.dumps(_with_generator(value), indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    return _TO_ESCAPE.sub(lambda found: f"\\u{ord(found[0]) if found[0] < _SURROGATES else 0xFFFD:04x}", text)


def _with_generator(value: Any) -> Any:
    if isinstance(value, dict):
        return {"generator": GENERATOR, **value}
    return [_with_generator(entry) for entry in value]


def with_toml_mark(text: str) -> str:
    """A TOML text below a line that says who wrote it; a text edited by hand is no longer halfshaft's to write over."""
    digest = hashlib.sha256(text.encode("utf-8")).hexdigest()[:16]
    return f"# Written by {GENERATOR} ({digest}). Edited by hand, it is yours and is not written over.\n{text}"


def is_own_json(path: Path) -> bool:
    """Whether a file begins like `json_text`, or is an empty list."""
    found = _JSON_START.match(_head(path, 400))
    return found is not None and (found[3] is not None or found[2] not in (None, b"{"))


def is_own_html(path: Path) -> bool:
    """Whether a file names halfshaft as the generator of its HTML."""
    return _HTML_MARK in _head(path, _HTML_HEAD_BYTES)


def is_own_toml(path: Path) -> bool:
    """Whether a file is as `with_toml_mark` made it, to the letter."""
    content = _head(path, 10_000_000)
    mark = _TOML_MARK.match(content)
    return mark is not None and hashlib.sha256(content[mark.end() :]).hexdigest()[:16] == mark[1].decode()


def is_own_parquet(path: Path) -> bool:
    """Whether a file is Parquet with a key of halfshaft's in its metadata."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        return any(key.startswith(PARQUET_MARK) for key in pq.read_schema(path).metadata or {})
    except (OSError, pa.ArrowException):
        return False


def _head(path: Path, size: int) -> bytes:
    with open_regular(path) as stream:
        return stream.read(size)


# writing


class Outputs:
    """What a command may write: no file that it reads, and no existing file of somebody else's.

    Parameters
    ----------
    inputs : files that the command reads, and folders, of which it may read any file; other entries do no harm.
    overwrite : the user's word that other existing files may be replaced. Inputs stay refused.

    A file that was written stays as it is until the command ends, and nothing goes into a logbook's own folders.
    """

    def __init__(self, inputs: Iterable[Path | str] = (), *, overwrite: bool = False) -> None:
        self._inputs = [Path(path) for path in inputs]
        self._overwrite = overwrite
        self._written: set[str] = set()

    def require(self, path: Path | str, is_own: Callable[[Path], bool]) -> None:
        """Refuse a place that `write` would refuse, before minutes of work are spent on what goes there.

        Parameters
        ----------
        is_own : whether an existing file is one that halfshaft wrote for this purpose.

        Raises
        ------
        InputError : an input, a file that halfshaft did not write, one of a logbook's own, a folder, or a folder that
            is missing or may not be written.
        """
        path = Path(path)
        if _require_place(path) is None:
            return
        require_outside_logbooks(path)
        read = next((other for other in self._inputs if same_file(path, other)), None)
        if read is not None:
            raise InputError(f"{path}: this command reads it (as {read}), so it stays as it is; name another file.")
        if spelling(path) in self._written:
            raise InputError(f"{path}: this command has just written another output there; name two files.")
        if not path.exists() or path.stat().st_size == 0 or is_own(path):
            return
        folder = next((other for other in self._inputs if _is_inside(path, other)), None)
        if folder is not None:
            raise InputError(
                f"{path}: lies in {folder}, which this command reads, so it stays as it is; name another file."
            )
        if not self._overwrite:
            raise InputError(
                f"{path}: is there already, and is not a file that halfshaft wrote for this; name another, or say "
                "--overwrite to replace it."
            )

    def require_each(self, named: Mapping[str, tuple[str, Callable[[Path], bool]]]) -> None:
        """`require` each option's file, and that no two are the same.

        Parameters
        ----------
        named : option -> its file, and what knows one that halfshaft wrote.

        Raises
        ------
        InputError : as `require`, or two options name one file.
        """
        options = list(named)
        for k, option in enumerate(options):
            path, is_own = named[option]
            self.require(path, is_own)
            twin = next((o for o in options[:k] if Path(path).is_file() and same_file(path, named[o][0])), None)
            twin = twin or next((o for o in options[:k] if spelling(path) == spelling(named[o][0])), None)
            if twin is not None and not _is_stream(Path(path)):
                raise InputError(f"{twin} and {option} name the same file ({path}); name two.")

    def write(self, path: Path | str, content: str | bytes | Path, is_own: Callable[[Path], bool]) -> None:
        """`write_atomic`, after `require`.

        Raises
        ------
        InputError : as either.
        """
        self.require(path, is_own)
        write_atomic(path, content)
        self._written.add(spelling(path))


def require_outside_logbooks(path: Path | str) -> None:
    """Refuse a place that a logbook fills by itself: what lies there is its files, or would be taken for them.

    Raises
    ------
    InputError : names the logbook.
    """
    real = Path(os.path.realpath(path))
    for folder in real.parents:
        first, *rest = real.relative_to(folder).parts
        name = first.casefold()
        if name in _LOGBOOK_FOLDERS or (not rest and name.startswith(_LOGBOOK_FILES)):
            if any((folder / mark).is_file() for mark in (LOGBOOK_MARKER, LOGBOOK_DATABASE)):
                raise InputError(f"{path}: is among the files of the logbook {folder.name}; name a place outside it.")


def _is_inside(path: Path, folder: Path) -> bool:
    """Whether a file lies in a folder, or in one below it."""
    return folder.is_dir() and any(same_file(parent, folder) for parent in Path(os.path.realpath(path)).parents)


def same_file(one: Path | str, other: Path | str) -> bool:
    """Whether two paths lead to one file: through links, hard links, or names that differ in letter case only, which
    are one file on many systems."""
    with suppress(OSError, ValueError):
        return os.path.samestat(os.stat(one), os.stat(other)) or spelling(one) == spelling(other)
    with suppress(OSError, ValueError):
        os.stat(other)  # what is not there cannot be written over
        return spelling(one) == spelling(other)
    return False


def spelling(path: Path | str) -> str:
    """A path's name, links followed, as a system sees it to which letter case and the way of an accent are nothing."""
    return unicodedata.normalize("NFC", os.path.realpath(path)).casefold()


def _is_stream(path: Path) -> bool:
    return path.exists() and not path.is_file()


def _require_place(path: Path) -> Path | None:
    """The file that writing to `path` would replace or make, links followed; None for a pipe or a terminal, which is
    written straight."""
    try:
        target = _link_target(path)
        mode = os.stat(target).st_mode
    except FileNotFoundError:
        if not target.parent.is_dir():
            raise InputError(f"{path}: the folder {target.parent} does not exist; make it first.") from None
        mode = stat.S_IFREG
    except OSError as error:
        raise InputError(f"{path}: cannot be written ({error.strerror or error}); name another place.") from None
    if stat.S_ISDIR(mode):
        raise InputError(f"{path}: is a folder; name a file to write.")
    if stat.S_ISFIFO(mode) or stat.S_ISCHR(mode):
        return None
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: is a disk or a socket; name a file to write.")
    if not os.access(target.parent, os.W_OK):
        raise InputError(f"{path}: may not be written; check the permissions of {target.parent}.")
    return target


def _link_target(path: Path) -> Path:
    """What a link, or a chain of links, leads to, whether or not it is there. By hand, because pathlib's `resolve`
    raises for a loop before Python 3.13 and gives the link itself after."""
    for _ in range(_MOST_LINKS):
        try:
            path = path.parent / os.readlink(path)
        except OSError:  # no link, or nothing there
            return path
    raise InputError(f"{path}: is a loop of links; name another file.")


def write_atomic(path: Path | str, content: str | bytes | Path) -> None:
    """Write `content` to `path` so that a reader sees the old file or the whole new one, never a half.

    Parameters
    ----------
    path : file to write. An existing pipe or terminal (`/dev/stdout`) is written straight, because it
        cannot be renamed over.
    content : text (written as UTF-8), bytes, or a file to copy.

    Raises
    ------
    InputError : the folder is missing, is not writable, or the disk is full; the target is left as it was.
    """
    path = Path(path)
    data = content.encode("utf-8", "replace") if isinstance(content, str) else content  # a name may hold any bytes
    target = _require_place(path)
    try:
        if target is None:
            _write_straight(path, data)
        else:
            _write_aside(target, data)
    except OSError as error:
        raise InputError(
            f"{path}: cannot be written ({error.strerror or error}); nothing was changed. Free some space or "
            "name another place."
        ) from None


def _write_straight(path: Path, data: bytes | Path) -> None:
    """Write to a terminal or a pipe. To open a pipe that nobody reads would wait for ever."""
    until = time.monotonic() + READER_WAIT_S
    while True:
        try:
            handle = os.open(path, os.O_WRONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
            break
        except OSError as error:
            if error.errno != errno.ENXIO or time.monotonic() > until:  # ENXIO: no reader, open(2)
                raise
            time.sleep(0.05)
    os.set_blocking(handle, True)
    with os.fdopen(handle, "wb") as stream:
        stream.write(data.read_bytes() if isinstance(data, Path) else data)


def _write_aside(path: Path, data: bytes | Path) -> None:
    handle, aside = tempfile.mkstemp(prefix=f".{path.name[:100]}.", suffix=".part", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            if isinstance(data, Path):
                with data.open("rb") as source:
                    shutil.copyfileobj(source, file, 1 << 20)
            else:
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
    if not isinstance(log, str | PathLike):
        return id(log)
    return Path(os.path.realpath(log))  # of links that loop too: whoever opens it says what is wrong


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
