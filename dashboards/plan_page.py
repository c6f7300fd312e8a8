"""Plan page: what somebody wants to know, what to measure or drive for it, best first, and a test card to print."""

import re
from urllib.parse import parse_qs, quote

import dash
from dash import Dash, Input, NoUpdate, Output, State, dcc, html
from dash.development.base_component import Component

from analyzer.errors import InputError
from analyzer.in_words import capitalised
from analyzer.presentation.plan_json import OptionJson, PlanJson, WidthsJson
from analyzer.presentation.plan_words import PLAIN
from dashboards.exchanged import Answered, Children, PlanAnswer, Saved, Tick
from dashboards.jobs import Asking, Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, clock, labelled, polled, waiting, ways_of, why

CHANGES = {  # what may be changed -> (words, size to begin with)
    "preload": ("preload, N.m", "30"),
    "preload%": ("preload, %", "20"),
    "drive_slope%": ("drive slope, %", "20"),
    "coast_slope%": ("coast slope, %", "20"),
}
MOST_SHOWN = 2.5  # a bar ends at so many times the width that decides
LEAST_BAR = 1.5  # per cent: a bar of a width near zero is still seen


def layout(logbook: Logbook, run_id: str, search: str) -> html.Div:
    """The page of a finished run; `?question=` is `agrees`, a change such as `preload=30`, or `none`.

    Raises
    ------
    InputError : no such run, or it is not finished.
    """
    run = logbook.finished(run_id)
    question = parse_qs(search.lstrip("?")).get("question", [""])[0]
    return html.Div(
        [
            dcc.Store(id="plan-run", data=run_id),
            dcc.Store(id="plan-question", data=question),
            html.Div(
                [
                    html.H1(["What to do next: ", *breakable(run.name)]),
                    html.Span("What would you measure or drive to know more?", className="facts"),
                    ways_of(run_id, "Plan"),
                ],
                className="title",
            ),
            html.Section(_questions(run_id, question, has_setup=run.setup_name is not None), className="panel asked"),
            html.Div(id="plan-told", **{"aria-live": "polite"}),
            dcc.Download(id="plan-file"),
            *clock("plan", answered={"over": not question}),
        ],
        className="plan",
    )


def _questions(run_id: str, question: str, *, has_setup: bool) -> Children:
    """The three questions: two links, and one with a size to fill in."""
    name, size, percent = _change(question)
    here = f"/run/{run_id}/plan?question="

    def way(words: str, key: str, hint: str) -> dcc.Link:
        look = "chosen" if question == key else ""
        return dcc.Link([html.Strong(words), html.Span(hint, className="hint")], href=here + key, className=look)

    agrees: Component = way(
        "Does it agree with its parts?", "agrees", "preload, drive and coast against the setup file"
    )
    if not has_setup:
        agrees = html.Span(
            [
                html.Strong("Does it agree with its parts?"),
                html.Span(
                    [
                        "This run has no setup file. ",
                        dcc.Link("Fill one in", href=f"/setup?run={run_id}"),
                        " and analyse again with it.",
                    ],
                    className="hint",
                ),
            ]
        )
    key = name + percent
    change = html.Div(
        [
            html.Strong("Would a change be seen?"),
            html.Div(
                [
                    labelled(
                        "change of",
                        dcc.Dropdown(
                            {k: words for k, (words, _) in CHANGES.items()},
                            key if key in CHANGES else "preload",
                            id="plan-what",
                            clearable=False,
                        ),
                    ),
                    labelled(
                        "by",
                        dcc.Input(
                            id="plan-size",
                            type="text",
                            inputMode="decimal",
                            value=size or CHANGES["preload"][1],
                            autoComplete="off",
                        ),
                    ),
                    html.Button("Plan it", id="plan-change", className="main"),
                ],
                className="tools",
            ),
            html.Div(id="plan-refusal", role="alert", className="refusal"),
        ],
        className="change" + (" chosen" if name else ""),
    )
    known = way("How well is the lock curve known?", PLAIN, "by the logs alone, and what would narrow it most")
    return [html.H2("What do you want to know?"), html.Div([agrees, change, known], className="ways-to-ask")]


