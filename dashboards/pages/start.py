"""Start page: choose log, car and setup, see the analysed runs."""

import hashlib
import json
from typing import Any

import dash
from dash import ALL, ClientsideFunction, Dash, Input, Output, State, ctx, dcc, html
from plotly.utils import PlotlyJSONEncoder

from analyzer.errors import HalfshaftError
from dashboards.jobs import Jobs
from dashboards.logbook import KINDS, Logbook, Run
from dashboards.pages.clock import clock, polled
from dashboards.pages.parts import breakable, in_guide, when

STATE_WORDS = {
    "waiting": "waiting for its turn",
    "running": "being analysed",
    "done": "done",
    "failed": "could not be analysed",
    "cancelled": "cancelled",
}
MARKS = {"waiting": "…", "running": "▸", "done": "✓", "failed": "✕", "cancelled": "–"}


def layout(logbook: Logbook) -> html.Div:
    """The page."""
    shown = _run_list(logbook)
    return html.Div(
        [
            html.H1("What did the differential do?"),
            html.P(
                "Give a log of the session and the figures of the car. You get where the inside rear wheel spun, where "
                "the axle was locked, and the lock curve that was really on track."
            ),
            html.Section(
                [
                    html.H2("Analyse a log"),
                    html.Div(
                        [
                            _chooser(
                                "log",
                                "1. Log of the session",
                                "drop it here, or choose a file: CSV, Parquet, Arrow or MDF 4, up to 1 GB",
                            )
                        ]
                    ),
                    html.Div(
                        [
                            _settings(logbook, "car", "2. Car file", "choose one, or give yours below"),
                            _settings(logbook, "setup", "3. Setup file (may be left out)", "none"),
                        ],
                        className="two",
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
                    html.Div(shown, id="run-list", **{"aria-live": "polite"}),
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
            dcc.ConfirmDialog(id="sure"),
            *clock("runs", answered={"shown": _digest(shown)}),
        ]
    )


def _way_to_compare() -> list:
    """Where the runs that are marked go."""
    return [
        html.Div(dcc.Link("", href="/compare", id="compare-marked", className="button main"), id="marked", hidden=True),
        html.Span("Mark runs 'before' and 'after' a change to compare them.", id="how-to-mark", className="hint"),
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


def _another(kind: str) -> list:
    """Where another file comes from."""
    if kind == "setup":
        return ["or a TOML file of yours; the ", dcc.Link("setup file", href="/setup"), " makes one"]
    sample = html.A("save the sample's", href="/sample/car", download="")
    return ["or a TOML file of yours: ", sample, ", write your figures in (", in_guide("user#car-file", "how"), ")"]


def _options(logbook: Logbook, kind: str) -> list[dict]:
    return [
        {"label": f"{f.name} (sample, invented)" if f.key == "sample" else f.name, "value": f.key}
        for f in logbook.files(kind)
    ]


def _run_list(logbook: Logbook) -> list:
    runs = list(logbook.runs())
    if not runs:
        return [html.P("None yet. Drop a log above, or try the sample run.", className="hint")]
    return [_run_line(run) for run in runs]


def _digest(parts: list) -> str:
    """Tells one list from another."""
    return hashlib.sha256(json.dumps(parts, cls=PlotlyJSONEncoder).encode()).hexdigest()


def _run_line(run: Run) -> html.Div:
    setup = f", {run.setup_name}" if run.setup_name else ""
    earlier = "" if run.latest else "; the log was analysed anew since, with another car file, setup file or map"
    under = [html.Div(f"{run.car_name}{setup}; {when(run.started)}{earlier}", className="hint")]
    if run.state in ("waiting", "running"):
        under += [
            html.Div(
                [
                    html.Progress(value=str(round(run.share, 3)), max="1", **{"aria-label": "progress"}),
                    html.Span(run.step or "waiting", className="hint"),
                    html.Button("Cancel", id={"type": "cancel", "run": run.id}, className="quiet"),
                ],
                className="progress",
            )
        ]
    if run.message:
        under.append(html.P(run.message, className="refusal" if run.state == "failed" else "hint"))
    links = []
    if run.state == "done":
        links = [
            html.Button(
                side,
                id={"type": "side", "run": run.id, "side": side},
                className="quiet mark",
                **{"aria-label": f"{run.log_name}: {side} the change"},
            )
            for side in ("before", "after")
        ]
        links.append(dcc.Link("Open", href=f"/run/{run.id}", className="button main"))
    if run.state in ("done", "failed"):
        links.append(dcc.Link("Log check", href=f"/run/{run.id}/log", className="button quiet"))
    if run.state not in ("waiting", "running"):
        links.append(
            html.Button(
                "Remove",
                id={"type": "remove", "run": run.id},
                className="quiet",
                **{"aria-label": f"remove {run.log_name}"},
            )
        )
    return html.Div(
        [
            html.Div([html.Strong(breakable(run.log_name)), *under], className="grow"),
            html.Span(f"{MARKS[run.state]} {STATE_WORDS[run.state]}", className=f"state {run.state}"),
            html.Div(links, className="buttons"),
        ],
        className="run-line",
    )


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    polled(app, "runs")
    for kind in ("remove", "cancel"):
        app.clientside_callback(
            ClientsideFunction("at_once", "run_of"),
            Output(f"to-{kind}", "data"),
            Input({"type": kind, "run": ALL}, "n_clicks"),
            prevent_initial_call=True,
        )

    app.clientside_callback(
        ClientsideFunction("at_once", "side"),
        Output("sides", "data"),
        Input({"type": "side", "run": ALL, "side": ALL}, "n_clicks"),
        State("sides", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("at_once", "marked"),
        Output("compare-marked", "href"),
        Output("compare-marked", "children"),
        Output("marked", "hidden"),
        Output("how-to-mark", "hidden"),
        Input("sides", "data"),
        Input("run-list", "children"),
    )

    @app.callback(
        Output("run-list", "children"),
        Output("runs-answered", "data"),
        Input("runs-tick", "data"),
        Input("changed", "data"),
        Input("cancelled", "data"),
        State("runs-answered", "data"),
        prevent_initial_call=True,
    )
    def _refresh(tick: dict | None, _: Any, __: Any, before: dict) -> tuple:
        fresh = _run_list(logbook)
        answered = {"n": (tick or {}).get("n"), "shown": _digest(fresh)}
        # drawn anew only when it changed: a button that is replaced loses the keyboard's focus
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
    def _begin(_: int, __: int, log: dict | None, car: str | None, setup: str | None) -> tuple:
        try:
            if ctx.triggered_id == "sample":
                run_id = logbook.new_run(log_key="sample", car_key="sample", setup_key="sample")
            elif not log:
                return "Choose a log first: drop it on the first field or press its button.", dash.no_update
            elif not car:
                return (
                    "Choose a car file, or give yours: without mass, tracks and radii no torque can be told.",
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
        def _added(stored: dict | None, kind: str = kind) -> tuple:
            return _options(logbook, kind), stored["key"] if stored else dash.no_update

    @app.callback(Output("cancelled", "data"), Input("to-cancel", "data"), prevent_initial_call=True)
    def _cancel(asked: dict) -> dict:
        try:
            jobs.cancel(asked["run"])
        except HalfshaftError:  # somebody else removed it meanwhile
            pass
        return asked

    @app.callback(
        Output("sure", "message"),
        Output("sure", "displayed"),
        Input("to-remove", "data"),
        prevent_initial_call=True,
    )
    def _ask(asked: dict) -> tuple:
        try:
            return _warning(logbook.run(asked["run"])), True
        except HalfshaftError:  # somebody else removed it meanwhile
            return dash.no_update, False

    @app.callback(
        Output("start-refusal", "children", allow_duplicate=True),
        Output("changed", "data", allow_duplicate=True),
        Input("sure", "submit_n_clicks"),
        State("to-remove", "data"),
        prevent_initial_call=True,
    )
    def _remove(_: int, asked: dict) -> tuple:
        try:
            logbook.remove_run(asked["run"])
        except HalfshaftError as error:
            return str(error), asked
        return "", asked


def _warning(run: Run) -> str:
    return (
        f"Remove {run.log_name}, started {when(run.started)}? Its results and comparisons are deleted for good, and "
        "the uploaded log too when no other run uses it. This cannot be undone."
    )
