"""Reads ASAM MDF 4 (measurement data format, open standard) through the optional library asammdf."""

import gc
import struct
import sys
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any, cast

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.container import Source
from analyzer.logs.recording import RawColumn, RawLog, numbered

_WHOLE, _UNFINISHED = b"MDF     ", b"UnFinMF "  # ASAM MDF 4.1, IDBLOCK: file identifier

# a broken binary file makes the library fail in whatever way the broken field leads to
_BROKEN = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    MemoryError,
    OSError,
    RecursionError,
    struct.error,
    TypeError,
    ValueError,
    zlib.error,
)


def sniff(head: bytes) -> bool:
    """Whether these bytes begin an MDF file."""
    return head[:8] in (_WHOLE, _UNFINISHED)


def read(source: Source) -> RawLog:
    """Open an MDF log. Channels of different groups come on the union of their times, as sparse columns.

    Raises
    ------
    InputError : asammdf is not installed, an older version of the format, or damaged.
    """
    head = source.head(16)
    if head[8:9] != b"4":
        version = head[8:12].decode("latin-1", "replace").strip()
        raise InputError(
            f"{source.name}: MDF version {version or 'unknown'}; version 4 is read. Convert it to version 4."
        )
    try:
        from asammdf import MDF
        from asammdf.blocks.utils import MdfException
    except ImportError:
        raise InputError(
            f"{source.name}: MDF needs the library asammdf; install it with: pip install 'halfshaft[mdf]'."
        ) from None
    signals = None
    with _silent_finaliser():
        try:
            signals = _signals(MDF(cast(Any, source.seekable())))
        except (*_BROKEN, MdfException):
            signals = None
    if signals is None:
        raise InputError(f"{source.name}: a damaged or cut-off MDF file; copy or export it again.")
    if not signals:
        raise InputError(f"{source.name}: no channel of numbers in this MDF file; export the log again.")
    time_s = np.unique(np.concatenate([times for _, times, _ in signals]))
    columns = [RawColumn("time", "s"), *(column for column, _, _ in signals)]

    def load(wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        result = []
        for index in wanted:
            if index == 0:
                result.append(time_s)
                continue
            _, times, samples = signals[index - 1]
            values = np.full(len(time_s), np.nan)
            values[np.searchsorted(time_s, times)] = samples
            result.append(values)
        return result, []

    return RawLog("MDF 4", numbered(columns), load)


@contextmanager
def _silent_finaliser() -> Iterator[None]:
    """The library's finaliser fails on a file that never opened, and Python would print that."""
    usual, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        yield
        gc.collect()
    finally:
        sys.unraisablehook = usual


def _signals(file: Any) -> list[tuple[RawColumn, FloatArray, FloatArray]]:
    """(column, times, values) of every channel of plain numbers, master channels left out."""
    result = []
    for number, group in enumerate(file.groups):
        master = file.masters_db.get(number)
        for index, channel in enumerate(group.channels):
            if index == master:
                continue
            signal = file.get(channel.name, group=number, index=index, raw=False, ignore_invalidation_bits=False)
            samples = np.asarray(signal.samples)
            if samples.ndim != 1 or samples.dtype.kind not in "iufb" or not len(samples):
                continue
            times, values = np.asarray(signal.timestamps, float), samples.astype(float)
            good = np.isfinite(times)
            values = np.where(np.abs(values) < 1e25, values, np.nan)[good]
            result.append((RawColumn(signal.name, signal.unit or ""), times[good], values))
    return result
