"""Reads Parquet, with units from field metadata when they are there."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.arrow_columns import column_values, raw_columns
from analyzer.logs.container import Source
from analyzer.logs.recording import RawLog


def sniff(head: bytes) -> bool:
    """Whether these bytes begin a Parquet file."""
    return head[:4] == b"PAR1"


def read(source: Source) -> RawLog:
    """Open a Parquet log.

    Raises
    ------
    InputError : cut off or damaged, or no column of numbers.
    """
    try:
        file = pq.ParquetFile(source.seekable())
        columns, keys = raw_columns(file.schema_arrow, source.name)
    except (pa.ArrowException, OSError, UnicodeError):  # the last one of a name or a writer that is no text
        raise InputError(
            f"{source.name}: a damaged or cut-off Parquet file (its index at the end is missing); copy or "
            "export it again."
        ) from None

    groups = [file.metadata.row_group(k).num_rows for k in range(file.num_row_groups)]
    ends = np.cumsum([0, *groups])

    def values(key: str, rows: slice | None) -> FloatArray:
        if rows is None:
            return column_values(file.read(columns=[key]).column(key))
        first, last = np.searchsorted(ends, rows.start, "right") - 1, np.searchsorted(ends, rows.stop, "left")
        column = file.read_row_groups(list(range(first, last)), columns=[key]).column(key)
        return column_values(column.slice(rows.start - ends[first], rows.stop - rows.start))

    def stretch(rows: slice | None) -> RawLog:
        def load(wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
            try:
                return [values(keys[i], rows) for i in wanted], []  # one at a time: only one is in memory twice
            except (pa.ArrowException, OSError):
                raise InputError(
                    f"{source.name}: a damaged Parquet file (a block cannot be unpacked); copy it again."
                ) from None

        return RawLog("Parquet", columns, load)

    return replace(stretch(None), rows=int(ends[-1]), part=stretch)
