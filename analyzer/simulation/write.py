"""Writes simulated tables as Parquet or CSV, by the file's ending."""

import gzip
import io
from pathlib import Path

import pandas as pd

from analyzer.errors import InputError
from analyzer.files import write_atomic

ENDINGS = (".parquet", ".csv", ".csv.gz")
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
    check_ending(path)
    name = str(path).lower()
    if name.endswith(".parquet"):
        wide = {c: "float32" for c in table.select_dtypes("float64") if c not in _FULL_PRECISION}
        content = io.BytesIO()
        table.astype(wide).to_parquet(content, index=False, compression="zstd")
        write_atomic(path, content.getvalue())
        return
    text = table.to_csv(index=False, float_format="%.10g", lineterminator="\n").encode()
    write_atomic(path, gzip.compress(text, mtime=0) if name.endswith(".gz") else text)
