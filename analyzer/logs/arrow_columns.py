"""Columns of Arrow schemas and tables as raw columns: what Parquet and Arrow files have in common.

A log of plain numbers is read over Arrow's buffers. `pyarrow.compute`, which clock times and text need, takes longer to
import than such a log takes to read, so it waits for them.
"""

import numpy as np
import pyarrow as pa
import pyarrow.types as pt

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.recording import RawColumn, numbered
from analyzer.logs.unit_names import split_unit

_ABSURD = 1e25  # nanoseconds since 1970 are 2e18
_PER_SECOND = {"s": 1.0, "ms": 1e3, "us": 1e6, "ns": 1e9}
_UNIT_KEYS = (b"unit", b"units", b"Unit", b"Units", b"UNIT", b"UNITS")


def raw_columns(schema: pa.Schema, file: str) -> tuple[tuple[RawColumn, ...], list[str]]:
    """The columns that can hold numbers, and their names in the schema.

    Raises
    ------
    InputError : there is none; nested and dictionary columns are named as the reason.
    """
    columns, keys, refused = [], [], []
    for field in schema:
        clock = pt.is_timestamp(field.type) or pt.is_time(field.type) or pt.is_duration(field.type)
        number = (
            pt.is_integer(field.type)
            or pt.is_floating(field.type)
            or pt.is_decimal(field.type)
            or pt.is_boolean(field.type)
        )
        text = pt.is_string(field.type) or pt.is_large_string(field.type)
        if not (clock or number or text) or schema.names.count(field.name) > 1:
            refused.append(f"'{field.name}' ({'repeated name' if clock or number or text else field.type})")
            continue
        name, unit = split_unit(field.name)
        metadata = field.metadata or {}
        stated = next((metadata[k].decode("utf-8", "replace") for k in _UNIT_KEYS if k in metadata), "")
        columns.append(RawColumn(name, stated or unit, clock))
        keys.append(field.name)
    if not columns:
        why = f"; refused: {', '.join(refused[:5])}. Write plain columns of numbers" if refused else ""
        raise InputError(f"{file}: no column of numbers{why}.")
    return numbered(columns), keys


def column_values(column: pa.ChunkedArray) -> FloatArray:
    """A column as float64 (rows,), clock types as seconds, NaN for null and for infinite values."""
    kind, whole = column.type, _one_array(column)
    if pt.is_timestamp(kind) or pt.is_duration(kind):
        return _since_the_first(whole) / _PER_SECOND[kind.unit]
    if pt.is_time(kind):
        return floats(whole.cast(pa.int32() if pt.is_time32(kind) else pa.int64())) / _PER_SECOND[kind.unit]
    if pt.is_string(kind) or pt.is_large_string(kind):
        return _of_text(whole)
    return floats(whole)


def floats(column: pa.Array) -> FloatArray:
    """Numbers as float64 (rows,), NaN for null, infinite and absurd values (beyond 1e25: damage, not measurement).

    Over the buffers, because pyarrow's own `to_numpy` imports pandas, which takes longer than reading a log. A column
    with nothing to mend is not copied: its values are Arrow's own, and cannot be written to.
    """
    if not len(column):
        return np.empty(0)
    if not (pt.is_integer(column.type) or pt.is_float32(column.type) or pt.is_float64(column.type)):
        column = column.cast(pa.float64(), safe=False)
    known, numbers = column.buffers()
    kind = np.dtype(column.type.to_pandas_dtype())
    values = np.frombuffer(numbers, kind, len(column), column.offset * kind.itemsize).astype(np.float64, copy=False)
    if not column.null_count and -_ABSURD < values.min() and values.max() < _ABSURD:
        return values
    values = values.copy()
    if column.null_count:
        bits = np.unpackbits(np.frombuffer(known, np.uint8), bitorder="little")
        values[bits[column.offset : column.offset + len(column)] == 0] = np.nan
    values[~(np.abs(values) < _ABSURD)] = np.nan
    return values


def _since_the_first(clock: pa.Array) -> FloatArray:
    import pyarrow.compute as pc

    counts = _one_array(pc.cast(clock, pa.int64()))
    start = pc.min(counts)  # subtracted as integers: a nanosecond epoch does not fit a float64
    return floats(pc.subtract(counts, start) if start.is_valid else counts)


def _of_text(text: pa.Array) -> FloatArray:
    import pyarrow.compute as pc

    from analyzer.logs.text_values import clock_seconds, plain_numbers

    text = pc.utf8_trim_whitespace(pc.cast(text, pa.string()))
    values = plain_numbers(text, ".")
    return clock_seconds(text) if np.isnan(values).all() else values


def _one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    joined = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    return joined.chunk(0) if isinstance(joined, pa.ChunkedArray) else joined