def _change(question: str) -> tuple[str, str, str]:
    """Name, size and `%` or nothing, of a question about a change; empty where it is none."""
    found = re.fullmatch(r"(\w+)=([+-]?[\d.]+)(%?)", question)
    return (found[1], found[2], found[3]) if found else ("", "", "")


def told(answer: PlanAnswer) -> Children:
    """The plan: the answer, then every option with its bars and its card."""
    plan, words = answer["plan"], answer["words"]
    asked = [one["name"] for one in plan["now"]["asked"]]
    top = _top(plan)
    heads = [
        html.Div(
            [
                html.Span(),
                html.Span("takes"),
                html.Span(_bar_heading(asked, top), className="bar-head"),
                html.Span("decides" if asked else "curve"),
            ],
            className="option-line heads",
        )
    ]
    now = html.Div(
        [
            html.Span("nothing more"),
            html.Span("–"),
            _bars(plan["now"], top),
            html.Span(_verdict(plan["now"]) if asked else _curve(plan["now"])),
        ],
        className="option-line now",
    )
    rows = [
        html.Details(
            [
                html.Summary(
                    html.Div(
                        [
                            html.Span(f"{k + 1}. {option['name']}", className="name"),
                            html.Span(words["takes"][k]),
                            _bars(option["then"], top),
                            html.Span(words["decides"][k] if asked else _curve(option["then"])),
                        ],
                        className="option-line",
                    )
                ),
                html.Div(_card(option, words["named"][k]), className="card"),
            ],
            open=k == 0,
            className="option",
        )
        for k, option in enumerate(plan["options"])
    ]
    return [
        html.Section(
            [
                html.Div(
                    [
                        html.Div(
                            [
                                html.P(words["question"], className="hint"),
                                html.P(html.Strong(plan["answer"]), className="answer"),
                            ]
                        ),
                        html.Div(
                            [
                                html.Button(
                                    "Print", id="print", className="quiet", **{"aria-label": "Print, or save as PDF"}
                                ),
                                html.Button("Test card (HTML)", id="plan-card", className="quiet"),
                            ],
                            className="buttons",
                        ),
                    ],
                    className="heading kept",
                ),
                html.P([words["needed"], " ", words["stated"]], className="hint") if asked else None,
            ],
            className="panel",
        ),
        html.Section(
            [
                html.Div([html.H2("Options, best first"), why(words["read"])], className="bar"),
                html.P("Open one for its test card. Print takes the open ones.", className="hint screen-only"),
                *heads,
                now,
                *rows,
            ],
            className="panel options",
        ),
    ]


def _top(plan: PlanJson) -> float:
    """Where the bars end: in widths that decide, or without a question in per cent of the curve."""
    every = [plan["now"], *(option["then"] for option in plan["options"])]
    if not plan["now"]["asked"]:
        return max(one["curve_width_percent"] for one in every)
    return min(MOST_SHOWN, max(1.1, *(a["width_Nm"] / a["needed_Nm"] for one in every for a in one["asked"])))


def _bar_heading(asked: list[str], top: float) -> Children:
    if not asked:
        return ["95 % interval of the lock curve, share of it"]
    return [html.I("decides left of the line", style={"left": f"{100 / top:.1f}%"})]


def _bars(widths: WidthsJson, top: float) -> html.Div:
    """One bar for each thing asked, whole where it is decided; without a question one for the curve."""
    asked = widths["asked"]
    if not asked:
        share = 100 * widths["curve_width_percent"] / top
        return html.Div(html.Div(html.I(style=_wide(share), className="decided"), className="rail"), className="bars")
    lines = []
    for one in asked:
        ratio = one["width_Nm"] / one["needed_Nm"]
        words = f"{one['name']}: {one['width_Nm']:.0f} N.m wide, {one['needed_Nm']:.0f} decides"
        look = "decided" if one["decided"] else "open"
        lines.append(
            html.Div(
                [
                    html.Span(one["name"], className="side-name"),
                    html.Div(
                        [
                            html.I(style=_wide(100 * min(ratio / top, 1.0)), className=look),
                            html.B(style={"left": f"{100 / top:.1f}%"}),
                        ],
                        className="rail",
                    ),
                    html.Span(f"{one['width_Nm']:.0f} N.m", className="width"),
                ],
                title=words,
                className="bar-line",
            )
        )
    return html.Div(lines, className="bars")


