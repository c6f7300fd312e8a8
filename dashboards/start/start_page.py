"""Start page: choose log, car and setup, see the analysed runs."""

import hashlib
import json
from pathlib import Path
from typing import Any

import dash
from dash import ClientsideFunction, Dash, Input, NoUpdate, Output, State, ctx, dcc, html

from analyzer.errors import HalfshaftError
from dashboards.exchanged import Answered, Children, Option, Pressed, Tick, Uploaded
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import clock, labelled, polled
from dashboards.start import dialogs
from dashboards.start.run_list import ORDERS, run_list
from dashboards.uploads import KINDS


def layout(logbook: Logbook) -> html.Div:
    """The page."""
    shown = run_list(logbook)
    return html.Div(
        [
            html.Div(
                [
                    html.H1("What did the differential do?"),
                    html.Span(
                        "A log and the figures of the car show where the inside rear spun and how the axle locked.",
                        className="facts",
                    ),
                ],
                className="title",
            ),
            html.Section(
                [
                    html.H2("Analyse a log"),
                    html.Div(
                        [
                            _chooser(
                                "log",
                                "1. Log of the session",
                                "drop it here, or choose a file: CSV, Parquet, Arrow, MDF 4, spreadsheet, up to 1 GB",
                            ),
                            _settings(logbook, "car", "2. Car file", "choose one, or give yours below"),
                            _settings(logbook, "setup", "3. Setup file (may be left out)", "none"),
                        ],
                        className="three",
                    ),
                    html.Div(
                        [
                            html.Button("Analyse", id="analyse", className="main"),
                            html.Button("Try the sample run", id="sample", className="quiet"),
                            html.Span("invented car, invented circuit", className="hint"),
                        ],
                        className="buttons",
                    ),
                    html.Div(id="start-refusal", role="alert", className="refusal"),
                ],
                className="panel",
            ),
            html.Section(
                [
                    html.Div([html.H2("Runs in this logbook"), *_way_to_compare()], className="heading"),
                    html.Div(
                        [
                            labelled(
                                "search",
                                dcc.Input(
                                    id="search", type="search", debounce=0.2, placeholder="log, driver, tyres, notes"
                                ),
                                wide=True,
                            ),
                            labelled("order", dcc.Dropdown(ORDERS, "newest", id="run-order", clearable=False)),
                        ],
                        className="tools",
                        hidden=len(logbook.runs()) < 2,
                        id="run-tools",
                    ),
                    html.Div(id="run-list", **{"aria-live": "polite"}),
                    dcc.Store(id="runs-told", data=shown),
                ],
                className="panel",
            ),
            dcc.Store(id="uploaded-log"),
            dcc.Store(id="uploaded-car"),
            dcc.Store(id="uploaded-setup"),
            dcc.Store(id="to-remove"),
            dcc.Store(id="to-cancel"),
            dcc.Store(id="sides", data={}),
            dcc.Store(id="changed"),
            dcc.Store(id="cancelled"),
            dcc.Store(id="to-keep"),
            dcc.Store(id="to-repeat"),
            dialogs.about_form(),
            *dialogs.more_logs_form(),
            *clock("runs", answered={"shown": _digest(shown), "over": shown["over"]}),
        ]
    )


def _way_to_compare() -> Children:
    """Where the runs that are marked go."""
    return [
        html.Div(dcc.Link("", href="/compare", id="compare-marked", className="button main"), id="marked", hidden=True),
        html.Span(
            [
                "Mark runs 'before' and 'after' a change to compare them, or see the preload ",
                dcc.Link("over the season", href="/season"),
                ".",
            ],
            id="how-to-mark",
            className="hint",
        ),
    ]


def _chooser(kind: str, title: str, words: str) -> html.Div:
    endings, _ = KINDS[kind]
    return html.Div(
        [
            html.Label(
                [
                    html.Span(title, className="field-title"),
                    html.Span(words, className="hint"),
                ],
                htmlFor=f"file-{kind}",
            ),
            html.Div(id=f"picker-{kind}", className="picker", **{"data-kind": kind, "data-endings": ",".join(endings)}),
        ],
        className="drop" if kind == "log" else "choose",
        id=f"drop-{kind}",
        **{"data-drop": kind},
    )


def _settings(logbook: Logbook, kind: str, title: str, nothing: str) -> html.Div:
    """The files of a kind that there are, and a way to give another. The car given last is taken; never the sample's,
    whose figures would give every other car a wrong answer."""
    own = [f.key for f in logbook.files(kind) if f.key != "sample"]
    return html.Div(
        [
            html.Label(title, htmlFor=f"choice-{kind}", className="field-title"),
            dcc.Dropdown(
                id=f"choice-{kind}",
                options=_options(logbook, kind),
                value=own[0] if own and kind == "car" else None,
                clearable=kind == "setup",
                placeholder=nothing,
            ),
            html.Div(_another(kind), className="hint"),
            html.Div(
                id=f"picker-{kind}", className="picker", **{"data-kind": kind, "data-endings": ",".join(KINDS[kind][0])}
            ),
        ],
        **{"data-drop": kind},
    )


