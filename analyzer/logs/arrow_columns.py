"""Columns of Arrow schemas and tables as raw columns: numbers, and text that means numbers or clock times.

Columns of Arrow schemas and tables as raw columns: what Parquet and Arrow files have in common.

A log of plain numbers is read over Arrow's buffers. `pyarrow.compute`, which clock times and text need, takes longer
to import than such a log takes to read, so it waits for them.

Arrow columns of text as numpy arrays: strings as numbers, clock times as seconds; whole columns at a time.
"""

from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.types as pt

from analyzer.errors import InputError
from analyzer.logs.csv_dialect import CLOCK
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


def column_values(column: pa.ChunkedArray) -> np.ndarray:
    """A column as float64 (rows,), clock types as seconds, NaN for null and for infinite values."""
    kind, whole = column.type, _one_array(column)
    if pt.is_timestamp(kind) or pt.is_duration(kind):
        return _since_the_first(whole) / _PER_SECOND[kind.unit]
    if pt.is_time(kind):
        return floats(whole.cast(pa.int32() if pt.is_time32(kind) else pa.int64())) / _PER_SECOND[kind.unit]
    if pt.is_string(kind) or pt.is_large_string(kind):
        return _of_text(whole)
    return floats(whole)


def floats(column: pa.Array) -> np.ndarray:
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


def _since_the_first(clock: pa.Array) -> np.ndarray:
    import pyarrow.compute as pc

    counts = _one_array(pc.cast(clock, pa.int64()))
    start = pc.min(counts)  # subtracted as integers: a nanosecond epoch does not fit a float64
    return floats(pc.subtract(counts, start) if start.is_valid else counts)


def _of_text(text: pa.Array) -> np.ndarray:
    import pyarrow.compute as pc

    text = pc.utf8_trim_whitespace(pc.cast(text, pa.string()))
    values = plain_numbers(text, ".")
    return clock_seconds(text) if np.isnan(values).all() else values


def _one_array(column: pa.ChunkedArray | pa.Array) -> pa.Array:
    joined = column.combine_chunks() if isinstance(column, pa.ChunkedArray) else column
    return joined.chunk(0) if isinstance(joined, pa.ChunkedArray) else joined


def plain_numbers(column: pa.Array, decimal: str) -> np.ndarray:
    """Strings as numbers (rows,), NaN where they are none; thousands marks are taken out."""
    column = _with_plain_minus(column)
    other = "." if decimal == "," else ","
    marks = rf"[ '{other}’\x{{00A0}}\x{{202F}}]"
    grouped = pc.match_substring_regex(column, rf"^[+-]?\d{{1,3}}({marks}\d{{3}})+(\{decimal}\d*)?$")
    column = pc.if_else(grouped, pc.replace_substring_regex(column, marks, ""), column)
    if decimal == ",":
        column = pc.if_else(pc.match_substring(column, "."), None, pc.replace_substring(column, ",", "."))
    good = pc.match_substring_regex(column, r"^[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?$")
    column = pc.replace_substring_regex(column, r"^\+", "")
    return floats(pc.cast(pc.if_else(good, column, None), pa.float64()))


def _with_plain_minus(column: pa.Array) -> pa.Array:
    """Cells with another minus than the hyphen, and brackets for one, written with a hyphen."""
    odd = pc.match_substring_regex(column, r"^(?:[\x{2212}\x{2012}\x{2013}]|\()\s?[\d.,]")
    if not pc.any(odd).as_py():
        return column
    plain = pc.replace_substring_regex(column, r"^[\x{2212}\x{2012}\x{2013}]\s?", "-")
    return pc.replace_substring_regex(plain, r"^\(([\d.,][^()]*)\)$", r"-\1")


def clock_seconds(column: pa.Array) -> np.ndarray:
    """Clock times (mm:ss, hh:mm:ss.fff, hh:mm:ss:mmm; with AM or PM, with a date) as seconds (rows,), NaN where they
    are none.

    Dates count in days since 2000-01-01, so that a log over midnight goes on and microseconds survive.
    """
    parts = pc.extract_regex(column, f"^(?:{CLOCK.pattern})$")
    fields = {name: pc.struct_field(parts, [name]) for name in ("date", "h", "m", "s", "half")}

    def number(name: str) -> np.ndarray:
        text = pc.replace_substring_regex(fields[name], "[,:]", ".")
        text = pc.if_else(pc.equal(text, ""), "0", text)
        return floats(pc.cast(text, pa.float64()))

    dates = fields["date"].dictionary_encode()
    days = np.array([_day_number(text) for text in dates.dictionary.to_pylist()], dtype=float)
    index = floats(dates.indices)
    hours, half = number("h"), pc.utf8_lower(pc.utf8_slice_codeunits(fields["half"], 0, 1))
    if pc.any(pc.not_equal(half, "")).as_py():  # 12 AM is midnight, 12 PM noon
        after_noon = floats(pc.cast(pc.equal(half, "p"), pa.float64()))
        hours = np.where(np.isnan(after_noon) | (hours > 12), hours, hours % 12 + 12 * after_noon)
    seconds = hours * 3600 + number("m") * 60 + number("s")
    if not len(days):
        return seconds
    return seconds + 86400.0 * np.where(np.isnan(seconds), np.nan, days[np.nan_to_num(index).astype(int)])


def _day_number(text: str | None) -> float:
    """Days since 2000-01-01; the order year first, or day first where there is a choice. Unreadable dates are NaN."""
    if not text:
        return 0.0
    numbers = [int(n) for n in text.replace("/", "-").replace(".", "-").split("-")]
    year, month, day = numbers if len(text.replace("/", "-").replace(".", "-").split("-")[0]) == 4 else numbers[::-1]
    if month > 12:
        month, day = day, month
    try:
        return float((date(year + 2000 if year < 100 else year, month, day) - date(2000, 1, 1)).days)
    except ValueError:
        return float("nan")
