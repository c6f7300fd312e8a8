"""What a person says of a run (name, date, driver, tyres, weather, notes), and another log for it: slow circles, a
slow lap, another session of the day. All logs of a run are fitted together.
"""

import time

import dash
from dash import ClientsideFunction, Dash, Input, NoUpdate, Output, State, dcc, html

from analyzer.errors import HalfshaftError
from dashboards.exchanged import Children, Pressed, Uploaded
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import form_ending
from dashboards.run_records import Run
from dashboards.uploads import KINDS

SAID = ("title", "driver", "tyres", "weather", "notes")
WORDS = (
    "One driven with the same car and the same differential: slow circles with throttle pulses, a slow lap, another "
    "session of the day. All logs of a run are fitted together to one lock curve."
)


def about(run: Run) -> dict[str, str]:
    """What the form begins with: what was said of a run before."""
    return {
        "run": run.id,
        "date": time.strftime("%Y-%m-%dT%H:%M", time.localtime(run.date_s)),
        **{name: getattr(run, name) for name in SAID},
    }


def about_form() -> html.Dialog:
    """The form, closed; `assets/about.js` opens, fills and sends it."""
    fields = (
        ("title", "name", "text", "the file's name when left empty"),
        ("date", "driven on", "datetime-local", ""),
        ("driver", "driver", "text", ""),
        ("tyres", "tyres", "text", "make of compound, pressures, age"),
        ("weather", "weather", "text", "air and track temperature, dry or wet"),
    )
    return html.Dialog(
        [
            html.H2("About this run"),
            *(
                html.Div(
                    [
                        html.Label(words, htmlFor=f"about-{name}"),
                        dcc.Input(id=f"about-{name}", type="text", placeholder=hint, autoComplete="off"),
                    ]
                )
                if kind == "text"
                else html.Div(
                    [
                        html.Label(words, htmlFor=f"about-{name}"),
                        html.Span(id=f"about-{name}-place", **{"data-date": f"about-{name}"}),
                    ]
                )
                for name, words, kind, hint in fields
            ),
            html.Div([html.Label("notes", htmlFor="about-notes"), dcc.Textarea(id="about-notes", rows=4)]),
            *form_ending("about", ("about-save", "Save")),
        ],
        id="about",
        className="about",
    )


def more_logs_form() -> Children:
    """The form, closed; `assets/more_logs.js` opens it."""
    endings, _ = KINDS["log"]
    return [
        dcc.Store(id="uploaded-more"),
        dcc.Store(id="adding-to"),
        dcc.Store(id="added-log"),
        html.Dialog(
            [
                html.H2(["Add a log to ", html.Span(id="adding-name")]),
                html.P(WORDS),
                html.Div(
                    [
                        html.Label("log", htmlFor="file-more", className="field-title"),
                        html.Div(
                            id="picker-more",
                            className="picker",
                            **{"data-kind": "log", "data-name": "more", "data-endings": ",".join(endings)},
                        ),
                    ],
                    className="drop",
                    **{"data-drop": "more"},
                ),
                *form_ending("more", ("add-log", "Analyse together")),
            ],
            id="more",
            className="about",
        ),
    ]


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the form."""

    app.clientside_callback(
        ClientsideFunction("more_logs", "close"),
        Output("changed", "data", allow_duplicate=True),
        Input("added-log", "data"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("more-refusal", "children"),
        Output("added-log", "data"),
        Input("add-log", "n_clicks"),
        State("uploaded-more", "data"),
        State("adding-to", "data"),
        prevent_initial_call=True,
    )
    def _add(presses: int, log: Uploaded | None, run_id: str | None) -> tuple[str, Pressed | NoUpdate]:
        if not run_id or not log:
            return "Choose a log first: drop it on the field or press its button.", dash.no_update
        try:
            made = logbook.add_log(run_id, log["key"])
        except HalfshaftError as error:
            return str(error), dash.no_update
        jobs.start(made)
        return "", {"run": made, "press": presses}
