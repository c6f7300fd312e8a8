"""Season page: the preload of one car over the season, as measured, with every change of setup."""

import json
from typing import Any
from urllib.parse import parse_qs, quote

from dash import Dash, dcc, html

from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, table, when, why
from dashboards.season.season import cars, season

READ = (
    "One mark a run: the tick is the measured preload, the bar its 95 % interval, an arrow a lower limit. A dashed "
    "line marks another setup; from there on the diamond and its dotted line are what those parts predict. Where bars "
    "overlap, nothing can be claimed to have changed; a comparison of two runs tells much smaller changes, because "
    "errors common to both cancel. A steady fall is what worn plates or a settled spring would give; so would another "
    "tyre, track or temperature."
)


def layout(logbook: Logbook, search: str) -> html.Div:
    """The page; `?car=NAME` chooses the car, else the one driven last."""
    there = cars(logbook)
    if not there:
        words = "No run yet. Analyse a log first; every run of a car then has its place here."
        return html.Div([html.H1("Season"), html.P(words), dcc.Link("Start page", href="/")])
    asked = parse_qs(search.lstrip("?")).get("car", [""])[0]
    car = asked if asked in there else there[0]
    told = season(logbook, car)
    return html.Div(
        [
            html.Div(
                [
                    html.H1(["Season: ", *breakable(car)]),
                    html.Span("Did the preload move?", className="facts"),
                    html.Div(_others(there, car), className="ways"),
                ],
                className="title",
            ),
            html.Section(
                [
                    html.P(html.Strong(told["answer"]), className="answer"),
                    html.Div(
                        [
                            html.H2("Preload by run, N.m"),
                            why(READ),
                            html.Label(
                                [
                                    html.Span("along"),
                                    html.Select(
                                        [html.Option("date", value="date_s"), html.Option("distance", value="km")],
                                        id="season-along",
                                    ),
                                ],
                                className="choice",
                            ),
                            html.Div(id="season-key", className="key"),
                        ],
                        className="bar",
                    ),
                    html.Div(id="season-chart", className="fill"),
                ],
                className="panel season-panel",
            ),
            html.Section(
                [
                    html.H2("Runs, oldest first"),
                    _table(told["points"]),
                    _compare(told["points"]),
                    html.P(dcc.Link("What these runs know of the car", href=f"/car/{quote(car, safe='')}")),
                ],
                className="panel",
            ),
        ],
        id="season",
        **{"data-season": json.dumps(told)},
    )


def _others(there: list[str], car: str) -> list:
    return [
        dcc.Link(name, href=f"/season?car={quote(name)}", className="button quiet") for name in there if name != car
    ]


def _table(points: list[dict[str, Any]]) -> html.Div:
    rows = [
        [
            when(p["date_s"]),
            dcc.Link(p["name"], href=f"/run/{p['run']}") if p["run"] else p["name"],
            ("▸ " if p["changed"] else "") + p["setup"],
            f"{p['km']:.1f}",
            html.Span(p["words"], title=p["reason"]),
            "–" if p["parts"] is None else f"{p['parts'][0]:.0f} ({p['parts'][1]:.0f} to {p['parts'][2]:.0f})",
        ]
        for p in points
    ]
    heads = ["driven", "run", "setup (▸ changed)", "km so far", "preload, N.m", "parts predict, N.m"]
    return table(heads, rows, words=3)


def _compare(points: list[dict[str, Any]]) -> html.P | None:
    """The way to tell a smaller change: the two last runs that were analysed, held against each other."""
    done = [p["run"] for p in points if p["run"]]
    if len(done) < 2:
        return None
    link = dcc.Link("Compare the last two runs", href=f"/compare?before={done[-2]}&after={done[-1]}")
    return html.P(link)


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """No callback: the chart is drawn in the browser (`assets/season.js`)."""
