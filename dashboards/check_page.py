"""Log check page: what was recognised, what is wrong and where, and the channel map to mend it with, column by
column.
"""

import math
from pathlib import Path
from typing import Any, TypedDict
from urllib.parse import parse_qs

import dash
import numpy as np
import plotly.graph_objects as go
from dash import Dash, Input, NoUpdate, Output, State, dcc, html

from analyzer.channels import CHANNELS, QUANTITIES
from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import capitalised, number, span, when
from analyzer.log_check import CheckJson, QualityJson
from analyzer.logs.registry import open_log
from analyzer.presentation.figures.theme import BLUE, GREY, ORANGE, VERMILLION, styled
from dashboards.exchanged import Children, Drawn
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, chart, readable, table, ways_of
from dashboards.run.lines import thinned
from dashboards.run.views import packed

PREVIEW_POINTS = 400
CHANNEL_HEADINGS = [
    "channel",
    "column",
    "unit in the file",
    "Hz",
    "lowest",
    "highest",
    "filled, %",
    "how it was recognised",
]
VERDICT_MARKS = {"yes": "✓\u00a0yes", "partly": "◐\u00a0partly", "no": "✕\u00a0no"}
READ = (
    "How to read it: one row a kind of fault, a bar where it lies in the log. Squares are errors, triangles "
    "warnings, circles information. Point at a bar for the sentence."
)
LOOKS = {"error": (VERMILLION, "square"), "warning": (ORANGE, "triangle-up"), "info": (BLUE, "circle")}


class Shown(TypedDict):
    """Which run's check the page shows, and of which of its logs, from 1."""

    run: str
    log: int


def columns_of(logbook: Logbook, run_id: str, number: int = 1) -> dict[str, Any]:
    """Names and units of a log's columns, and the channels with the units that each may have.

    Parameters
    ----------
    number : which of the run's logs, from 1.

    Raises
    ------
    InputError : no such run or log, or the log cannot be opened.
    """
    raw = open_log(logbook.log_of(run_id, number).path)
    return {
        "columns": [{"name": c.name, "unit": c.unit} for c in raw.columns],
        "channels": [
            {"name": name, "label": channel.label, "units": list(QUANTITIES[channel.quantity])}
            for name, channel in CHANNELS.items()
        ],
    }


def preview(logbook: Logbook, run_id: str, column: str, number: int = 1) -> dict[str, Any]:
    """A column's trace, thinned to a small picture, with its least and largest value.

    Parameters
    ----------
    number : which of the run's logs, from 1.

    Raises
    ------
    InputError : no such run, log or column, or the log cannot be opened.
    """
    raw = open_log(logbook.log_of(run_id, number).path)
    place = next((k for k, c in enumerate(raw.columns) if c.name == column), None)
    if place is None:
        raise InputError(f"The log has no column '{column}'; choose one of the list.")
    (values,), _ = raw.load([place])
    known = values[np.isfinite(values)]
    ends = [None, None] if not len(known) else [float(known.min()), float(known.max())]
    return {"values": packed(thinned(values, PREVIEW_POINTS)), "lowest": ends[0], "highest": ends[1]}


