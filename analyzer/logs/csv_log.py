"""Reads text logs: where the table is and how it is written is told by its first lines. A log may also have one row
a value: time, name of the channel, value, and perhaps its unit.
"""

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import pyarrow.compute as pc

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.arrow_columns import floats
from analyzer.logs.container import HEAD_BYTES, Source
from analyzer.logs.csv_dialect import Dialect, sniff_dialect, sniff_encoding
from analyzer.logs.csv_rows import Loader
from analyzer.logs.names import name_score
from analyzer.logs.recording import RawColumn, RawLog, numbered
from analyzer.logs.text_values import clock_seconds, plain_numbers
from analyzer.logs.unit_names import split_unit

# how the columns of a log are called that has one row a value: time, name of the channel, value, and its unit
_TALL_NAME = re.compile(r"channel|signal|name|parameter|sensor|variable|measurement|kanal|canal|kanaal|tag|field", re.I)
_TALL_VALUE = re.compile(r"(?i)(value|val|wert|messwert|valeur|valor|valore|waarde|reading|data)( num\w*)?")
_TALL_UNIT = re.compile(r"(?i)units?|einheit|unit[eé]|unidad|unit[aà]|eenheid")
MOST_TALL_CHANNELS = 2_000
_DEEPEST_HEAD_BYTES = 64 * HEAD_BYTES  # a preamble longer than 16 MB is not a preamble


def tall_columns(dialect: Dialect) -> tuple[int, int, int, int | None] | None:
    """Positions of time, channel, value and unit (None without) of a log with one row a value; None of other logs."""
    names = [column.name for column in dialect.columns]
    values = [i for i, name in enumerate(names) if _TALL_VALUE.fullmatch(name.strip())]
    times = [i for i, n in enumerate(names) if dialect.columns[i].is_clock or name_score("time", n) >= 0.7]
    channels = [position for position, name in dialect.texts if _TALL_NAME.search(name)]
    units = [position for position, name in dialect.texts if _TALL_UNIT.fullmatch(name.strip())]
    if len(values) != 1 or not times or len(channels) != 1 or len(names) > 4:
        return None
    return dialect.positions[times[0]], channels[0], dialect.positions[values[0]], units[0] if units else None


def tall_log(source: Source, dialect: Dialect, at: tuple[int, int, int, int | None]) -> RawLog:
    """A log with one row a value: its channels on the union of their times, as sparse columns.

    Parameters
    ----------
    at : positions of time, channel, value and unit, as `tall_columns` gives them.

    Raises
    ------
    InputError : more than `MOST_TALL_CHANNELS` channels.
    """
    time_at, channel_at, value_at, unit_at = at
    clock = next(c for c, p in zip(dialect.columns, dialect.positions, strict=True) if p == time_at)
    order = (time_at, channel_at, value_at, *(() if unit_at is None else (unit_at,)))
    columns = tuple(RawColumn(str(p), "", clock.is_clock and p == time_at) for p in order)
    loader, notes = Loader(source, replace(dialect, columns=columns, positions=order)), list[str]()
    times, codes, values = list[FloatArray](), list[FloatArray](), list[FloatArray]()
    known: dict[str, int] = {}
    unit_of: dict[str, str] = {}
    for texts in loader.strings(range(len(order)), notes):
        names = pc.fill_null(texts[1], "").dictionary_encode()
        words = names.dictionary.to_pylist()
        index = floats(names.indices).astype(int)
        if unit_at is not None:
            first = np.unique(index, return_index=True)
            for k, row in zip(*first, strict=True):
                unit_of.setdefault(words[k], texts[3][int(row)].as_py() or "")
        numbers = np.array([known.setdefault(word, len(known)) for word in words])
        if len(known) > MOST_TALL_CHANNELS:
            raise InputError(f"{source.name}: has more than {MOST_TALL_CHANNELS} channels; export fewer of them.")
        codes.append(numbers[index])
        times.append(clock_seconds(texts[0]) if clock.is_clock else plain_numbers(texts[0], dialect.decimal))
        values.append(plain_numbers(texts[2], dialect.decimal))
    code, time, value = (np.concatenate(parts) if parts else np.empty(0) for parts in (codes, times, values))
    ticks = np.unique(time[np.isfinite(time)])
    places = np.searchsorted(ticks, time)
    found = [(name, split_unit(name)) for name, number in known.items() if np.isfinite(value[code == number]).any()]
    if not found or not len(ticks):
        raise InputError(f"{source.name}: holds no numbers in its column of values; export the log again.")
    raw = [RawColumn(clock.name, clock.unit, clock.is_clock)]
    raw += [RawColumn(short, unit_of.get(name, "") or unit) for name, (short, unit) in found]

    def load(wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        result = []
        for index in wanted:
            if index == 0:
                result.append(ticks)
                continue
            mine = (code == known[found[index - 1][0]]) & np.isfinite(time)
            column = np.full(len(ticks), np.nan)
            column[places[mine]] = value[mine]
            result.append(column)
        return result, notes

    return RawLog(f"{dialect.words}, one row a value", numbered(raw), load, dialect.preamble)


def sniff(head: bytes) -> bool:
    """Whether this is a text with a table of numbers (the header may be deeper than `head`)."""
    return sniff_encoding(head) is not None


def read(source: Source) -> RawLog:
    """Open a text log.

    Raises
    ------
    InputError : there is no table of numbers in it.
    """
    size = HEAD_BYTES
    while True:
        head = source.head(size)
        complete = len(head) < size
        dialect = sniff_dialect(head, complete=complete)
        if dialect is not None or complete or size >= _DEEPEST_HEAD_BYTES:
            break
        size *= 8
    if dialect is None:
        raise InputError(
            f"{source.name}: no table of numbers found in this text; export the log as CSV with a header row and "
            "one row per sample."
        )
    if (tall := tall_columns(dialect)) is not None:
        return tall_log(source, dialect, tall)
    loader = Loader(source, dialect)
    whole = RawLog(dialect.words, dialect.columns, loader, dialect.preamble)

    def counted() -> RawLog:
        pieces = loader.pieces()
        if pieces is None:
            return whole
        return replace(whole, rows=pieces.rows, part=lambda rows: replace(whole, load=partial(pieces.load, rows)))

    return replace(whole, counted=counted)
