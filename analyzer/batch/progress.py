"""What a batch has done so far: one Parquet file a log, which says what it came from, and the season table of them.

The season table has one row a corner phase, every log below the other, ready for pandas. Numbers that do not exist are
null. A column's ending is its unit; a column without one is a fraction (1 is all of it), a count or text. Each
column's field in the Parquet file carries its description.
"""

import dataclasses
import hashlib
import io
import json
import os
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.batch.places import Log
from analyzer.errors import InputError
from analyzer.files import (
    GENERATOR,
    PARQUET_MARK,
    Outputs,
    is_own_json,
    is_own_parquet,
    json_text,
    require_outside_logbooks,
    spelling,
)
from analyzer.in_words import printable
from analyzer.provenance import Provenance

if TYPE_CHECKING:
    from analyzer.analysis import Analysis

SEASON = "season.parquet"
_FOLDERS = ("parts", "results")
ROWS_TOGETHER = 100_000  # of the season table, 20 MB of them in memory and one row group of the file
_KEY = PARQUET_MARK + b"_provenance"
COLUMNS: dict[str, tuple[pa.DataType, str]] = {
    "log": (pa.string(), "path of the log inside the batch's folder"),
    "run": (pa.string(), "path of the first log of its run; logs of one run were fitted together"),
    "date": (pa.timestamp("s", tz="UTC"), "when the log's file was last changed"),
    "car": (pa.string(), "name in the car file"),
    "lap": (pa.int32(), "lap; 0 is before the first or after the last whole lap"),
    "corner": (pa.int32(), "number of the corner on the lap"),
    "direction": (pa.string(), "left or right"),
    "phase": (pa.string(), "braking, turn_in, mid_corner, power_application or exit"),
    "start_s": (pa.float64(), "start of the phase, log time"),
    "end_s": (pa.float64(), "end of the phase, log time"),
    "inside_slip": (pa.float64(), "longitudinal slip of the inside rear wheel, positive driving, mean over the phase"),
    "outside_slip": (pa.float64(), "the same of the outside rear wheel"),
    "speed_difference_rad_s": (pa.float64(), "rotation of the left rear wheel less the right's"),
    "free_difference_rad_s": (pa.float64(), "what that would be if both rolled free"),
    "kinematic_lock": (pa.float64(), "0 the axle rolls free, 1 it turns as one, above 1 the inside over-speeds"),
    "kinematic_lock_note": (pa.string(), "why the kinematic lock is null, or what to know of it"),
    "input_torque_Nm": (pa.float64(), "sum of both rear wheels' torque"),
    "transfer_torque_Nm": (pa.float64(), "inside less outside wheel's torque; positive holds against the turn"),
    "transfer_torque_sd_Nm": (pa.float64(), "standard deviation of the transfer torque"),
    "locking_value": (pa.float64(), "size of the transfer torque over that of the input torque"),
    "predicted_locking_torque_Nm": (pa.float64(), "what the setup file's parts would lock with at this input torque"),
    "locked_fraction": (pa.float64(), "share of the decided samples in which the axle was locked"),
    "mean_throttle": (pa.float64(), "throttle, 0 to 1"),
    "mean_speed_m_s": (pa.float64(), "ground speed"),
}
SCHEMA = pa.schema([pa.field(name, kind, metadata={"description": text}) for name, (kind, text) in COLUMNS.items()])


