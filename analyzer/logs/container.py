"""The bytes of a log, wherever they are: a plain file, packed (gzip, bzip2, xz), or alone in an archive (zip, tar)."""

import bz2
import errno
import io
import lzma
import os
import stat
import tarfile
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO, cast

from analyzer.errors import InputError

HEAD_BYTES = 262_144
_STEP_BYTES = 1 << 18
UNPACKED_LIMIT_BYTES = 1_000_000_000  # formats that need random access are unpacked in memory, up to here
# Logs pack to between a third and a twentieth (samples and tests), rows that all say the same to a thousandth: the most
# that deflate can (its longest match is 258 bytes, RFC 1951, and takes two bits); in haste it reaches 150.
_MOST_TIMES, _TOLD_BY_BYTES = 100, 200_000_000
_SHEET_BYTES = 600_000_000  # 15 million cells of 40 bytes, what `spreadsheet_log` takes
_MOST_MEMBERS = 10_000  # of a tar archive, which has no list of them
_SPREADSHEET = "xl/workbook.xml"  # ECMA-376: a spreadsheet is a zip archive of its own kind


@dataclass(frozen=True)
class Source:
    """The bytes of one log.

    Attributes
    ----------
    name : file name for messages.
    packing : words for the containers around it, '' for none.
    size : bytes on disk (packed).
    path : the file itself when it is not packed, else None.
    damage : sentences about what was found broken; grows while a stream is read.
    """

    name: str
    packing: str
    size: int
    path: Path | None
    opener: Callable[[], BinaryIO]
    damage: list[str] = field(default_factory=list)

    def open(self) -> BinaryIO:
        """A fresh stream of the unpacked bytes."""
        return self.opener()

    def head(self, size: int = HEAD_BYTES) -> bytes:
        """The first `size` unpacked bytes (fewer when the file is shorter)."""
        with self.open() as stream:
            return _read_up_to(stream, size)

    def seekable(self) -> BinaryIO | str:
        """The path of a plain file (itself where libraries cannot take its name), or the unpacked bytes in memory.

        Raises
        ------
        InputError : it unpacks to more than memory should hold.
        """
        if self.path is not None:
            return str(self.path) if is_text(str(self.path)) else self.open()
        with self.open() as stream:
            data = _read_up_to(stream, UNPACKED_LIMIT_BYTES + 1)
        if len(data) > UNPACKED_LIMIT_BYTES:
            raise InputError(f"{self.name}: unpacks to more than 1 GB; unpack it first and name the log inside.")
        return io.BytesIO(data)


def is_text(name: str) -> bool:
    """Whether a name is UTF-8, which POSIX does not ask of file names."""
    try:
        name.encode()
    except UnicodeEncodeError:
        return False
    return True


def open_source(path: Path | str) -> Source:
    """Find the bytes of the log at `path`.

    Raises
    ------
    InputError : no such file, a folder, a device, a loop of links, no permission, empty, or an archive without
        exactly one log.
    """
    path = Path(path)
    name = path.name or str(path)
    try:
        status = os.stat(path)
        if stat.S_ISDIR(status.st_mode):
            raise InputError(f"{name}: is a folder; name one log file in it.")
        if not stat.S_ISREG(status.st_mode):
            raise InputError(f"{name}: is a device or a pipe, not a file; name a log file.")
        if status.st_size == 0:
            raise InputError(f"{name}: is empty (0 bytes); export the log again.")
        source = Source(name, "", status.st_size, path, lambda: open(path, "rb"))
        return _unpacked(source, depth=0)
    except FileNotFoundError:
        raise InputError(f"{name}: no such file; check the path.") from None
    except PermissionError:
        raise InputError(f"{name}: may not be read; check its permissions.") from None
    except OSError as error:
        words = "is a loop of links" if error.errno == errno.ELOOP else f"cannot be read ({error.strerror or error})"
        raise InputError(f"{name}: {words}; check the path.") from None
    except InputError:
        raise
    except ValueError:
        raise InputError(f"{name!r}: is not a path a file can have; check it.") from None


