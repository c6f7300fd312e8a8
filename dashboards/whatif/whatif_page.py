"""What-if page: a lock curve to try by sliders, the laps replayed with it, and what to fit from a shelf of parts."""

import json
from importlib import resources
from pathlib import Path
from typing import Any

from dash import Dash, Input, Output, State, ctx, dcc, html

from analyzer.errors import HalfshaftError, InputError
from dashboards.asking import Asking
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, clock, polled, table, waiting, why
from dashboards.run.run_page import LOCK_READ
from dashboards.whatif.trial import ranges_of, start_of

TRIAL_READ = (
    "Two bars a corner: above, the laps as they were driven; below, dashed, the same laps replayed with the curve you "
    "try. Path, speed and throttle stay as logged, so how the driver adapts is not in it. Error of the predicted "
    "change: about 15 % for more lock, about half for less."
)

SAMPLE_PARTS = "shelf.parts.toml"
NO_SETUP = "This run has no setup file, so no shelf part can be put in place of a fitted one. Analyse it with one."


def sample_parts() -> Path:
    """The shipped parts file."""
    return Path(str(resources.files("sample_logs"))) / SAMPLE_PARTS


def layout(logbook: Logbook, run_id: str) -> html.Div:
    """The page of a finished run.

    Raises
    ------
    InputError : no such run, or it is not finished.
    """
    run = logbook.finished(run_id)
    analysis = logbook.analysis(run_id)
    starts = start_of(analysis)
    sliders = [
        html.Div(
            [
                html.Label(label, htmlFor=f"try-{name}"),
                html.Span(
                    id=f"try-{name}-place", **{"data-slider": name, "data-end": f"{end:g}", "data-step": f"{step:g}"}
                ),
                html.Output(id=f"told-{name}"),
            ],
            className="slider",
        )
        for name, (label, end, step) in ranges_of(analysis).items()
    ]
    begin = [
        html.Button(words, className="quiet", **{"data-begin": key})
        for key, words in (("measured", "As measured"), ("parts", "As the parts predict"))
        if starts[key] is not None
    ]
    return html.Div(
        [
            dcc.Store(id="advise-run", data=run_id),
            dcc.Store(id="uploaded-parts"),
            html.Div(
                [
                    html.H1(["What if: ", *breakable(run.name)]),
                    html.P("What would another differential have done on these laps?", className="facts"),
                    html.Div(
                        [
                            dcc.Link("Back to the run", href=f"/run/{run_id}", className="button quiet"),
                            dcc.Link("Setup form", href=f"/setup?run={run_id}", className="button quiet"),
                        ],
                        className="ways",
                    ),
                ],
                className="title",
            ),
            html.Section(
                [
                    html.Div([html.H2("Lock curve to try"), why(LOCK_READ), *begin], className="bar"),
                    html.Div(id="trial-lock", className="fill"),
                    html.Div(sliders, className="sliders"),
                ],
                className="panel trial-curve",
            ),
            html.Section(
                [
                    html.Div([html.H2("Spin by corner"), why(TRIAL_READ)], className="bar"),
                    html.P(id="trial-answer", className="answer", **{"aria-live": "polite"}),
                    html.Div(id="trial-refusal", role="alert", className="refusal"),
                    html.Div(id="trial-corners", className="fill"),
                ],
                className="panel trial-corners",
            ),
            html.Section(_advise(), className="panel advise"),
        ],
        id="whatif",
        className="screen whatif",
        **{"data-run": run_id, "data-starts": json.dumps(starts)},
    )


def _advise() -> list:
    picker: dict[str, Any] = {"data-kind": "parts", "data-endings": ".toml"}
    return [
        html.Div([html.H2("What to fit from your shelf")], className="bar"),
        html.P(
            [
                "Give a parts file: every combination of fitted and shelf parts is replayed on these laps. ",
                html.A("Save the sample's", href="/sample/parts", download=""),
                " and write your parts in.",
            ],
            className="hint",
        ),
        html.Div(html.Div(id="picker-parts", className="picker", **picker), **{"data-drop": "parts"}),
        html.Div(
            [
                html.Button("Advise", id="advise", className="main"),
                html.Button("With the sample's parts", id="advise-sample", className="quiet"),
            ],
            className="buttons",
        ),
        html.Div(id="advise-told", **{"aria-live": "polite"}),
        *clock("advise", answered={"over": True}),
    ]


def told(advice: dict[str, Any]) -> list:
    """The advice as its JSON has it: the answer first, then the builds."""
    rows = []
    for option in advice["advised"] or advice["options"][:1]:
        spin, moment = option["outcome"]["spin_s"], option["outcome"]["coast_moment_Nm"]
        sure = "–" if option["sure"] is None else f"{100 * option['sure']:.0f}"
        rows.append(
            [option["rank"] or "", option["label"], _interval(spin, 1), _interval(moment, 0), sure, option["why"] or ""]
        )
    heads = ["", "build", "spin, s", "moment off the throttle, N.m", "helps, %", "why"]
    return [
        html.P(html.Strong(advice["answer"])),
        *[html.P(cause["sentence"], className="hint") for cause in advice["causes"].values()],
        table(heads, rows, words=(1, 5)),
        html.Details(
            [html.Summary("What this depends on"), html.Ul([html.Li(line) for line in advice["assumptions"]])]
        ),
        html.P(" ".join(advice["cautions"]), className="hint"),
    ]


def _interval(found: dict[str, Any], digits: int) -> str:
    if found["value"] is None:
        return "–"
    if found["lower"] is None:
        return f"{found['value']:.{digits}f}"
    return f"{found['value']:.{digits}f} ({found['lower']:.{digits}f} to {found['upper']:.{digits}f})"


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the advice; the sliders are the browser's own (`assets/run/whatif.js`)."""
    advising = Asking(logbook, "advise")
    polled(app, "advise")

    @app.callback(
        Output("advise-told", "children"),
        Output("advise-answered", "data"),
        Input("advise", "n_clicks"),
        Input("advise-sample", "n_clicks"),
        Input("advise-tick", "data"),
        State("uploaded-parts", "data"),
        State("advise-run", "data"),
    )
    def _advise_now(
        clicks: int | None, sample: int | None, tick: dict | None, parts: dict | None, run_id: str
    ) -> tuple:
        refusal = ""
        if ctx.triggered_id in ("advise", "advise-sample"):
            try:
                own = None if ctx.triggered_id == "advise-sample" else (parts or {}).get("text")
                if ctx.triggered_id == "advise" and own is None:
                    raise InputError("Choose a parts file first, or take the sample's parts.")
                if logbook.job(run_id)["setup"] is None:
                    raise InputError(NO_SETUP)
                advising.start(run_id, sample_parts().read_text("utf-8") if own is None else own)
            except HalfshaftError as error:
                refusal = str(error)
        found = advising.state(run_id)
        answered = {"n": (tick or {}).get("n"), "over": found is None or not found.under_way}
        if refusal or found is None:
            return [html.P(refusal, className="refusal")] if refusal else [], answered
        if found.under_way:
            return waiting(found.step, found.share), answered
        if found.error:
            return [html.P(found.error, className="refusal")], answered
        return told(found.answer), answered
