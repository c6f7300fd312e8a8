"""What a logbook knows of a car, as plain data and on a terminal of 80 columns."""

import json
from typing import Any

from rich.console import Console
from rich.text import Text

from analyzer.in_words import counted, number
from analyzer.knowledge.knowledge_file import known_table
from analyzer.knowledge.known import OTHER_CAR, Knowledge
from analyzer.logbook.knowledge import OfCar, has_ended
from analyzer.logbook.listing import INDENT, SHORT_ID, iso, local
from analyzer.logbook.results import heard_by, is_current, result_text
from analyzer.logbook.store import Store
from analyzer.presentation.knowledge_words import HOW_TO_READ, contradiction_words, learned_rows
from analyzer.presentation.terminal import print_ending, terminal_table


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
    return json.loads(result_text(store, one.found.id))["knowledge"]["narrower"]


def print_car(store: Store, every: list[OfCar], knowledge: Knowledge, console: Console) -> None:
    """What is known, from which runs, how much narrower answers got, and which run contradicts the rest."""
    told = counted(len(knowledge.runs), "analysed run")
    console.print(Text(f"{knowledge.car}: what {told} in this logbook know of it\n", style="bold"))
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
        for heading in ("", "by the runs", "any such car", "narrower, %"):
            table.add_column(heading, justify="left" if not heading else "right")
        for row in rows:
            table.add_row(*row)
        console.print()
        console.print(table)
    for out in knowledge.contradicting:
        console.print(Text(contradiction_words(out)))
    console.print(Text(f"\n{HOW_TO_READ}"))
    print_ending(console)