def _read_up_to(stream: BinaryIO, size: int) -> bytes:
    parts, missing = [], size
    while missing > 0 and (part := stream.read(missing)):
        parts.append(part)
        missing -= len(part)
    return b"".join(parts)


def _require_a_log_s_size(name: str, packed: int, unpacked: int) -> None:
    """Refuse what would be read for minutes and cannot be a log."""
    if unpacked > max(_TOLD_BY_BYTES, _MOST_TIMES * packed):
        raise InputError(
            f"{name}: unpacks to more than {_MOST_TIMES} times its size, so it repeats itself and is no log; name "
            "another file, or unpack it first."
        )


def _unpacked(source: Source, *, depth: int) -> Source:
    head = source.head(512)
    magic = head[:4]
    if depth > 2:
        raise InputError(f"{source.name}: is packed more than twice; unpack it first.")
    for mark, words, make in _PACKINGS:
        if head.startswith(mark):
            return _unpacked(_inside_packing(source, words, make), depth=depth + 1)
    if magic == b"PK\x03\x04" or magic == b"PK\x05\x06":
        inside = _inside_zip(source)
        return source if inside is None else _unpacked(inside, depth=depth + 1)
    if head[257:262] == b"ustar":  # POSIX.1-2017, pax interchange format: the magic of a tar header
        return _unpacked(_inside_tar(source), depth=depth + 1)
    if depth and not magic:
        raise InputError(f"{source.name}: holds nothing once unpacked; export the log again.")
    return source


def _inside_packing(source: Source, words: str, make: Callable[[], Any]) -> Source:
    return Source(
        source.name,
        f"{source.packing}{words}, ",
        source.size,
        None,
        lambda: io.BufferedReader(_PackedStream(source, words, make, damage), 1 << 20),
        damage := source.damage,
    )


def _only_member(source: Source, names: list[str], kind: str) -> str:
    """The one file of an archive that can be a log."""
    logs = [n for n in names if not n.startswith("__MACOSX/") and not Path(n).name.startswith(".")]
    if len(logs) == 1:
        return logs[0]
    found = ", ".join(logs[:6]) or "none"
    raise InputError(
        f"{source.name}: a {kind} archive must hold exactly one log, found {len(logs)} ({found}); unpack it and name "
        "the one to read."
    )


def _inside_tar(source: Source) -> Source:
    broken = (tarfile.TarError, EOFError, OSError)
    names: list[str] = []
    try:
        with source.open() as stream, tarfile.open(fileobj=stream, mode="r|") as archive:
            for member in archive:
                if member.isfile() and member.size:
                    names.append(member.name)
                if len(names) > _MOST_MEMBERS:
                    break
    except broken:
        raise InputError(f"{source.name}: a damaged or cut-off tar archive; copy it again.") from None
    name = _only_member(source, names, "tar")

    def opened() -> BinaryIO:
        stream = source.open()
        try:
            archive = tarfile.open(fileobj=stream, mode="r|")
            found = next((archive.extractfile(m) for m in archive if m.name == name), None)
        except broken:
            found = None
        if found is None:
            raise InputError(f"{source.name}: a damaged or cut-off tar archive; copy it again.")
        return cast(BinaryIO, found)

    return Source(source.name, f"{source.packing}tar, ", source.size, None, opened, source.damage)


def _inside_zip(source: Source) -> Source | None:
    """The one log of a zip archive; None where the archive is itself a spreadsheet."""
    try:
        archive = zipfile.ZipFile(source.seekable())
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError):
        raise InputError(f"{source.name}: a damaged or cut-off zip archive; copy it again.") from None
    members = {m.filename: m for m in archive.infolist() if not m.is_dir() and m.file_size}
    if _SPREADSHEET in members:
        unpacked = sum(m.file_size for m in members.values())
        _require_a_log_s_size(source.name, source.size, unpacked)
        if unpacked > _SHEET_BYTES:
            raise InputError(
                f"{source.name}: the spreadsheet unpacks to {unpacked / 1e9:.1f} GB, more than memory should hold; "
                "save it as CSV."
            )
        return None
    member = members[_only_member(source, list(members), "zip")]
    if member.flag_bits & 1:
        raise InputError(f"{source.name}: the archive asks for a password; unpack it first.")
    return Source(
        source.name,
        f"{source.packing}zip, ",
        source.size,
        None,
        lambda: io.BufferedReader(_ZipStream(source, archive, member), 1 << 20),
        source.damage,
    )


