"""What the runs of a car in a logbook know of it together, as data and on a terminal; and whether a result used what
still holds.

Each result keeps what its run tells of the car beside its arrays (`results.TOLD`), from a fit that knew of no other
run; so what a run tells does not hang on whom it heard, and being analysed anew makes no other result out of date.
"""

import json
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.text import Text

from analyzer.in_words import counted, number
from analyzer.knowledge.carried import said
from analyzer.knowledge.knowledge_file import known_table, run_of_json
from analyzer.knowledge.known_car import OTHER_CAR, CarRun, Knowledge, KnowledgeUsed
from analyzer.logbook.listing import INDENT, SHORT_ID, iso, local
from analyzer.logbook.results import TOLD, StoredResult, heard_by, is_current, kept_of_others, result_text, results_of
from analyzer.logbook.runs import Run, runs
from analyzer.logbook.store import Store
from analyzer.presentation.knowledge_words import HOW_TO_READ, contradiction_words, learned_rows
from analyzer.presentation.terminal import print_ending, terminal_table

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


def car_json(store: Store, every: list[OfCar], knowledge: Knowledge) -> dict[str, Any]:
    """The runs of a car, how each stands, and what they know together."""
    return {
        "schema": 1,
        "car": knowledge.car,
        "runs": [
            {
                "id": one.run.id,
                "date": iso(one.run.date_s),
                "log": one.run.name,
                "driven_with": dict(one.run.words),
                "state": state_words(one, every, knowledge),
                "runs_heard": heard_by(one.found),
                "narrower": narrower(store, one),
            }
            for one in every
        ],
        "contradicting": [{"run": one.name, "probability": one.probability} for one in knowledge.contradicting],
        "known": known_table(knowledge),
    }


def state_words(one: OfCar, every: list[OfCar], knowledge: Knowledge) -> str:
    """How a run stands in what is known of its car."""
    if one.told is None or one.found is None:
        return "not analysed"
    if not is_current(one.found, one.run):
        return "out of date"
    if has_ended(one, every):
        return "used what has ended"
    contradicts = next((out for out in knowledge.contradicting if out.name == one.told.name), None)
    if contradicts is not None:
        return f"contradicts the rest ({contradicts.probability:.0e})"
    if one.told.driven_with.get("car") != knowledge.newest.driven_with.get("car"):
        return OTHER_CAR
    return "heard"


def narrower(store: Store, one: OfCar) -> float | None:
    """By how much the answer of a run got narrower by what others know; None where it used nothing."""
    if one.found is None or not heard_by(one.found):
        return None
    share: float | None = json.loads(result_text(store, one.found.id))["knowledge"]["narrower"]
    return share


def print_car(store: Store, every: list[OfCar], knowledge: Knowledge, console: Console) -> None:
    """What is known, from which runs, how much narrower answers got, and which run contradicts the rest.

    Parameters
    ----------
    every : the car's runs in the logbook, in the order they are printed.
    knowledge : of those that are analysed.
    """
    told = counted(len(knowledge.runs), "analysed run")
    console.print(Text(f"{knowledge.car}: known from {told} in this logbook\n", style="bold"))
    for one in every:
        share, others = narrower(store, one), counted(heard_by(one.found), "other")
        gain = "" if share is None else f", intervals {number(100 * share)} % narrower by {others}"
        state = state_words(one, every, knowledge)
        console.print(Text(f"{one.run.id[:SHORT_ID]}  {local(one.run.date_s, with_time=False)}  {state}{gain}"))
        console.print(Text(INDENT + one.run.name, style="bold"), soft_wrap=True)
        if said := ", ".join(f"{what}: {text}" for what, text in one.run.words.items() if text):
            console.print(Text(INDENT + said, style="dim"), soft_wrap=True)
    rows = learned_rows(knowledge)
    if rows:
        table = terminal_table("Known of the car for its next run, with one standard deviation")
        for heading in ("", "from the runs", "before any run", "narrower, %"):
            table.add_column(heading, justify="left" if not heading else "right")
        for row in rows:
            table.add_row(*row)
        console.print()
        console.print(table)
    for out in knowledge.contradicting:
        console.print(Text(contradiction_words(out)))
    console.print(Text(f"\n{HOW_TO_READ}"))
    print_ending(console)
