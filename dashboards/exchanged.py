"""What pages and browser hand each other: parts of a page, and the data of its stores as callbacks get and give it."""

from typing import Any, NotRequired, TypeAlias, TypedDict

import plotly.graph_objects as go
from dash.development.base_component import Component

from analyzer.presentation.plan_json import PlanJson
from analyzer.presentation.plan_words import CardWords

Children: TypeAlias = list[Component | str | None]
Drawn: TypeAlias = go.Figure | dict[str, Any]  # {} where there is nothing to draw
Values: TypeAlias = list[str | float | None]  # what stands in the fields of a form, as typed
FieldIds: TypeAlias = list[dict[str, str]]  # table and key of each of them


class Tick(TypedDict):
    """A tick of a page's clock (`assets/at_once.js`): its number and when (ms)."""

    n: int
    at: float


class Answered(TypedDict):
    """To which tick a page has its answer, and whether the clock may stand; `shown` tells one list of runs from
    another, `done` is the comparison that is there to see."""

    over: bool
    n: NotRequired[int | None]
    shown: NotRequired[str]
    done: NotRequired[str | None]


class Uploaded(TypedDict):
    """A file that was given: its key, and its name in the logbook and as it was sent."""

    key: str
    name: NotRequired[str]
    sent: NotRequired[str]


class PartsFile(TypedDict):
    """A parts file that was given; it is not kept, so the page has its text."""

    text: str
    name: str
    sent: str


class Pressed(TypedDict):
    """The run, or comparison, whose button was pressed; the press is counted, so that two of a kind are two changes."""

    run: str
    at: NotRequired[int]
    press: NotRequired[int]


class Option(TypedDict):
    """An entry of a choice."""

    label: str
    value: str


class Saved(TypedDict):
    """A file for the browser to save."""

    content: str
    filename: str
    type: str


class PlanAnswer(TypedDict):
    """What the child process answers to what to do next: the plan, its words, and the test card as HTML."""

    plan: PlanJson
    words: CardWords
    card: str


class WorthJson(TypedDict):
    """A `planning.worth.Worth` as JSON."""

    figure: str
    step: float
    percent: float | None
    stated: bool
    moved: dict[str, float | None]


class WorthAnswer(TypedDict):
    """What the child process answers to what each figure of a car file is worth."""

    worth: list[WorthJson]