class _Gzip:
    """zlib's decompressor with the manners of those of bz2 and lzma."""

    def __init__(self) -> None:
        self._unpack = zlib.decompressobj(31)

    @property
    def needs_input(self) -> bool:
        return not self._unpack.unconsumed_tail

    @property
    def eof(self) -> bool:
        return self._unpack.eof

    @property
    def unused_data(self) -> bytes:
        return self._unpack.unused_data

    def decompress(self, data: bytes, max_length: int) -> bytes:
        return self._unpack.decompress(self._unpack.unconsumed_tail + data, max_length)


# how a packed file begins: RFC 1952; bzip2's own "BZh"; the .xz file format 1.2.1
_PACKINGS: tuple[tuple[bytes, str, Callable[[], Any]], ...] = (
    (b"\x1f\x8b", "gzip", _Gzip),
    (b"BZh", "bzip2", bz2.BZ2Decompressor),
    (b"\xfd7zXZ\x00", "xz", lzma.LZMADecompressor),
)


class _PackedStream(io.RawIOBase):
    """Unpacks, and keeps what comes before a break, which the standard modules throw away."""

    def __init__(self, source: Source, words: str, make: Callable[[], Any], damage: list[str]) -> None:
        self._stream = source.open()
        self._name, self._words = source.name, words
        self._taken, self._given = 0, 0
        self._damage = damage
        self._make = make
        self._unpack = make()
        self._over = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        while not self._over:
            packed = b"" if not self._unpack.needs_input and not self._unpack.eof else self._next_packed()
            if self._over:
                break
            try:
                data = self._unpack.decompress(packed, min(len(buffer), _STEP_BYTES))
            except (zlib.error, lzma.LZMAError, OSError, EOFError):
                # what was unpacked since the damage, wherever that is, may be made-up numbers
                raise InputError(
                    f"{self._name}: the {self._words} is damaged, so none of its numbers can be trusted; copy the file "
                    "again."
                ) from None
            if data:
                self._given += len(data)
                _require_a_log_s_size(self._name, self._taken, self._given)
                buffer[: len(data)] = data
                return len(data)
        return 0

    def _next_packed(self) -> bytes:
        if self._unpack.eof:  # another member may follow
            rest: bytes = self._unpack.unused_data.lstrip(b"\0")
            if not rest:
                rest = self._stream.read(_STEP_BYTES)
                self._taken += len(rest)
            if not rest.lstrip(b"\0"):
                self._over = True
                return b""
            self._unpack = self._make()
            return rest
        packed = self._stream.read(_STEP_BYTES)
        self._taken += len(packed)
        if not packed:
            self._stop(f"The file is cut off inside the {self._words}; what comes before the end was read.")
        return packed

    def _stop(self, words: str) -> None:
        self._over = True
        if words not in self._damage:
            self._damage.append(words)

    def close(self) -> None:
        self._stream.close()
        super().close()


class _ZipStream(io.RawIOBase):
    """One member of an archive."""

    def __init__(self, source: Source, archive: zipfile.ZipFile, member: zipfile.ZipInfo) -> None:
        self._name = source.name
        _require_a_log_s_size(source.name, member.compress_size, member.file_size)
        try:
            self._stream = archive.open(member)
        except (zipfile.BadZipFile, NotImplementedError, RuntimeError) as error:
            raise InputError(f"{source.name}: the archive cannot be unpacked ({error}); unpack it first.") from None

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        try:
            data = self._stream.read(len(buffer))
        except (zipfile.BadZipFile, zlib.error, EOFError):
            raise InputError(
                f"{self._name}: the zip is damaged, so none of its numbers can be trusted; copy the file again."
            ) from None
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        if hasattr(self, "_stream"):
            self._stream.close()
        super().close()