def layout(logbook: Logbook, run_id: str, search: str = "") -> html.Div:
    """The page; `?log=2` shows the second log of a run that has several.

    Raises
    ------
    InputError : no such run or log.
    """
    asked = parse_qs(search.lstrip("?")).get("log", ["1"])[0]
    number = int(asked) if asked.isdigit() else 0
    run, job = logbook.run(run_id), logbook.job(run_id)
    log, found = logbook.log_of(run_id, number), logbook.check(run_id, number)
    done = run.state == "done"
    ways = ways_of(run_id, "Log check") if done else ways_of(None, "", dcc.Link("Back to the runs", href="/"))
    parts: Children = [
        dcc.Store(id="check-id", data={"run": run_id, "log": number}),
        html.Div(
            [
                html.H1(["Log check: ", *breakable(log.name)]),
                html.Span("Can this log be used, and for what?", className="facts"),
                ways,
            ],
            className="title",
        ),
    ]
    if len(job["logs"]) > 1:
        parts.append(_logs(logbook, run_id, number, len(job["logs"])))
    problems = [run.message, found["problem"] if found else ""]
    parts += [html.P(problem, className="refusal") for problem in dict.fromkeys(problems) if problem]
    if found is None:
        return html.Div([*parts, html.P("The log was not read far enough to check it.")])
    text = Path(job["channels"]).read_text("utf-8") if job["channels"] else found["channel_map"]
    if done:
        mend, rest = [], [_calibration(logbook, run_id, number), _mapping(text, run_id, number)]
    else:
        mend, rest = [_mapping(text, run_id, number)], []  # what a log that was refused most likely needs
    return html.Div([*parts, _answers(found), _questions(found), *mend, _faults(found), _channels(found), *rest])


def _logs(logbook: Logbook, run_id: str, number: int, count: int) -> html.Nav:
    """The logs that are analysed together, each with its own check."""
    links = [
        dcc.Link(
            breakable(logbook.log_of(run_id, k).name),
            href=f"/run/{run_id}/log?log={k}",
            className="here" if k == number else "",
        )
        for k in range(1, count + 1)
    ]
    return html.Nav(links, className="pages logs", **{"aria-label": "logs of this run"})


def _channels(found: CheckJson) -> html.Section:
    rows = [
        [
            line["channel"],
            line["column"],
            line["unit"] or "?",
            number(line["rate_hz"], 0),
            *span(line["lowest"], line["highest"]),
            f"{100 * line['filled']:.0f}",
            line["reason"],
        ]
        for line in found["channels"]
    ]
    log = found["log"]
    length = "" if log["duration_s"] is None else f"{log['duration_s']:.1f} s at {log['sample_rate_hz']:.4g} Hz"
    left_out = f"; {100 * log['excluded_share']:.0f} % left out" if log["excluded_share"] else ""
    parts = [
        html.H2("Channels"),
        html.P(f"{log['form']}. {length}{left_out}", className="hint"),
        table(CHANNEL_HEADINGS, rows, words=(0, 1, 2, 7)),
    ]
    if found["unused_columns"]:
        parts.append(html.P("Not used: " + ", ".join(found["unused_columns"][:60]), className="hint"))
    if found["car_checks"]:
        parts += [html.H3("Against the car file"), html.Ul([html.Li(c) for c in found["car_checks"]])]
    return html.Section(parts, className="panel")


def _answers(found: CheckJson) -> html.Section | str:
    if not found["answers"]:
        return ""
    rows = [[a["question"], VERDICT_MARKS[a["verdict"]], a["reason"]] for a in found["answers"]]
    shown = table(["question", "", "why"], rows, words=3)
    return html.Section([html.H2("What this log can show"), shown], className="panel")


def _questions(found: CheckJson) -> html.Section | str:
    if not found["questions"]:
        return ""
    questions = html.Ul([html.Li(question) for question in found["questions"]])
    return html.Section([html.H2("To decide"), questions], className="panel")


def _faults(found: CheckJson) -> html.Section:
    quality, duration = found["quality"], found["log"]["duration_s"]
    parts: Children = [html.H2("Faults, signs and delays")]
    if not quality:
        parts.append(html.P("Nothing found."))
    if duration and any(q["start_s"] is not None for q in quality):
        parts.append(chart("faults", READ, label="faults over time"))
    words = {"error": "✕\u00a0error", "warning": "▲\u00a0warning", "info": "●\u00a0info"}
    rows = [
        [
            words[q["severity"]],
            when(q["start_s"], q["end_s"]) or "whole log",
            capitalised(q["message"]),
        ]
        for q in quality
    ]
    if rows:
        parts.append(table(["", "where", "what"], rows, words=3))
    return html.Section(parts, className="panel")