def phase_table(analysis: "Analysis", run: Log) -> pa.Table:
    """The rows of a run's logs."""
    rows = []
    for log, one in zip(run.run, (analysis, *analysis.others), strict=True):
        own = {
            "log": printable(log.name),
            "run": printable(run.name),
            "date": None if log.date_s is None else int(log.date_s),
            "car": analysis.car.name,
        }
        rows += [{name: own.get(name, getattr(r, name, None)) for name in COLUMNS} for r in one.phase_results]
    return pa.Table.from_pylist(rows, schema=SCHEMA)


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
    outputs: Outputs = field(default_factory=Outputs)

    def make(self) -> None:
        """Make the folder.

        Raises
        ------
        InputError : it cannot be made.
        """
        try:
            for name in _FOLDERS:
                (self.folder / name).mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise InputError(
                f"--out {self.folder}: the folder cannot be made ({error.strerror}); name another."
            ) from None

    def require(self, logs: list[Log]) -> None:
        """Refuse what is in the way of these logs' files, before they are analysed.

        Raises
        ------
        InputError : a file is there that halfshaft did not write, or a logbook has the folder.
        """
        require_outside_logbooks(self.folder / SEASON)
        written = [(self.folder / SEASON, is_own_parquet)]
        for log in logs:
            written += [(self._result(log.name), is_own_json), (self._part(log.name), is_own_parquet)]
        for path, is_own in written:
            if os.path.lexists(path):
                self.outputs.require(path, is_own)

    def keeps(self, path: Path | str) -> bool:
        """Whether a file is, or would be, one of the batch's own."""
        found = Path(spelling(path))
        return found == Path(spelling(self.folder / SEASON)) or any(
            found.is_relative_to(spelling(self.folder / name)) for name in _FOLDERS
        )

    def made_of(self, log: Log, expected: Provenance) -> str | None:
        """SHA-256 of the log whose rows are here, made with the same car, setup, map and code; None without such rows.

        Whether the log still has these bytes is for the worker to say, which reads it: in a season they are far more
        than its rows.
        """
        path = self._part(log.name)
        try:
            made_from = Provenance(**json.loads(pq.read_schema(path).metadata[_KEY]))
        except (OSError, pa.ArrowException, KeyError, TypeError, json.JSONDecodeError):
            return None  # not there, not whole, or of a version that kept other things
        same = dataclasses.replace(expected, log_sha256=made_from.log_sha256) == made_from
        return made_from.log_sha256 if same else None

    def keep(self, log_name: str, *, rows: bytes, result: str) -> None:
        """Write a log's result, then its rows: a log whose rows are here is done.

        Raises
        ------
        InputError : the folder cannot be written.
        """
        self.outputs.write(self._result(log_name), json_text(result), is_own_json)
        self.outputs.write(self._part(log_name), rows, is_own_parquet)

    def write_season(self, logs: list[Log]) -> int:
        """Write the season table of these logs' rows, some at a time; returns the number of rows.

        Raises
        ------
        InputError : the folder cannot be written.
        """
        total = 0
        with tempfile.TemporaryDirectory(prefix="halfshaft-") as folder:
            season = Path(folder) / SEASON
            marked = SCHEMA.with_metadata({PARQUET_MARK: GENERATOR})
            with pq.ParquetWriter(season, marked, compression="zstd") as writer:
                held: list[pa.Table] = []
                for log in logs:
                    with pq.ParquetFile(self._part(log.name)) as part:
                        held.append(part.read().replace_schema_metadata())
                    total += held[-1].num_rows
                    if sum(table.num_rows for table in held) >= ROWS_TOGETHER:
                        writer.write_table(pa.concat_tables(held).cast(marked))
                        held.clear()
                if held:
                    writer.write_table(pa.concat_tables(held).cast(marked))
            self.outputs.write(self.folder / SEASON, season, is_own_parquet)
        return total

    def _result(self, log_name: str) -> Path:
        return self.folder / "results" / f"{_stem(log_name)}.json"

    def _part(self, log_name: str) -> Path:
        return self.folder / "parts" / f"{_stem(log_name)}.parquet"


def _stem(log_name: str) -> str:
    """A file name of a log's own: what a person would look for, and enough of a hash to tell folders apart."""
    readable = "".join(c if c.isalnum() or c in "-_." else "_" for c in log_name)[-80:].lstrip(".")
    return f"{readable}-{hashlib.sha256(os.fsencode(log_name)).hexdigest()[:10]}"
