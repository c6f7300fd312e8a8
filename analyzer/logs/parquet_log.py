"""Reads Parquet, with units from field metadata when they are there."""

from collections.abc import Sequence

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.errors import InputError
from analyzer.logs.arrow_columns import column_values, raw_columns
from analyzer.logs.container import Source
from analyzer.logs.raw import RawLog


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
    except (pa.ArrowInvalid, pa.ArrowException, OSError):
        raise InputError(
            f"{source.name}: a damaged or cut-off Parquet file (its index at the end is missing); copy or "
            "export it again."
        ) from None

    def load(wanted: Sequence[int]) -> tuple[list[np.ndarray], list[str]]:
        try:
            # one at a time, so that only one column is in memory twice
            return [column_values(file.read(columns=[keys[i]]).column(keys[i])) for i in wanted], []
        except (pa.ArrowException, OSError):
            raise InputError(
                f"{source.name}: a damaged Parquet file (a block cannot be unpacked); copy it again."
            ) from None

    return RawLog("Parquet", columns, load)
