"""Reads a log from a pandas DataFrame, by the same rules as from a file."""

from collections.abc import Sequence

import pandas as pd
import pyarrow as pa

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.arrow_columns import column_values, raw_columns
from analyzer.logs.assemble import assemble
from analyzer.logs.mapping import ChannelMap
from analyzer.logs.read import from_map, recognised, require_usable
from analyzer.logs.recording import RawLog, Recording


def read_frame(frame: pd.DataFrame, *, channel_map: ChannelMap | None = None, name: str = "frame") -> Recording:
    """Read a log that is in memory.

    Parameters
    ----------
    frame : a column a channel; its name is canonical, or recognised as in a file (`speed [km/h]`). An index that has
        a name is a column as well.
    channel_map : which column is which channel; default: by canonical names.
    name : stands for the file's name in messages and results.

    Raises
    ------
    InputError, CannotTell : as `read.read_log`.
    """
    raw = _raw(frame, name)
    if channel_map is None:
        taken, log_entry = recognised(raw, name)
    else:
        taken, log_entry = from_map(raw, channel_map, name), channel_map.log
    recording = assemble(raw, taken, name=name, log_entry=log_entry)
    require_usable(recording, raw)
    return recording


def _raw(frame: pd.DataFrame, name: str) -> RawLog:
    if frame.index.name is not None:
        frame = frame.reset_index()
    frame = frame.rename(columns=str)
    try:
        table = pa.Table.from_pandas(frame, preserve_index=False)
    except (pa.ArrowException, ValueError, TypeError) as error:
        raise InputError(
            f"{name}: a column holds more than one kind of value ({error}); give columns of numbers."
        ) from None
    columns, keys = raw_columns(table.schema, name)

    def load(wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        return [column_values(table.column(keys[i])) for i in wanted], []

    return RawLog("a DataFrame", columns, load)