def _calibration(logbook: Logbook, run_id: str, number: int) -> html.Section:
    analysis = logbook.analysis(run_id)
    steps = (analysis, *analysis.others)[number - 1].signals.calibration
    rows = [
        [
            step.message,
            *_with_deviation(step.value, step.standard_deviation),
            step.unit,
        ]
        for step in steps
    ]
    return html.Section(
        [html.H2("Calibration found in the log"), table(["what", "value", "standard deviation", "unit"], rows)],
        className="panel",
    )


def _mapping(text: str, run_id: str, number: int) -> html.Section:
    return html.Section(
        [
            html.H2("Channel map"),
            html.P(
                "Which column is which channel, in which unit. Pick columns below, or write the lines yourself: sign = "
                "-1 turns a channel over. The map is kept with the run and used again, for each of its logs.",
                className="hint",
            ),
            html.Div(id="columns", className="columns", **{"data-run": run_id, "data-log": number}),
            html.Label("channel map (TOML)", htmlFor="map-text"),
            dcc.Textarea(id="map-text", value=text, spellCheck="false", rows=16),
            html.Div([html.Button("Analyse again with this map", id="again", className="main")], className="buttons"),
            html.Div(id="again-refusal", role="alert", className="refusal"),
        ],
        className="panel",
    )


def _with_deviation(value: float, deviation: float | None) -> tuple[str, str]:
    """Both to the deviation's second figure: more digits of the value mean nothing."""
    if not deviation:
        return f"{value:.3g}", "–"
    digits = max(0, 1 - math.floor(math.log10(deviation)))
    return number(value, digits), number(deviation, digits)


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    @app.callback(Output("faults", "figure"), Input("mode", "data"), State("check-id", "data"))
    def _timeline(mode: str, shown: Shown) -> Drawn:
        found = logbook.check(shown["run"], shown["log"])
        if found is None:
            return {}
        return fault_timeline(found["quality"], found["log"]["duration_s"], mode=mode or "light")

    @app.callback(
        Output("again-refusal", "children"),
        Output("address", "pathname"),
        Input("again", "n_clicks"),
        State("map-text", "value"),
        State("check-id", "data"),
        prevent_initial_call=True,
    )
    def _again(clicks: int | None, text: str, shown: Shown) -> tuple[str | NoUpdate, str | NoUpdate]:
        if not clicks:
            return dash.no_update, dash.no_update
        try:
            keys = logbook.job(shown["run"])["keys"]
            new = logbook.new_run(log_key=keys["log"], car_key=keys["car"], setup_key=keys["setup"], channel_map=text)
        except HalfshaftError as error:
            return str(error), dash.no_update
        jobs.start(new)
        return "", "/"


def fault_timeline(quality: list[QualityJson], duration_s: float | None, *, mode: str = "light") -> go.Figure:
    """Bars from start_s to end_s (s) of every entry that has a place in time."""
    figure = go.Figure()
    placed = [q for q in quality if q["start_s"] is not None and q["end_s"] is not None]
    for severity, (color, symbol) in LOOKS.items():
        x, y, text = [], [], []
        for q in (q for q in placed if q["severity"] == severity):
            row = q["code"] if q["channel"] is None else f"{q['code']}, {q['channel']}"
            message = _plain(q["message"])
            x += [q["start_s"], q["end_s"], None]
            y += [_plain(row)] * 2 + [None]
            text += [message, message, ""]
        if x:
            figure.add_scatter(
                x=x,
                y=y,
                text=text,
                name=severity,
                mode="lines+markers",
                line={"color": color, "width": 6},
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1, "color": GREY}},
                hovertemplate="%{text}<br>%{x:.2f} s<extra></extra>",
            )
    rows = len({q["code"] + str(q["channel"]) for q in placed})
    figure.update_xaxes(title="log time, s", range=[0, duration_s])
    figure.update_yaxes(automargin=True)
    return readable(styled(figure, height=140 + 34 * max(rows, 1), mode=mode), mode)


def _plain(text: str) -> str:
    """Charts read a few tags in labels; text from a file must not be one."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
