"""Season page: the preload of one car over the season, as measured, with every change of setup."""

import json
from typing import Any
from urllib.parse import parse_qs, quote

from dash import Dash, dcc, html

from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.in_words import counted
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook import results
from analyzer.logbook.listing import TrendPoint, preload_trend, preload_words
from analyzer.logbook.runs import runs
from dashboards.exchanged import Children
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, table, when, why

NO_SETUP = "no setup file"
READ = (
    "One mark a run: the tick is the measured preload, the bar its 95 % interval, an arrow a lower limit. A dashed "
    "line marks another setup; from there on the diamond and its dotted line are what those parts predict. Where bars "
    "overlap, nothing can be claimed to have changed; a comparison of two runs tells much smaller changes, because "
    "errors common to both cancel. A steady fall is what worn plates or a settled spring would give; so would another "
    "tyre, track or temperature."
)


def cars(logbook: Logbook) -> list[str]:
    """The names of the cars that have runs, the one driven last first."""
    newest = {run.car.title: run.date_s for run in sorted(runs(logbook.book), key=lambda run: run.date_s)}
    return sorted(newest, key=lambda name: -newest[name])


def season(logbook: Logbook, car: str) -> dict[str, Any]:
    """Every run of a car in the order it was driven.

    Raises
    ------
    InputError : no run is of such a car.
    """
    points = preload_trend(logbook.book, car)
    names = {run.id: run.name for run in logbook.runs()}
    predicted: dict[str | None, list[float] | None] = {}
    shown = []
    for point, found in zip(points, results.results_of(logbook.book, [p.run for p in points]), strict=True):
        setup = point.run.setup
        key = setup.id if setup else None
        if key not in predicted:
            predicted[key] = None if setup is None else _predicted(logbook, setup.id)
        done = found is not None and found.state == "done"
        shown.append(
            {
                "run": found.id if found is not None and done else None,
                "name": names.get(found.id if found else "", point.run.log.name),
                "date_s": point.run.date_s,
                "km": round(point.distance_before_km + (point.distance_km or 0.0), 2),
                "setup": setup.title if setup else NO_SETUP,
                "changed": point.setup_changed,
                "preload": [point.preload_Nm.value, point.preload_Nm.lower, point.preload_Nm.upper],
                "words": preload_words(point.preload_Nm),
                "reason": point.preload_Nm.reason or "",
                "parts": predicted[key],
            }
        )
    return {"car": car, "answer": answer(points), "points": shown}


def _predicted(logbook: Logbook, setup_id: str) -> list[float] | None:
    """Preload (N.m) that the parts predict, with its interval; None of a spool and of an open differential."""
    curve = predict_lock_curve(load_setup(logbook.file("setup", setup_id).path))
    if curve.preload_Nm is None:
        return None
    return [round(float(v), 1) for v in (curve.preload_Nm, *curve.interval_of("preload_Nm"))]


def answer(points: tuple[TrendPoint, ...]) -> str:
    """What the season says of the preload, in one or two sentences: of the last setup, whether it moved."""
    start = max((k for k, point in enumerate(points) if point.setup_changed), default=0)
    own = [p.preload_Nm for p in points[start:] if p.preload_Nm.value is not None]
    if not own:
        return "No run with the present setup measures the preload."
    now = f"Preload {preload_words(own[-1])} N.m in the last run that measures it."
    if len(own) == 1:
        return f"{now} It is the only one with this setup."
    first, last = own[0], own[-1]
    if not _apart(first, last):
        return f"{now} Over {counted(len(own), 'run')} with this setup the intervals overlap: no change can be claimed."
    way = "rose" if (last.value or 0.0) > (first.value or 0.0) else "fell"
    return f"{now} With this setup it {way} from {preload_words(first)}: compare both runs before you act on it."


def _apart(first: Interval, last: Interval) -> bool:
    """Whether two intervals have no value in common; one without an end has all beyond."""
    if first.lower is None or first.upper is None or last.lower is None or last.upper is None:
        return False
    return first.upper < last.lower or last.upper < first.lower


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


def _others(there: list[str], car: str) -> Children:
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
