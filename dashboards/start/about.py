"""What a person says of a run: name, date, driver, tyres, weather, notes."""

import json
import time

from dash import dcc, html

from dashboards.logbook import Run
from dashboards.parts import form_ending

SAID = ("title", "driver", "tyres", "weather", "notes")


def button(run: Run) -> html.Button:
    """Opens the form for a run, with what was said of it before."""
    about = {
        "run": run.id,
        "date": time.strftime("%Y-%m-%dT%H:%M", time.localtime(run.date_s)),
        **{name: getattr(run, name) for name in SAID},
    }
    return html.Button(
        "Notes", className="quiet", **{"data-about": json.dumps(about), "aria-label": f"notes on {run.name}"}
    )


def form() -> html.Dialog:
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
