"""Reads text logs: where the table is and how it is written is told by its first lines."""

from dataclasses import replace
from functools import partial

from analyzer.errors import InputError
from analyzer.logs.container import HEAD_BYTES, Source
from analyzer.logs.csv_dialect import sniff_dialect, sniff_encoding
from analyzer.logs.csv_rows import Loader
from analyzer.logs.csv_tall import tall_columns, tall_log
from analyzer.logs.raw import RawLog

_DEEPEST_HEAD_BYTES = 64 * HEAD_BYTES  # a preamble longer than 16 MB is not a preamble


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
    pieces = loader.pieces()
    if pieces is None:
        return whole
    return replace(whole, rows=pieces.rows, part=lambda rows: replace(whole, load=partial(pieces.load, rows)))
