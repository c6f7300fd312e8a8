"""Takes runs out of a logbook into plain files that need no logbook: a folder a run."""

import json
import shutil
from pathlib import Path

from analyzer.errors import InputError
from analyzer.files import write_atomic
from analyzer.logbook.listing import run_json
from analyzer.logbook.results import StoredResult, result_text
from analyzer.logbook.runs import Run
from analyzer.logbook.store import Store


def export(store: Store, run: Run, found: StoredResult | None, out: Path) -> Path:
    """Write the run's log byte for byte, its Parquet copy, car, setup, channel map and result; returns the folder.

    Parameters
    ----------
    found : the result to write, or None when the log cannot be analysed.
    out : folder, made when missing; what an earlier export wrote there is replaced.

    Raises
    ------
    InputError : a folder cannot be made or written.
    """
    folder = out / f"{run.log.name.split('.')[0]}-{run.id[:8]}"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for kind, part in (("log", run.log), ("car", run.car), ("setup", run.setup), ("channels", run.channels)):
            # a file of an earlier export that the run has no more would belie run.json
            shutil.rmtree(folder / kind, ignore_errors=True)
            if part is not None:
                (folder / kind).mkdir()
                shutil.copyfile(part.path, folder / kind / part.name)
        for name in ("log.parquet", "result.json"):
            (folder / name).unlink(missing_ok=True)
        if run.log.parquet is not None:
            shutil.copyfile(run.log.parquet, folder / "log.parquet")
    except OSError as error:
        raise InputError(f"{folder}: cannot be written ({error.strerror or error}); name another --out.") from None
    write_atomic(folder / "run.json", json.dumps(run_json(store, run), indent=1, allow_nan=False) + "\n")
    if found is not None:
        write_atomic(folder / "result.json", result_text(store, found.id))
    return folder
