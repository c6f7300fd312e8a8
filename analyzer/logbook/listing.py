"""What is in a logbook: its runs and the preload of a car over the distance it has run, as plain data and on a
terminal of 80 columns; and runs as plain files that need no logbook, a folder a run, whose `run.json` says what was
written there, so that the next export replaces that and nothing else.
"""

import dataclasses
import hashlib
import json
import os
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.segment import Segment, Segments
from rich.style import Style
from rich.text import Text

from analyzer.errors import InputError
from analyzer.files import Outputs, is_own_json, json_text, require_outside_logbooks
from analyzer.in_words import number
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook.results import StoredResult, heard_by, is_current, preload, result_text, results_of
from analyzer.logbook.runs import Run, runs
from analyzer.logbook.store import Store
from analyzer.logbook.stored_files import StoredFile
from analyzer.provenance import hash_file

SHORT_ID = 8
NO_SETUP = "no setup file"
INDENT = "  "  # of the names below a row
RECORD = "run.json"


@dataclass(frozen=True)
class TrendPoint:
    """One run of a car.

    Attributes
    ----------
    run : the run.
    distance_km : driven in this run. None when the log could not be analysed.
    distance_before_km : driven in the runs before it that are in the logbook.
    preload_Nm : with its 95 % interval; its value is None with a reason where the log cannot tell.
    setup_changed : another setup than the run before, so that a step may be the workshop's.
    """

    run: Run
    distance_km: float | None
    distance_before_km: float
    preload_Nm: Interval
    setup_changed: bool


def preload_trend(store: Store, car: str) -> tuple[TrendPoint, ...]:
    """The preload of every run of a car, oldest first, from the results that are there; nothing is analysed.

    Parameters
    ----------
    car : the name in its car file.

    Raises
    ------
    InputError : no run is of such a car.
    """
    points: list[TrendPoint] = []
    driven = 0.0
    setup_before = None
    of_car = runs_of_car(store, car)
    for run, found in zip(of_car, results_of(store, of_car), strict=True):
        setup = run.setup and run.setup.content_sha256
        distance = None if found is None else found.distance_km
        points.append(
            TrendPoint(
                run=run,
                distance_km=distance,
                distance_before_km=driven,
                preload_Nm=preload(found),
                setup_changed=bool(points) and setup != setup_before,
            )
        )
        driven += distance or 0.0
        setup_before = setup
    return tuple(points)


def runs_of_car(store: Store, car: str) -> list[Run]:
    """The runs of the car of this name, oldest first.

    Raises
    ------
    InputError : there is none; names the cars that are there.
    """
    found = runs(store, car=car)
    if not found:
        names = ", ".join(f"'{name}'" for name in sorted({run.car.title for run in runs(store)})) or "none yet"
        raise InputError(f"no run in this logbook is of a car named '{car}'; cars there: {names}. Use one of these.")
    return found


def runs_json(store: Store, found: Sequence[Run]) -> list[dict[str, Any]]:
    """Runs with their results as plain data."""
    return [_run_json(*each) for each in zip(found, results_of(store, found), strict=True)]


def _run_json(run: Run, found: StoredResult | None) -> dict[str, Any]:
    return {
        "id": run.id,
        "date": iso(run.date_s),
        "log": _log_json(run.log),
        "more_logs": [_log_json(log) for log in run.more],
        "driven_with": dict(run.words),
        **{
            kind: None if part is None else {"name": part.title, "file": part.name, "sha256": part.sha256}
            for kind, part in (("car", run.car), ("setup", run.setup), ("channels", run.channels))
        },
        "result": {
            "state": state_words(found, run),
            "code": found and found.code,
            "distance_km": found and found.distance_km,
            "runs_heard": heard_by(found),
            "preload_Nm": dataclasses.asdict(preload(found)),
        },
    }


def _log_json(log: StoredFile) -> dict[str, Any]:
    return {"file": log.name, "sha256": log.sha256, "size_bytes": log.size_bytes}


def state_words(found: StoredResult | None, run: Run) -> str:
    """How the result of a run stands, in words."""
    if found is None or found.state in ("waiting", "running", "cancelled"):
        return "not analysed" if found is None or found.provenance is None else "out of date"
    if not is_current(found, run):
        return "out of date"
    return "no answer" if found.state == "failed" else "up to date"


def print_runs(store: Store, found: list[Run], console: Console) -> None:
    """One line a run."""
    if not found:
        console.print("No runs yet. `halfshaft logbook add LOG --car CAR` adds one.", markup=False)
        return
    rows = []
    for run, result in zip(found, results_of(store, found), strict=True):
        names = run.name, f"{run.car.title}, {run.setup.title if run.setup else NO_SETUP}"
        cells = (
            run.id[:SHORT_ID],
            local(run.date_s, with_time=False),
            preload_words(preload(result)),
            state_words(result, run),
        )
        rows.append((cells, names))
    _print_named(("id", "date", "preload, N.m", "result"), rows, console)


