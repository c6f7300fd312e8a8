"""Pieces that several pages share."""

import re
import time
from collections.abc import Sequence
from typing import Any, TypeAlias

import plotly.graph_objects as go
from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from analyzer.analysis import Analysis
from analyzer.presentation.figures.theme import BLUE, CONFIG
from analyzer.presentation.words import why_not_measured
from dashboards.exchanged import Answered, Children
from dashboards.run_records import Run

Cell: TypeAlias = Component | str | float | None
CLEAR = "rgba(0,0,0,0)"
NOT_YET = {
    "layout": {"xaxis": {"visible": False}, "yaxis": {"visible": False}, "paper_bgcolor": CLEAR, "plot_bgcolor": CLEAR}
}


def chart(
    chart_id: str,
    read: str,
    *,
    figure: go.Figure | None = None,
    label: str,
    section: str | None = None,
    broad: bool = False,
) -> html.Div:
    """A chart with the sentence that says how to read it, and a link to the section of the guide that says more; a
    `broad` one is not squeezed onto a phone."""
    more = [] if section is None else [" ", in_guide(section, f"More about the {label}")]
    graph = dcc.Graph(id=chart_id, config=CONFIG, figure=NOT_YET if figure is None else figure)
    return html.Div(
        [why(read, *more), html.Div(graph, role="group", className="broad" if broad else "", **{"aria-label": label})]
    )


def why(*words: Component | str) -> html.Details:
    """An explanation behind an icon."""
    return html.Details([html.Summary("i", **{"aria-label": "how to read it"}), html.P(list(words))], className="why")


def progress(run: Run, cancel_id: dict[str, str]) -> html.Div:
    """How far a run or a comparison is, for how long it has been going on, and a way to end it. Where nobody knows how
    far it is, the bar runs to and fro."""
    known = {"value": str(round(run.share, 3)), "max": "1"} if run.share > 0 else {}
    return html.Div(
        [
            html.Progress(**known, **{"aria-label": "progress"}),
            html.Span(run.step or "waiting", className="hint"),
            html.Span(className="hint", **{"data-since": f"{run.started:.0f}"}),
            html.Button("Cancel", id=cancel_id, className="quiet"),
        ],
        className="progress",
    )


PAGES_OF_A_RUN = {
    "Run": "/run/{}",
    "What if": "/run/{}/what-if",
    "Plan": "/run/{}/plan",
    "Setup": "/setup?run={}",
    "Car": "/car?run={}",
    "Log check": "/run/{}/log",
}


def ways_of(run_id: str | None, here: str, *more: Component) -> html.Div:
    """The pages of a finished run, the same on each of them, with the one that is open marked; none without a run.

    Parameters
    ----------
    here : name of the page that is open, a key of `PAGES_OF_A_RUN`.
    *more : what else stands there.
    """
    links = [
        dcc.Link(name, href=address.format(run_id), className="here" if name == here else "")
        for name, address in PAGES_OF_A_RUN.items()
        if run_id is not None
    ]
    nav = html.Nav(links, className="pages", **{"aria-label": "pages of this run"})
    return html.Div([*([nav] if links else []), *more], className="ways")


def form_ending(form: str, done: tuple[str, str]) -> Children:
    """What a form in a dialog ends with: its refusal, the button that does it (id, words) and *Cancel*."""
    button, words = done
    buttons = [
        html.Button(words, id=button, className="main"),
        html.Button("Cancel", id=f"{form}-cancel", className="quiet"),
    ]
    return [
        html.Div(id=f"{form}-refusal", role="alert", className="refusal"),
        html.Div(buttons, className="buttons"),
    ]


def waiting(step: str, share: float) -> Children:
    """How far a question is that somebody asked; where nobody knows, the bar runs to and fro."""
    known = {"value": str(share), "max": "1"} if share else {}
    bar = html.Progress(**known, **{"aria-label": "progress"})
    return [html.Div([bar, html.Span(step, className="hint")], className="progress")]


def breakable(name: str) -> Children:
    """A file's name that a narrow place breaks after an underscore, where a person would."""
    first, *rest = re.split("(?<=_)", name)
    return [first, *(piece for part in rest for piece in (html.Wbr(), part))]


def in_guide(section: str, words: str) -> html.A:
    """A link to a section of the guide, such as `user#lock-plot`, in a tab of its own: what was picked stays."""
    return html.A(words, href=f"/guide/{section}", target="_blank", rel="noopener")


def labelled(title: str, control: Any, *, wide: bool = False, beside: bool = False) -> html.Div:
    """A control, which has an id, under its label, or beside it."""
    look = "wide" if wide else "beside-label" if beside else ""
    return html.Div([html.Label(title, htmlFor=control.id), control], className=look)


def table(headings: list[str], rows: Sequence[Sequence[Cell]], *, words: int | tuple[int, ...] = 1) -> html.Div:
    """A scrolling table; the first `words` columns, or those numbered, are text, the others numbers."""
    text = range(words) if isinstance(words, int) else words

    def look(column: int) -> str:
        return "words" if column in text else ""

    head = html.Tr([html.Th(h, scope="col", className=look(k)) for k, h in enumerate(headings)])
    body = [html.Tr([html.Td(v, className=look(k)) for k, v in enumerate(row)]) for row in rows]
    return html.Div(html.Table([html.Thead(head), html.Tbody(body)]), className="scroll", tabIndex="0")


def not_measured(analysis: Analysis) -> list[html.P]:
    """Why some parameters have no number."""
    return [html.P(reason, className="hint") for reason in why_not_measured(analysis.lock_curve.parameters)]


def when(moment_s: float) -> str:
    """Local date and time of a moment (s since the epoch)."""
    return time.strftime("%d %b %Y, %H:%M", time.localtime(moment_s))


CLOCK_MS = 700


def clock(name: str, *, answered: Answered) -> Children:
    """What ticks: the callback that is asked has `Input(f"{name}-tick", "data")`, {n, at}, and answers, besides what it
    shows, {n} of that tick to `Output(f"{name}-answered", "data")`; with `over` true the clock stands."""
    return [
        dcc.Interval(id=f"{name}-clock", interval=CLOCK_MS),
        dcc.Store(id=f"{name}-tick"),
        dcc.Store(id=f"{name}-answered", data=answered),
    ]


def polled(app: Dash, name: str) -> None:
    """The callback that lets the clock tick."""
    app.clientside_callback(
        ClientsideFunction("at_once", "tick"),
        Output(f"{name}-tick", "data"),
        Input(f"{name}-clock", "n_intervals"),
        State(f"{name}-answered", "data"),
        State(f"{name}-tick", "data"),
        prevent_initial_call=True,
    )


BLUE_ON_DARK = "#7cc0ee"


def readable(figure: go.Figure, mode: str) -> go.Figure:
    """The figure, with the deep blue of lines, marks and bars lightened in dark mode."""
    if mode == "dark":
        for trace in figure.data:
            for name in ("line", "marker", "error_y"):
                part = getattr(trace, name, None)
                if part is not None and isinstance(part.color, str) and part.color == BLUE:
                    part.color = BLUE_ON_DARK
    return figure
