"""Reads Arrow files and streams (also called Feather, version 2)."""

from collections.abc import Sequence

import pyarrow as pa
import pyarrow.ipc as ipc

from analyzer.arrays import FloatArray
from analyzer.errors import InputError
from analyzer.logs.arrow_columns import column_values, raw_columns
from analyzer.logs.container import Source
from analyzer.logs.recording import RawLog

_FILE = b"ARROW1"
_STREAM = b"\xff\xff\xff\xff"  # Arrow columnar format, "Encapsulated message format": the continuation marker
_OLD = b"FEA1"


def sniff(head: bytes) -> bool:
    """Whether these bytes begin an Arrow file, an Arrow stream, or the first version of Feather."""
    return head[:6] == _FILE or head[:4] in (_STREAM, _OLD)


def read(source: Source) -> RawLog:
    """Open an Arrow log.

    Raises
    ------
    InputError : damaged, of the outdated first version, or without a column of numbers.
    """
    magic = source.head(8)
    if magic[:4] == _OLD:
        raise InputError(
            f"{source.name}: Feather version 1, which is outdated; save it as version 2 (Arrow) or Parquet."
        )
    notes: list[str] = []
    try:
        batches, schema = _batches(source, magic[:6] == _FILE, notes)
        columns, keys = raw_columns(schema, source.name)
        table = pa.Table.from_batches(batches, schema)
    except (pa.ArrowException, OSError, EOFError, UnicodeError):
        raise InputError(f"{source.name}: a damaged or cut-off Arrow file; copy or export it again.") from None

    def load(wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        try:
            return [column_values(table.column(keys[i])) for i in wanted], []
        except pa.ArrowException:
            raise InputError(
                f"{source.name}: a damaged Arrow file (its values cannot be read); copy it again."
            ) from None

    return RawLog("Arrow", columns, load, notes=tuple(notes))


def _batches(source: Source, is_file: bool, notes: list[str]) -> tuple[list[pa.RecordBatch], pa.Schema]:
    """The whole batches of the file; a stream that breaks off keeps what came before."""
    place = source.seekable()
    if is_file:
        file = ipc.open_file(pa.memory_map(place) if isinstance(place, str) else place)
        return [file.get_batch(i) for i in range(file.num_record_batches)], file.schema
    stream = ipc.open_stream(pa.memory_map(place) if isinstance(place, str) else place)
    batches = []
    try:
        batches.extend(stream)
    except (pa.ArrowInvalid, OSError):
        notes.append("The Arrow stream breaks off; what comes before the break was read.")
    if not batches:
        raise pa.ArrowInvalid("no whole batch")
    return batches, stream.schema
