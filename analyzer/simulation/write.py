"""Writes simulated tables as Parquet or CSV, by the file's ending."""

import gzip
import hashlib
import io
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.errors import InputError
from analyzer.files import GENERATOR, PARQUET_MARK, Outputs, is_own_parquet, open_regular, write_atomic
from analyzer.simulation.session import Session

ENDINGS = (".parquet", ".csv", ".csv.gz")
_OF_LOG = b"halfshaft_log_sha256"  # the log that a truth was written with
_FULL_PRECISION = ("time", "latitude", "longitude", "x", "y", "distance", "heading")  # single precision is too coarse


def check_ending(path: Path | str) -> None:
    """Refuse a file name whose ending says no format.

    Raises
    ------
    InputError : neither .parquet, .csv nor .csv.gz.
    """
    if not str(path).lower().endswith(ENDINGS):
        raise InputError(f"{Path(path).name}: the ending says no format; allowed: {', '.join(ENDINGS)}. Name one.")


def truth_path(log: Path | str) -> Path:
    """Where the truth of `log` goes: `run.csv.gz` has `run.truth.parquet` beside it."""
    log = Path(log)
    ending = next((e for e in ENDINGS if log.name.lower().endswith(e)), "")
    return log.with_name(log.name[: len(log.name) - len(ending)] + ".truth.parquet")


def write_table(table: pd.DataFrame, path: Path | str) -> None:
    """Write `table` to `path`, whole or not at all; single precision where that is finer than the logger.

    Raises
    ------
    InputError : an ending that is no format, or a folder that cannot be written.
    """
    write_atomic(path, _table_bytes(table, path))


def write_session(session: Session, path: Path | str, outputs: Outputs) -> None:
    """Write a session's log to `path` and its truth beside it. The truth says which log it is of: so a CSV, which can
    carry no mark, is known as halfshaft's own until somebody changes it.

    Raises
    ------
    InputError : as `write_table` and `Outputs.write`.
    """
    log = _table_bytes(session.log, path)
    truth = _table_bytes(
        session.truth,
        truth_path(path),
        {PARQUET_MARK: GENERATOR.encode(), _OF_LOG: hashlib.sha256(log).hexdigest().encode()},
    )
    outputs.write(path, log, is_own_log)
    outputs.write(truth_path(path), truth, is_own_parquet)


def is_own_log(path: Path) -> bool:
    """Whether a file is the log that the truth beside it was written with, to the byte."""
    truth = truth_path(path)
    if not truth.is_file() or not is_own_parquet(truth):
        return False
    with open_regular(path) as stream:
        found = hashlib.sha256(stream.read()).hexdigest()
    return (pq.read_schema(truth).metadata or {}).get(_OF_LOG) == found.encode()


def _table_bytes(table: pd.DataFrame, path: Path | str, metadata: dict[bytes, bytes] | None = None) -> bytes:
    check_ending(path)
    name = str(path).lower()
    if name.endswith(".parquet"):
        wide = {c: "float32" for c in table.select_dtypes("float64") if c not in _FULL_PRECISION}
        content = io.BytesIO()
        made = pa.Table.from_pandas(table.astype(wide), preserve_index=False)
        pq.write_table(
            made.replace_schema_metadata({**(made.schema.metadata or {}), **(metadata or {})}),
            content,
            compression="zstd",
        )
        return content.getvalue()
    text = table.to_csv(index=False, float_format="%.10g", lineterminator="\n").encode()
    return gzip.compress(text, mtime=0) if name.endswith(".gz") else text
