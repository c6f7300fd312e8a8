"""What a batch has done so far: one Parquet file a log, which says what it came from, and the season table of them."""

import dataclasses
import hashlib
import io
import json
from dataclasses import dataclass
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.batch.places import Log
from analyzer.batch.season_table import SCHEMA
from analyzer.errors import InputError
from analyzer.files import write_atomic
from analyzer.provenance import Provenance, hash_stream

SEASON = "season.parquet"
_KEY = b"halfshaft_provenance"


def part_bytes(table: pa.Table, made_from: Provenance) -> bytes:
    """A log's rows as a Parquet file that carries its provenance."""
    content = io.BytesIO()
    metadata = {_KEY: json.dumps(dataclasses.asdict(made_from))}
    pq.write_table(table.replace_schema_metadata(metadata), content, compression="zstd")
    return content.getvalue()


@dataclass(frozen=True)
class Parts:
    """The output folder of a batch."""

    folder: Path

    def make(self) -> None:
        """Make the folder.

        Raises
        ------
        InputError : it cannot be made.
        """
        try:
            for name in ("parts", "results"):
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"--out {self.folder}: the folder cannot be made ({error.strerror}); name another."
            ) from None

    def is_done(self, log: Log, expected: Provenance) -> bool:
        """Whether the log's rows are here and came from the same bytes, car, setup, map and code.

        Raises
        ------
        InputError : the log cannot be read.
        """
        path = self._part(log.name)
        try:
            made_from = Provenance(**json.loads(pq.read_schema(path).metadata[_KEY]))
        except (OSError, pa.ArrowException, KeyError, TypeError, json.JSONDecodeError):
            return False  # not there, not whole, or of a version that kept other things
        if dataclasses.replace(expected, log_sha256=made_from.log_sha256) != made_from:
            return False
        with log.open() as stream:
            return hash_stream(stream) == made_from.log_sha256

    def keep(self, log_name: str, *, rows: bytes, result: str) -> None:
        """Write a log's result, then its rows: a log whose rows are here is done.

        Raises
        ------
        InputError : the folder cannot be written.
        """
        write_atomic(self.folder / "results" / f"{_stem(log_name)}.json", result)
        write_atomic(self._part(log_name), rows)

    def write_season(self, logs: list[Log]) -> int:
        """Write the season table of these logs' rows; returns the number of rows.

        Raises
        ------
        InputError : the folder cannot be written.
        """
        tables = [pq.read_table(self._part(log.name), schema=SCHEMA) for log in logs]
        whole = pa.concat_tables(tables) if tables else SCHEMA.empty_table()
        content = io.BytesIO()
        pq.write_table(whole.cast(SCHEMA), content, compression="zstd")
        write_atomic(self.folder / SEASON, content.getvalue())
        return whole.num_rows

    def _part(self, log_name: str) -> Path:
        return self.folder / "parts" / f"{_stem(log_name)}.parquet"


def _stem(log_name: str) -> str:
    """A file name of a log's own: what a person would look for, and enough of a hash to tell folders apart."""
    readable = "".join(c if c.isalnum() or c in "-_." else "_" for c in log_name)[-80:].lstrip(".")
    return f"{readable}-{hashlib.sha256(log_name.encode('utf-8')).hexdigest()[:10]}"
