"""What the runs of a car in a logbook know of it together, and whether a result used what still holds.

Each result keeps what its run tells of the car beside its arrays (`results.TOLD`), from a fit that knew of no other
run; so what a run tells does not hang on whom it heard, and being analysed anew makes no other result out of date.
"""

import json
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from analyzer.knowledge.carried import said
from analyzer.knowledge.knowledge_file import run_of_json
from analyzer.knowledge.known import CarRun, Knowledge
from analyzer.knowledge.use import KnowledgeUsed
from analyzer.logbook.results import TOLD, StoredResult, kept_of_others, results_of
from analyzer.logbook.runs import Run, runs
from analyzer.logbook.store import Store

LARGEST_BYTES = 5_000_000


@dataclass(frozen=True)
class OfCar:
    """One run of a car with its result, and what it tells; None where it is not analysed."""

    run: Run
    found: StoredResult | None
    told: CarRun | None


def runs_and_words(store: Store, car: str) -> list[OfCar]:
    """All runs of the car of this name, oldest first, each with what it tells."""
    of_car = runs(store, car=car)
    each = zip(of_car, results_of(store, of_car), strict=True)
    return [OfCar(run, found, None if found is None else _told(store, run, found)) for run, found in each]


def knowledge_of(every: list[OfCar], car: str, *, without: str | None = None) -> Knowledge:
    """What runs know together; `without` the run of this id."""
    return Knowledge(car, tuple(one.told for one in every if one.told is not None and one.run.id != without))


def record(run: Run, used: KnowledgeUsed | None) -> str | None:
    """What is kept of what a result used and could have used; None where there were no others."""
    if used is None:
        return None
    heard, offered = ([one.digest for one in some] for some in (used.runs, used.offered))
    return json.dumps({"words": said(run.words), "heard": heard, "offered": offered})


def has_ended(one: OfCar, every: list[OfCar]) -> bool:
    """Whether a result hangs on what does not hold any more: a run that was removed or analysed anew otherwise, whose
    car file, tyres, weather or sensor are others now, or words of its own that are."""
    if one.found is None or one.found.knowledge is None:
        return False
    used = json.loads(one.found.knowledge)
    if not used["heard"]:
        return False
    there = {other.told.digest for other in every if other.told is not None}
    return used["words"] != said(one.run.words) or not there.issuperset(used["heard"])


def hear_otherwise(every: list[OfCar], car: str) -> list[OfCar]:
    """The runs of a car that would hear others now than their results did."""
    now = knowledge_of(every, car).heard_by_each
    analysed = [one for one in every if one.told is not None]
    return [
        one for one, heard in zip(analysed, now, strict=True) if set(kept_of_others(one.found, "offered")) != set(heard)
    ]


def _told(store: Store, run: Run, found: StoredResult) -> CarRun | None:
    """What a result's run tells, with what is said by now of its tyres, weather and sensor."""
    if found.state != "done" or found.folder is None:
        return None
    told = _read(store.arrays(found.folder) / TOLD)
    if told is None:
        return None
    return replace(told, name=run.name, date_s=run.date_s, driven_with={**told.driven_with, **said(run.words)})


@lru_cache(maxsize=4096)
def _read(path: Path) -> CarRun | None:
    """A result's folder is never written to again, so what was read of it holds."""
    try:
        if path.stat().st_size > LARGEST_BYTES:
            return None
        return run_of_json(json.loads(path.read_text("utf-8")))
    except (OSError, ValueError, RecursionError):  # not there, or not ours
        return None
