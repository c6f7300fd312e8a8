"""The list of runs as data: what `assets/runs.js` draws, one line a run with what came out."""

import json
from typing import Any

from analyzer.logbook.store import Store
from dashboards.logbook import Logbook
from dashboards.parts import when
from dashboards.run.views import CAUSES
from dashboards.run_records import Run
from dashboards.start.dialogs import about

STATE_WORDS = {
    "waiting": "waiting for its turn",
    "running": "being analysed",
    "done": "done",
    "failed": "could not be analysed",
    "cancelled": "cancelled",
}
ORDERS = {
    "newest": "analysed last first",
    "driven": "driven last first",
    "name": "by name",
    "driver": "by driver",
    "preload": "most preload first",
}
MOST_LISTED = 100
EMPTY = "None yet. Drop a log above, or try the sample run."
_counted: dict[tuple[str, str], dict[str, int]] = {}  # spins by cause of a result that was made from such and such


def run_list(logbook: Logbook, search: str | None = None, order: str | None = "newest") -> dict[str, Any]:
    """Runs that have all of the words asked for, in the order asked for, and those that can still be had back; `over`
    where none of the logbook's is under way."""
    over = not logbook.under_way()  # asked first: a run that ends meanwhile is then asked for once more
    runs = logbook.runs()
    words = (search or "").casefold().split()
    found = [run for run in runs if all(word in _searched(run) for word in words)]
    keys = {
        "driven": lambda run: -run.date_s,
        "name": lambda run: run.name.casefold(),
        "driver": lambda run: (run.driver == "", run.driver.casefold()),
        "preload": lambda run: -(_value(run.preload) or 0.0),
    }
    if order in keys:
        found = sorted(found, key=keys[order])
    note = "" if found else f"No run has '{search}'. Search for less." if runs else EMPTY
    left = len(found) - MOST_LISTED
    spins = spins_of(logbook.book, [run for run in found[:MOST_LISTED] if run.state == "done"])
    return {
        "runs": [_line(run, spins.get(run.id)) for run in found[:MOST_LISTED]],
        "leaving": [{"id": run.id, "name": run.name} for run in logbook.leaving()],
        "note": note,
        "over": over,
        "more": f"and {left} more: search for one by log, driver, tyres or notes." if left > 0 else "",
    }


def _searched(run: Run) -> str:
    texts = (
        run.title,
        run.log_names,
        run.driver,
        run.tyres,
        run.weather,
        run.notes,
        run.car_name,
        run.setup_name or "",
    )
    return " ".join(texts).casefold()


def _value(preload: str | None) -> float | None:
    return None if preload is None else json.loads(preload)["value"]


def _line(run: Run, spins: dict[str, int] | None) -> dict[str, Any]:
    setup = f", {run.setup_name}" if run.setup_name else ", no setup file"
    earlier = "" if run.latest else "; the log was analysed anew since, with another car file, setup file or map"
    return {
        "id": run.id,
        "name": run.name,
        "files": "" if run.name == run.log_names else run.log_names,
        "said": "; ".join(text for text in (run.driver, run.tyres, run.weather) if text),
        "notes": run.notes,
        "made": f"{run.car_name}{setup}{earlier}",
        "asked": f"analysed {when(run.started)}",
        "driven": when(run.date_s),
        "state": run.state,
        "words": STATE_WORDS[run.state],
        "step": run.step,
        "share": round(run.share, 3),
        "started": run.started,
        "message": run.message,
        "spins": spins,
        "preload": json.loads(run.preload) if run.preload and run.state == "done" else None,
        "about": json.dumps(about(run)),
    }


def spins_of(book: Store, runs: list[Run]) -> dict[str, dict[str, int]]:
    """How many inside rear spins each run has by cause, as the run screen names them; counted once a result."""
    made = {row["id"]: row["provenance"] for row in book.rows("SELECT id, provenance FROM results")}
    told: dict[str, dict[str, int]] = {}
    for run in runs:
        key = (run.id, made.get(run.id) or "")
        if key not in _counted:
            rows = book.rows(
                "SELECT json_extract(value, '$.evidence.foot_or_car') AS cause, count(*) AS spins "
                "FROM results, json_each(result, '$.findings') WHERE results.id = ? "
                "AND json_extract(value, '$.evidence.foot_or_car') IS NOT NULL GROUP BY cause",
                (run.id,),
            )
            names = {cause.value: name for cause, name in CAUSES.items()}
            _counted[key] = {names[row["cause"]]: row["spins"] for row in rows}
        told[run.id] = _counted[key]
    return told
