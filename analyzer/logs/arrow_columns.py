"""Columns of Arrow schemas and tables as raw columns: what Parquet and Arrow files have in common."""

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.types as pt

from analyzer.errors import InputError
from analyzer.logs.raw import RawColumn, numbered
from analyzer.logs.text_values import clock_seconds, floats, plain_numbers
from analyzer.logs.unit_names import split_unit

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


def column_values(column: pa.ChunkedArray) -> np.ndarray:
    """A column as float64 (rows,), clock types as seconds, NaN for null and for infinite values."""
    kind, whole = column.type, _one_array(column)
    if pt.is_timestamp(kind) or pt.is_duration(kind):
        counts = _one_array(pc.cast(whole, pa.int64()))
        start = pc.min(counts)  # subtracted as integers: a nanosecond epoch does not fit a float64
        counts = pc.subtract(counts, start) if start.is_valid else counts
        return floats(counts) / _PER_SECOND[kind.unit]
    if pt.is_time(kind):
        return floats(pc.cast(whole, pa.int32() if pt.is_time32(kind) else pa.int64())) / _PER_SECOND[kind.unit]
    if pt.is_string(kind) or pt.is_large_string(kind):
        text = pc.utf8_trim_whitespace(pc.cast(whole, pa.string()))
        values = plain_numbers(text, ".")
        return clock_seconds(text) if np.isnan(values).all() else values
    return floats(whole)


def _one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    joined = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    return joined.chunk(0) if isinstance(joined, pa.ChunkedArray) else joined