def _another(kind: str) -> Children:
    """Where another file comes from."""
    return ["or a TOML file of yours; the ", dcc.Link(f"{kind} form", href=f"/{kind}"), " makes one"]


def _options(logbook: Logbook, kind: str) -> list[Option]:
    return [
        {"label": f"{f.name} (sample, invented)" if f.key == "sample" else f.name, "value": f.key}
        for f in logbook.files(kind)
    ]


def _digest(told: dict[str, Any]) -> str:
    """Tells one list from another."""
    return hashlib.sha256(json.dumps(told).encode()).hexdigest()


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    polled(app, "runs")
    dialogs.register(app, logbook, jobs)
    app.clientside_callback(ClientsideFunction("runs", "draw"), Output("run-list", "title"), Input("runs-told", "data"))
    app.clientside_callback(
        ClientsideFunction("runs", "marked"),
        Output("compare-marked", "href"),
        Output("compare-marked", "children"),
        Output("marked", "hidden"),
        Output("how-to-mark", "hidden"),
        Input("sides", "data"),
    )

    @app.callback(
        Output("runs-told", "data"),
        Output("runs-answered", "data"),
        Input("runs-tick", "data"),
        Input("changed", "data"),
        Input("cancelled", "data"),
        Input("search", "value"),
        Input("run-order", "value"),
        State("runs-answered", "data"),
        prevent_initial_call=True,
    )
    def _refresh(
        tick: Tick | None,
        _: str | Pressed | None,
        __: Pressed | None,
        search: str | None,
        order: str | None,
        before: Answered,
    ) -> tuple[dict[str, Any] | NoUpdate, Answered]:
        fresh = run_list(logbook, search, order)
        # nothing is asked for where nothing is under way
        answered: Answered = {
            "n": tick["n"] if tick else None,
            "shown": _digest(fresh),
            "over": fresh["over"],
        }
        return dash.no_update if answered["shown"] == before["shown"] else fresh, answered

    @app.callback(
        Output("start-refusal", "children"),
        Output("changed", "data"),
        Input("analyse", "n_clicks"),
        Input("sample", "n_clicks"),
        State("uploaded-log", "data"),
        State("choice-car", "value"),
        State("choice-setup", "value"),
        prevent_initial_call=True,
    )
    def _begin(_: int, __: int, log: Uploaded | None, car: str | None, setup: str | None) -> tuple[str, str | NoUpdate]:
        try:
            if ctx.triggered_id == "sample":
                run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
            elif not log:
                return "Choose a log first: drop it on the first field or press its button.", dash.no_update
            elif not car:
                return (
                    "Choose a car file, or give yours: without mass, tracks and radii there are no torques.",
                    dash.no_update,
                )
            else:
                run_id = logbook.new_run(log_key=log["key"], car_key=car, setup_key=setup)
        except HalfshaftError as error:
            return str(error), dash.no_update
        jobs.start(run_id)
        return "", run_id

    for kind in ("car", "setup"):

        @app.callback(
            Output(f"choice-{kind}", "options"),
            Output(f"choice-{kind}", "value"),
            Input(f"uploaded-{kind}", "data"),
            prevent_initial_call=True,
        )
        def _added(stored: Uploaded | None, kind: str = kind) -> tuple[list[Option], str | NoUpdate]:
            return _options(logbook, kind), stored["key"] if stored else dash.no_update

    @app.callback(Output("cancelled", "data"), Input("to-cancel", "data"), prevent_initial_call=True)
    def _cancel(asked: Pressed) -> Pressed:
        try:
            jobs.cancel(asked["run"])
        except HalfshaftError:  # somebody else removed it meanwhile
            pass
        return asked

    @app.callback(
        Output("start-refusal", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input("to-remove", "data"),
        Input("to-keep", "data"),
        Input("to-repeat", "data"),
        prevent_initial_call=True,
    )
    def _other(
        remove: Pressed | None, keep: Pressed | None, repeat: Pressed | None
    ) -> tuple[str | NoUpdate, Pressed | NoUpdate]:
        what = ctx.triggered_id
        asked = {"to-remove": remove, "to-keep": keep, "to-repeat": repeat}[what]
        if asked is None:
            return dash.no_update, dash.no_update
        try:
            if what == "to-remove":
                logbook.remove_run(asked["run"])
            elif what == "to-keep":
                logbook.keep_run(asked["run"])
            else:
                again = logbook.job(asked["run"])
                text = Path(again["channels"]).read_text("utf-8") if again["channels"] else None
                keys = again["keys"]
                made = logbook.new_run(
                    log_key=keys["log"], car_key=keys["car"], setup_key=keys["setup"], channel_map=text
                )
                jobs.start(made)
        except HalfshaftError as error:
            return str(error), asked
        return "", asked