def _wide(percent: float) -> dict[str, str]:
    return {"width": f"{max(percent, LEAST_BAR):.1f}%"}


def _verdict(widths: WidthsJson) -> str:
    short = [one["name"] for one in widths["asked"] if not one["decided"]]
    return "yes" if not short else "not yet"


def _curve(widths: WidthsJson) -> str:
    return f"{widths['curve_width_percent']:.0f} %, {widths['curve_width_Nm']:.0f} N.m"


def _card(option: OptionJson, names: list[str]) -> Children:
    """The test card: what to do, where, with what, and what to take care of."""
    parts = []
    for part, name in zip(option["parts"], names, strict=True):
        parts += [
            html.H3(capitalised(name)),
            html.P([html.Strong("Caution: "), part["caution"]], className="caution"),
            html.Ol([html.Li(step) for step in part["steps"]]),
            html.P([html.Strong("Space: "), part["space"], ". ", html.Strong("Tools: "), part["tools"], "."]),
        ]
    return parts


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""
    asking: Asking[PlanAnswer] = Asking(logbook, "plan")
    polled(app, "plan")

    @app.callback(
        Output("plan-told", "children"),
        Output("plan-answered", "data"),
        Input("plan-question", "data"),
        Input("plan-tick", "data"),
        State("plan-run", "data"),
        State("plan-answered", "data"),
    )
    def _plan(question: str, tick: Tick | None, run_id: str, before: Answered) -> tuple[Children, Answered]:
        if not question:
            return [], before | {"over": True}
        found = asking.state(run_id, question)
        if found is None or (found.error and tick is None):  # the first time here, or after the server was started anew
            found = asking.start(run_id, question)
        answered: Answered = {"n": tick["n"] if tick else None, "over": not found.under_way}
        if found.under_way:
            return waiting(found.step, found.share), answered
        if found.error or found.answer is None:
            return [html.P(found.error, className="refusal", role="alert")], answered
        return told(found.answer), answered

    @app.callback(
        Output("address", "pathname", allow_duplicate=True),
        Output("address", "search", allow_duplicate=True),
        Output("plan-refusal", "children"),
        Input("plan-change", "n_clicks"),
        State("plan-what", "value"),
        State("plan-size", "value"),
        State("plan-run", "data"),
        prevent_initial_call=True,
    )
    def _ask(
        clicks: int | None, what: str, size: str | None, run_id: str
    ) -> tuple[str | NoUpdate, str | NoUpdate, str | NoUpdate]:
        if not clicks:
            return dash.no_update, dash.no_update, dash.no_update
        try:
            question = asked_change(what, size or "")
        except InputError as error:
            return dash.no_update, dash.no_update, str(error)
        return f"/run/{run_id}/plan", f"?question={quote(question)}", ""

    @app.callback(
        Output("plan-file", "data"),
        Input("plan-card", "n_clicks"),
        State("plan-run", "data"),
        State("plan-question", "data"),
        prevent_initial_call=True,
    )
    def _card_file(clicks: int | None, run_id: str, question: str) -> Saved | NoUpdate:
        found = asking.state(run_id, question)
        if not clicks or found is None or not found.answer:
            return dash.no_update
        return {"content": found.answer["card"], "filename": "test_card.html", "type": "text/html"}


def asked_change(what: str, size: str) -> str:
    """The question of a change as the command line takes it.

    Raises
    ------
    InputError : the size is no number, or zero.
    """
    try:
        number = float(size.replace(",", "."))
    except ValueError:
        number = 0.0
    if number == 0.0 or not abs(number) < 1e6:
        raise InputError(f"The change is '{size[:20]}'; allowed: a number other than 0, such as 30. Write one.")
    return f"{what.removesuffix('%')}={number:g}{'%' if what.endswith('%') else ''}"
