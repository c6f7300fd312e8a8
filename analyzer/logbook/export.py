"""Takes runs out of a logbook into plain files that need no logbook: a folder a run, whose `run.json` says what was
written there, so that the next export replaces that and nothing else."""

import hashlib
import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

from analyzer.errors import InputError
from analyzer.files import Outputs, is_own_json, json_text
from analyzer.logbook.listing import runs_json
from analyzer.logbook.results import StoredResult, result_text
from analyzer.logbook.runs import Run
from analyzer.logbook.store import Store
from analyzer.provenance import hash_file

RECORD = "run.json"


def export(store: Store, run: Run, found: StoredResult | None, out: Path, outputs: Outputs) -> Path:
    """Write the run's log byte for byte, its Parquet copy, car, setup, channel map and result; returns the folder.

    Parameters
    ----------
    found : the result to write, or None when there is none.
    out : folder, made when missing; what an earlier export wrote there is replaced, other files stay.

    Raises
    ------
    InputError : a folder cannot be made or written, or a file in it is not as an export wrote it.
    """
    folder = out / f"{run.log.name.split('.')[0]}-{run.id[:8]}"
    parts = {"log": run.log, "car": run.car, "setup": run.setup, "channels": run.channels}
    contents: dict[str, Path | bytes] = {f"{kind}/{p.name}": p.path for kind, p in parts.items() if p is not None}
    for log in run.more:
        name = f"log/{log.name}"
        contents[name if name not in contents else f"log/{log.id[:8]}-{log.name}"] = log.path
    if run.log.parquet is not None:
        contents["log.parquet"] = run.log.parquet
    if found is not None:
        contents["result.json"] = json_text(result_text(store, found.id)).encode()
    hashes = {name: _hash(content) for name, content in contents.items()}
    before = _written_before(folder / RECORD)
    for name in contents:
        outputs.require(_made(folder / name), _one_of(hashes[name], before.get(name)))
    outputs.require(folder / RECORD, is_own_json)
    for name, content in contents.items():
        outputs.write(folder / name, content, _one_of(hashes[name], before.get(name)))
    for name in set(before) - set(contents):  # it would belie run.json
        _take_away(folder, name, before[name])
    record = json_text({**runs_json(store, [run])[0], "files": hashes})
    outputs.write(folder / RECORD, record, is_own_json)
    return folder


def _made(path: Path) -> Path:
    """The path, with its folder made."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"{path.parent}: cannot be written ({error.strerror or error}); name another --out.") from None
    return path


def _one_of(*hashes: str | None) -> Callable[[Path], bool]:
    return lambda path: _hash(path) in hashes


def _hash(content: Path | bytes) -> str:
    return hash_file(content) if isinstance(content, Path) else hashlib.sha256(content).hexdigest()


def _written_before(record: Path) -> dict[str, str]:
    """Name -> hash of what an earlier export wrote."""
    if not record.is_file() or not is_own_json(record):
        return {}
    try:
        found = json.loads(record.read_text("utf-8")).get("files")
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _take_away(folder: Path, name: str, written: str) -> None:
    """Remove what an earlier export wrote, if it is as it was written."""
    path = folder / name
    if Path(name).is_absolute() or ".." in Path(name).parts or path.is_symlink() or not path.is_file():
        return
    if _hash(path) == written:
        path.unlink()
        with suppress(OSError):  # somebody put something beside it
            path.parent.rmdir()
