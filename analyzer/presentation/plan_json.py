"""What to do next as JSON: what `halfshaft plan --json` writes, and what the plan page is drawn from."""

import dataclasses
from typing import Any, TypedDict

from analyzer.in_words import CAUTIONS
from analyzer.planning.next_test import Option, Plan, Widths
from analyzer.presentation import plan_words
from analyzer.presentation.result_json import plain


class AskedJson(TypedDict):
    """One thing that the question is about: its width, and the one that decides (N.m)."""

    name: str
    width_Nm: float
    needed_Nm: float
    decided: bool


class WidthsJson(TypedDict):
    """How wide 95 % intervals are or should be; `decides` is None without a question."""

    curve_width_Nm: float
    curve_width_percent: float
    parameter_widths: dict[str, float | None]
    asked: list[AskedJson]
    decides: bool | None


class CardJson(TypedDict):
    """A test card: what to do for one part of an option."""

    kind: str
    space: str
    tools: str
    steps: list[str]
    caution: str


class OptionJson(TypedDict):
    """One thing to do, and the widths that it should leave; `arcs` are the fields of `next_test.Arcs`."""

    name: str
    minutes: float
    laps: int | None
    parts: list[CardJson]
    arcs: list[dict[str, Any]]
    then: WidthsJson


class PlanJson(TypedDict):
    """Schema 1 of a plan, the best option first."""

    schema: int
    logs: list[str]
    question: str | None
    answer: str
    stated: list[str]
    logs_alone: WidthsJson
    now: WidthsJson
    options: list[OptionJson]
    cautions: list[str]


def plan_result(plan: Plan) -> PlanJson:
    """Schema 1 of a plan."""
    found: PlanJson = {
        "schema": 1,
        "logs": list(plan.logs),
        "question": plan.question,
        "answer": plan_words.answer(plan),
        "stated": list(plan.stated),
        "logs_alone": _widths(plan.blind),
        "now": _widths(plan.now),
        "options": [_option(option) for option in plan.options],
        "cautions": list(CAUTIONS),
    }
    return plain(found)


def _option(option: Option) -> OptionJson:
    return {
        "name": plan_words.name(option),
        "minutes": option.minutes,
        "laps": option.laps,
        "parts": [
            {
                "kind": kind,
                "space": plan_words.SPACE[kind],
                "tools": plan_words.TOOLS[kind],
                "steps": list(plan_words.steps(kind, option)),
                "caution": plan_words.CAUTIONS_OF[kind],
            }
            for kind in option.kinds
        ],
        "arcs": [dataclasses.asdict(arc) for arc in option.arcs],
        "then": _widths(option.then),
    }


def _widths(widths: Widths) -> WidthsJson:
    return {
        "curve_width_Nm": widths.curve_Nm,
        "curve_width_percent": 100 * widths.curve_share,
        "parameter_widths": dict(widths.parameters),
        "asked": [
            {"name": one.name, "width_Nm": one.width_Nm, "needed_Nm": one.needed_Nm, "decided": one.decided}
            for one in widths.asked
        ],
        "decides": widths.decides,
    }
