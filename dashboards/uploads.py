"""What may be uploaded: kinds of file, their endings, and how large one may be."""

from typing import BinaryIO

from analyzer.errors import InputError
from analyzer.logbook.folder import ARCHIVES, LOG_ENDINGS, PACKINGS, safe_name
from analyzer.logbook.folder import KINDS as FILE_KINDS

UPLOAD_LIMIT_BYTES = 1_000_000_000
KINDS = {  # kind of upload -> (endings allowed, words)
    "log": ((*LOG_ENDINGS, *PACKINGS, *ARCHIVES), FILE_KINDS["log"]),
    "car": ((".toml",), FILE_KINDS["car"]),
    "setup": ((".toml",), FILE_KINDS["setup"]),
}


class Limited:
    """A stream that refuses to give more than an upload may have."""

    def __init__(self, stream: BinaryIO, name: str) -> None:
        self._stream, self._name, self._size = stream, name, 0

    def read(self, size: int) -> bytes:
        chunk = self._stream.read(size)
        self._size += len(chunk)
        if self._size > UPLOAD_LIMIT_BYTES:
            raise InputError(_too_large(self._name, self._size))
        return chunk


def checked(kind: str, filename: str, stream: BinaryIO, length: int | None) -> tuple[str, Limited]:
    """The name to keep an upload under, and its stream, which refuses what the stated length hid.

    Raises
    ------
    InputError : kind, ending or size is not allowed.
    """
    if kind not in KINDS:
        raise InputError(f"'{kind}' is no kind of upload; allowed: {', '.join(KINDS)}.")
    name = safe_name(filename)
    endings, words = KINDS[kind]
    if not name.casefold().endswith(endings):
        allowed = ", ".join(endings)
        raise InputError(f"{name}: cannot be {words} with this ending; allowed: {allowed}. Choose another file.")
    if length is not None and length > UPLOAD_LIMIT_BYTES:
        raise InputError(_too_large(name, length))
    return name, Limited(stream, name)


def _too_large(name: str, size: int) -> str:
    return f"{name}: is {size / 1e9:.1f} GB; allowed: up to 1 GB. Export a shorter section or fewer channels."