def print_heading(run: Run, found: StoredResult, console: Console) -> None:
    """Which run it is and what its result came from."""
    console.print(Text(f"run {run.id}  {local(run.date_s)}", style="bold"))
    for label, part in (
        *(("log", log) for log in run.logs),
        ("car", run.car),
        ("setup", run.setup),
        ("channel map", run.channels),
    ):
        if part is not None:
            console.print(Text(f"{label:12}{part.name}  sha256 {part.sha256[:16]}"))
    console.print(Text(f"{'code':12}{found.code}\n"))


def trend_json(car: str, points: tuple[TrendPoint, ...]) -> dict[str, Any]:
    """A trend as plain data."""
    return {
        "car": car,
        "runs": [
            {
                "id": point.run.id,
                "date": iso(point.run.date_s),
                "log": point.run.log.name,
                "setup": point.run.setup and point.run.setup.title,
                "setup_changed": point.setup_changed,
                "distance_before_km": point.distance_before_km,
                "distance_km": point.distance_km,
                "preload_Nm": dataclasses.asdict(point.preload_Nm),
            }
            for point in points
        ],
    }


def print_trend(car: str, points: tuple[TrendPoint, ...], console: Console) -> None:
    """The preload of each run over the distance that the car had run."""
    from analyzer.presentation.terminal import print_ending
    from analyzer.presentation.words import interval_words

    console.print(Text(f"Preload of {car} over the distance in this logbook\n", style="bold"))
    rows = []
    for point in points:
        mark = " *" if point.setup_changed else ""
        names = point.run.log.name, (point.run.setup.title if point.run.setup else NO_SETUP) + mark
        value, span = interval_words(point.preload_Nm, 0)
        cells = (
            local(point.run.date_s, with_time=False),
            number(point.distance_before_km, 1),
            number(point.distance_km, 1),
            value,
            "–" if point.preload_Nm.lower is None else span,  # why not is said below
        )
        rows.append((cells, names))
    headings = ("date", "km before", "km of the run", "preload, N.m", "95 % interval")
    _print_named(headings, rows, console, numbers=(1, 2, 3, 4))
    if any(point.setup_changed for point in points):
        console.print("\n* another setup than the run before: a step there may be the workshop's.")
    for point in points:
        if point.preload_Nm.value is None and point.preload_Nm.reason:
            console.print(Text(f"{point.run.log.name}: {point.preload_Nm.reason}"))
    console.print(
        "\nHow to read it: where intervals overlap, this table cannot say that anything changed; `halfshaft compare` "
        "tells two runs apart better. A steady fall over the distance is what worn plates or a settled spring would "
        "give; so would a change of tyre, track or temperature.",
        markup=False,
    )
    print_ending(console)


def preload_words(interval: Interval) -> str:
    """A preload with its interval in one cell, N.m."""
    if interval.value is None:
        return "–" if interval.lower is None else f"at least {number(interval.lower)}"
    return f"{number(interval.value)} ({number(interval.lower)} to {number(interval.upper)})"


def iso(seconds: float) -> str:
    """A time as ISO 8601, UTC."""
    return datetime.fromtimestamp(seconds, UTC).isoformat(timespec="seconds")


def local(seconds: float, *, with_time: bool = True) -> str:
    """A time as this machine's clock says it."""
    at = datetime.fromtimestamp(seconds)
    return at.isoformat(" ", "minutes") if with_time else at.date().isoformat()


def _print_named(
    headings: tuple[str, ...],
    rows: Sequence[tuple[tuple[str, ...], tuple[str, str]]],
    console: Console,
    *,
    numbers: tuple[int, ...] = (),
) -> None:
    """A table whose rows have their names below them, each on a line of its own that can be copied whole; columns of
    `numbers` end in line."""
    widths = [max(map(len, column)) for column in zip(headings, *(cells for cells, _ in rows), strict=True)]

    def line(cells: tuple[str, ...]) -> str:
        placed = zip(range(len(cells)), cells, widths, strict=True)
        return "  ".join(c.rjust(w) if k in numbers else c.ljust(w) for k, c, w in placed).rstrip()

    bold, dim = Style(bold=True), Style(dim=True)
    # of thousands of rows, a text that rich looks through for places to wrap takes longer than all else
    parts = [Segment(line(headings), bold), Segment("\n")]
    for cells, (log, others) in rows:
        parts += [Segment(f"\n{line(cells)}\n"), Segment(f"{INDENT}{log}\n", bold), Segment(f"{INDENT}{others}", dim)]
        parts.append(Segment("\n"))
    console.print(Segments(parts), soft_wrap=True, end="")


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
    require_outside_logbooks(folder)
    for name in contents:
        if os.path.lexists(folder / name):
            outputs.require(folder / name, _one_of(hashes[name], before.get(name)))
    if os.path.lexists(folder / RECORD):
        outputs.require(folder / RECORD, is_own_json)
    for name, content in contents.items():
        outputs.write(_made(folder / name), content, _one_of(hashes[name], before.get(name)))
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
