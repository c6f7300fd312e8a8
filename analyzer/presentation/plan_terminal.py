"""A plan on the terminal, readable at 80 columns, and as plain data."""

import dataclasses
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from analyzer.cautions import CAUTIONS
from analyzer.planning.plan import Option, Plan, Widths
from analyzer.presentation import plan_words as words
from analyzer.presentation.result_json import plain
from analyzer.presentation.terminal import print_ending, terminal_table


def print_plan(plan: Plan, console: Console) -> None:
    """Answer, table of the options, cards of what to do, cautions."""
    said = words.answer(plan)
    say = lambda text: console.print(text, markup=False)  # noqa: E731
    say(words.question(plan))
    console.print(Text(f"{said}\n", style="bold"))
    say(words.needed(plan))
    if plan.stated:
        say(words.stated(plan))
    table = terminal_table("What to do next, and the width it should leave")
    table.add_column("")
    for heading in ("takes", "curve, N.m", "%", "preload, N.m"):
        table.add_column(heading, justify="right")
    table.add_column("decides")
    table.add_row("nothing more", "–", *_cells(plan.now), "yes" if plan.now.decides else "–")
    for option in plan.options:
        table.add_row(words.name(option), words.minutes(option), *_cells(option.then), words.decides(option))
    console.print()
    console.print(table)
    for kind, option in words.cards(plan).items():
        console.print(Text(f"\nTest card: {words.NAMES[kind]}", style="bold"))
        lines = [*words.steps(kind, option), f"Space: {words.SPACE[kind]}.", f"Tools: {words.TOOLS[kind]}."]
        for line in (*lines, f"Caution: {words.CAUTIONS_OF[kind]}"):
            console.print(Padding(Text(line), (0, 0, 0, 3), expand=False))
    say(f"\nHow to read it: {words.read(plan)}")
    print_ending(console, answer=said)


def plan_result(plan: Plan) -> dict[str, Any]:
    """Schema 1 of a plan."""
    return plain(
        {
            "schema": 1,
            "logs": list(plan.logs),
            "question": plan.question,
            "answer": words.answer(plan),
            "stated": list(plan.stated),
            "logs_alone": _widths(plan.blind),
            "now": _widths(plan.now),
            "options": [_option(option) for option in plan.options],
            "cautions": list(CAUTIONS),
        }
    )


def _cells(widths: Widths) -> tuple[str, str, str]:
    return f"{widths.curve_Nm:.0f}", words.percent(widths), words.parameter(widths, "preload_Nm")


def _option(option: Option) -> dict[str, Any]:
    return {
        "name": words.name(option),
        "minutes": option.minutes,
        "laps": option.laps,
        "parts": [
            {
                "kind": kind,
                "space": words.SPACE[kind],
                "tools": words.TOOLS[kind],
                "steps": list(words.steps(kind, option)),
                "caution": words.CAUTIONS_OF[kind],
            }
            for kind in option.kinds
        ],
        "arcs": [dataclasses.asdict(arc) for arc in option.arcs],
        "then": _widths(option.then),
    }


def _widths(widths: Widths) -> dict[str, Any]:
    return {
        "curve_width_Nm": widths.curve_Nm,
        "curve_width_percent": 100 * widths.curve_share,
        "parameter_widths": dict(widths.parameters),
        "asked": [dataclasses.asdict(one) | {"decided": one.decided} for one in widths.asked],
        "decides": widths.decides,
    }
