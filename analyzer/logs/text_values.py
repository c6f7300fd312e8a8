"""Arrow columns of text as numpy arrays: strings as numbers, clock times as seconds; whole columns at a time."""

from datetime import date

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from analyzer.arrays import FloatArray
from analyzer.logs.arrow_columns import floats
from analyzer.logs.csv_dialect import CLOCK


def plain_numbers(column: pa.Array, decimal: str) -> FloatArray:
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


def clock_seconds(column: pa.Array) -> FloatArray:
    """Clock times (mm:ss, hh:mm:ss.fff, hh:mm:ss:mmm; with AM or PM, with a date) as seconds (rows,), NaN where they
    are none.

    Dates count in days since 2000-01-01, so that a log over midnight goes on and microseconds survive.
    """
    parts = pc.extract_regex(column, f"^(?:{CLOCK.pattern})$")
    fields = {name: pc.struct_field(parts, [name]) for name in ("date", "h", "m", "s", "half")}

    def number(name: str) -> FloatArray:
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
