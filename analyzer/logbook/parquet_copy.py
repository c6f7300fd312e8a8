"""A log as Parquet: every column that holds numbers, under the log's own names, with its unit in the field's metadata.

The copy is for pandas and the like; analyses read the bytes as they came.
"""

from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from analyzer.errors import InputError
from analyzer.logbook.placing import to_disk
from analyzer.logbook.runs import Run
from analyzer.logbook.store import Store
from analyzer.logs.registry import open_log


def write_parquet(log_path: Path | str, target: Path) -> None:
    """Write the log at `log_path` to `target`.

    Raises
    ------
    InputError : not a log, or its columns cannot be told apart.
    """
    raw = open_log(log_path)
    values, _ = raw.load(list(range(len(raw.columns))))
    fields = [
        pa.field(column.name, pa.float64(), metadata={"unit": column.unit or ("s" if column.is_clock else "")})
        for column in raw.columns
    ]
    metadata = {"form": raw.form, "preamble": raw.preamble[:100_000]}
    try:
        table = pa.Table.from_arrays([pa.array(v) for v in values], schema=pa.schema(fields, metadata=metadata))
        pq.write_table(table, target, compression="zstd")
    except pa.ArrowException as error:
        raise InputError(f"{Path(log_path).name}: cannot be kept as Parquet ({error}); export the log anew.") from None
    to_disk(target)


def keep_parquet(store: Store, run: Run) -> None:
    """Give a run's log its Parquet copy, when it has none yet.

    Raises
    ------
    InputError : the log cannot be opened.
    """
    if run.log.parquet is not None:
        return
    with store.staging() as folder:
        staged = folder / f"{run.id}.parquet"
        write_parquet(run.log.path, staged)
        with store.transaction() as connection:
            if connection.execute("UPDATE files SET parquet = 1 WHERE id = ?", (run.id,)).rowcount:
                store.placing.place(staged, store.folder / "parquet" / staged.name)
