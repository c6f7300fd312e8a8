"""Arrays that may be longer than memory should hold.

They come in pieces. A single piece stays what it is; from the second on, all go into a temporary file (in TMPDIR),
which the system deletes with the last array that shows it, also when the process is killed. The whole is
memory-mapped: what nobody looks at takes no memory.
"""

import mmap
import tempfile
from dataclasses import fields, replace
from typing import IO, TYPE_CHECKING, Any, Generic, TypeVar

import numpy as np

from analyzer.arrays import AnyArray, BoolArray, IntArray

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

T = TypeVar("T", bound="DataclassInstance")


def taken(record: T, where: slice | BoolArray | IntArray) -> T:
    """Some of the samples of a dataclass of arrays over them; what is no array stays as it is."""
    return replace(record, **{name: getattr(record, name)[where] for name in array_names(record)})


def without_arrays(record: T) -> T:
    """A dataclass of arrays with nothing in them, each of the kind that it was."""
    nothing = {name: np.empty(0, getattr(record, name).dtype) for name in array_names(record)}
    return replace(record, **nothing)


def array_names(record: "DataclassInstance") -> list[str]:
    """The fields of a dataclass that are arrays."""
    return [f.name for f in fields(record) if isinstance(getattr(record, f.name), np.ndarray)]


class LongArray:
    """An array made of pieces along its first axis, all of the first one's type."""

    def __init__(self) -> None:
        self._pieces = self._count = 0
        self._piece: AnyArray = np.empty(0)  # the only one; later an empty one, for type and shape
        self._file: IO[bytes] | None = None
        self._map: mmap.mmap | None = None

    def append(self, piece: AnyArray) -> None:
        """Add a piece; not after the whole was looked at."""
        self._pieces += 1
        self._count += len(piece)
        if self._pieces == 1:
            self._piece = piece
            return
        if self._file is None:
            self._file = tempfile.TemporaryFile(prefix="halfshaft-")  # lives as long as the array
            self._file.write(np.ascontiguousarray(self._piece).data)
            self._piece = np.empty_like(self._piece, shape=(0, *self._piece.shape[1:]))
        self._file.write(np.ascontiguousarray(piece, self._piece.dtype).data)

    def whole(self) -> AnyArray:
        """All pieces, read-only where there are several."""
        if self._file is None:
            return self._piece
        if self._map is None:
            self._file.flush()
            self._map = mmap.mmap(self._file.fileno(), 0, access=mmap.ACCESS_READ)
            self._file.close()  # the map holds the file by itself
        return np.frombuffer(self._map, self._piece.dtype).reshape(self._count, *self._piece.shape[1:])

    def release(self) -> None:
        """Give back the memory of what was looked at; the next look reads it anew."""
        if self._map is not None and hasattr(mmap, "MADV_DONTNEED"):  # other systems see to it themselves
            self._map.madvise(mmap.MADV_DONTNEED)


class LongRecord(Generic[T]):
    """A dataclass of arrays over samples, made of pieces; what is no array is as in the first piece."""

    def __init__(self) -> None:
        self._first: T | None = None
        self._arrays: dict[str, LongArray] = {}

    def append(self, piece: T) -> None:
        """Add a piece."""
        if self._first is None:
            self._arrays = {name: LongArray() for name in array_names(piece)}
            self._first = without_arrays(piece)
        for name, array in self._arrays.items():
            array.append(getattr(piece, name))

    def whole(self, **others: Any) -> T:
        """All pieces in one, with `others` of its fields replaced."""
        if self._first is None:
            raise ValueError("nothing was appended")
        arrays = {name: array.whole() for name, array in self._arrays.items() if name not in others}
        return replace(self._first, **arrays, **others)

    def release(self) -> None:
        """As for each of its arrays."""
        for array in self._arrays.values():
            array.release()
