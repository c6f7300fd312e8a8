"""Run page: the screen that is kept open, and below it the evidence in tables and charts.

The screen itself is drawn in the browser from the views of `views.py` and `lines.py` (`assets/run/`).
"""

import json

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from analyzer import __version__
from analyzer.analysis import Analysis
from analyzer.in_words import CAUTIONS, capitalised, listed
from analyzer.phases.phases import PHASES
from analyzer.presentation.figures.lock_plot import READ_TREND as TREND_READ
from analyzer.presentation.figures.lock_plot import trend_plot
from analyzer.presentation.figures.theme import styled
from analyzer.presentation.finding_words import trend_sentence
from analyzer.presentation.knowledge_words import used_sentences
from analyzer.presentation.words import PHASE_NAMES, answer_on_screen, chatter_words, trend_rows, whole_laps_words
from dashboards.exchanged import Children, Drawn
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import breakable, chart, in_guide, labelled, readable, table, ways_of, when, why
from dashboards.run import per_corner
from dashboards.run.per_corner import READ_TABLE as CORNERS_READ
from dashboards.run.per_corner import CornerTable, corner_table
from dashboards.run.quantities import MAP_LABELS
from dashboards.run_records import Run

GRID_READ = (
    "One row a lap, one column a corner. A mark says what was found in the pass, the figure is the slowest speed in "
    "km/h. Sums count spins, and after a plus everything else. Click a cell for the pass, a corner's number for that "
    "corner in every lap, a lap's number for the lap."
)
MAP_READ = (
    "The circuit from above. Stronger colour and a broader line mean more of the chosen quantity, the largest of the "
    "laps shown. The scale is the same for every run. Marks stand beside the place where something was found."
)
LOCK_READ = (
    "Dots are slipping samples and scatter about the lock curve; crosses are those of the run's other logs. Triangles "
    "were locked: the curve lies above them or a little below, for plates stick harder than they slip. The thick line "
    "is measured; each thin line is equally likely. The bar at the right is the error that moves samples and curve "
    "together. The dashed line is what the parts predict; an arrow means at least this. 'Anchored' is the same "
    "measurement with bench breakaway, ring springs and ramp angles of the setup file taken as measured."
)
TRACES_READ = (
    "Shaded areas are corner phases; zoomed out, corners by number. Inside and outside wheel keep their colour in left "
    "and right turns. Where the rear wheels part, one spins or slips. Drag to zoom, double-click to go back, point to "
    "read values. Overlaid laps are matched by place in the lap; the last row is time lost."
)


def layout(logbook: Logbook, run_id: str) -> html.Div:
    """The page of a finished run.

    Raises
    ------
    InputError : no such run, or it is not finished.
    """
    run = logbook.finished(run_id)
    analysis = logbook.analysis(run_id)
    others = [{"id": r.id, "name": r.name} for r in logbook.runs() if r.state == "done" and r.id != run_id]
    return html.Div(
        [
            dcc.Store(id="run-id", data=run_id),
            dcc.Store(id="corner-rows"),
            dcc.Store(id="screen-drawn"),
            _screen(run, analysis, others[:20]),
            html.Div(
                [
                    html.Section(
                        [
                            html.H2("What else this log shows"),
                            html.P(answer_on_screen(analysis)[2], className="answer"),
                            known_by_others(analysis),
                            limits(analysis, run_id),
                        ],
                        className="panel",
                    ),
                    _corners(analysis, run_id),
                    _over_the_run(analysis),
                ],
                className="evidence",
            ),
        ]
    )


def _screen(run: Run, analysis: Analysis, others: list[dict[str, str]]) -> html.Div:
    run_id, name = run.id, run.title or run.log_name  # the facts beside it name the other logs
    save = [
        html.A("Report (HTML)", href=f"/run/{run_id}/report.html", download=""),
        html.A("Result (JSON)", href=f"/run/{run_id}/result.json", download=""),
        html.A("Corners (CSV)", href=f"/run/{run_id}/corners.csv", download=""),
        html.Button("Print", id="print", className="link", **{"aria-label": "Print, or save as PDF"}),
    ]
    ways = ways_of(
        run_id,
        "Run",
        html.Details([html.Summary("save"), html.Div(save, className="menu-list")], className="menu"),
        html.Button("?", id="show-keys", className="quiet", **{"aria-label": "keys and marks"}),
    )
    return html.Div(
        [
            html.Div(
                [
                    html.H1(breakable(name)),
                    html.Span(facts(analysis), className="facts"),
                    ways,
                ],
                className="title",
            ),
            html.Div(id="screen-refusal", role="alert", className="refusal"),
            html.P(_made_of(run, analysis), className="paper-only"),
            html.Div(id="strip", className="strip"),
            html.Section(
                [
                    html.Div(
                        [
                            html.H2("Corner by lap"),
                            why(GRID_READ),
                            html.Span("mark: what was found; figure: slowest, km/h", className="hint"),
                            html.Div(id="filters"),
                        ],
                        className="bar",
                    ),
                    html.Div(id="grid", className="fill"),
                ],
                className="panel grid-panel",
            ),
            html.Section(
                [
                    html.Div(
                        [
                            html.H2("Map"),
                            why(MAP_READ),
                            html.Div(id="map-scale", className="map-scale"),
                            choice("colour", "colour", {key: label.split(",")[0] for key, label in MAP_LABELS.items()}),
                        ],
                        className="bar",
                    ),
                    html.Div(id="map", className="fill"),
                ],
                className="panel map-panel",
            ),
            html.Section(
                [
                    html.Div(
                        [
                            html.H2("Lock plot"),
                            why(LOCK_READ, " ", in_guide("user#lock-plot", "More about the lock plot")),
                        ],
                        className="bar",
                    ),
                    html.Div(id="lock-key", className="key"),
                    html.Div(id="lock", className="fill"),
                ],
                className="panel lock-panel",
            ),
            html.Section(
                [
                    html.Div([html.H2(["Findings ", html.Span(id="count")])], className="bar"),
                    html.Div(id="findings", className="fill findings"),
                ],
                className="panel list-panel",
            ),
            html.Div(
                [
                    html.Button(
                        words, className="tab", **{"data-panel-tab": key, "aria-label": f"{words}: key {key[0]}"}
                    )
                    for key, words in (("map", "Map"), ("lock", "Lock plot"), ("list", "Findings"))
                ],
                className="tabs",
                role="group",
                **{"aria-label": "panel beside the grid"},
            ),
            html.Section(
                [
                    html.Div(
                        [
                            html.H2("Traces"),
                            why(TRACES_READ),
                            html.P(id="what", **{"aria-live": "polite"}),
                            html.Button("‹", id="previous", className="quiet", **{"aria-label": "previous finding"}),
                            html.Button("›", id="next", className="quiet", **{"aria-label": "next finding"}),
                            menu("channels", "rows-menu"),
                            menu("overlay laps", "over-menu"),
                            choice("along", "along", {"time": "time", "distance": "distance"}),
                            html.Button("whole log", id="whole", className="quiet"),
                        ],
                        className="bar",
                    ),
                    html.Div(id="traces-key", className="key"),
                    html.Div(id="traces-refusal", role="alert", className="refusal"),
                    html.Div(id="traces", className="fill"),
                ],
                className="panel traces-panel",
            ),
        ],
        id="screen",
        className="screen",
        **{"data-run": run_id, "data-others": json.dumps(others), "data-panel": "map"},
    )


def _made_of(run: Run, analysis: Analysis) -> str:
    """On paper: the cautions, when it was made and from what."""
    setup = f", setup {run.setup_name}" if run.setup_name else ", without a setup file"
    made = f"Made by halfshaft {__version__} on {when(run.started)} from {run.log_names}, car {run.car_name}{setup}"
    said = "; ".join(text for text in (run.driver, run.tyres, run.weather, run.notes) if text)
    return f"{' '.join(CAUTIONS)} {made}{'; ' + said if said else ''}."


def menu(words: str, menu_id: str) -> html.Details:
    """A list of boxes to tick, folded away; the browser fills it."""
    return html.Details([html.Summary(words), html.Div(id=menu_id, className="menu-list")], className="menu")


def choice(words: str, choice_id: str, options: dict[str, str]) -> html.Label:
    """A plain choice, for the browser's own code."""
    rows = [html.Option(label, value=key) for key, label in options.items()]
    return html.Label([html.Span(words), html.Select(rows, id=choice_id, **{"aria-label": words})], className="choice")


def facts(analysis: Analysis) -> str:
    """Car, length and laps in a line, and the other logs that were analysed with this one."""
    signals = analysis.signals
    length = "" if analysis.laps.length_m is None else f" of {analysis.laps.length_m:.0f} m"
    source = "position as logged" if signals.position_source == "position" else "path dead-reckoned"
    names = [other.recording.name for other in analysis.others]
    together = f"; analysed together with {listed(names)}" if names else ""
    return (
        f"{analysis.car.name}; {signals.time_s[-1] - signals.time_s[0]:.0f} s at {signals.rate_hz:.4g} Hz; "
        f"{whole_laps_words(analysis.laps)}{length}; {source}{together}"
    )


def known_by_others(analysis: Analysis) -> html.P | None:
    """What of other runs is in the answer: the command gives another one for the log alone."""
    used = analysis.knowledge
    if used is None or not (used.runs or used.contradicts):
        return None
    return html.P(" ".join(used_sentences(used)), className="hint")


def limits(analysis: Analysis, run_id: str) -> html.Details | None:
    """What was guessed or stands in for what is not logged; faults at a time of the log are counted, the check has
    them."""
    grave = [a for a in analysis.quality if a.severity != "info"]
    whole = list(dict.fromkeys(a.message for a in grave if a.start_s is None))
    placed = sum(a.start_s is not None for a in grave)
    lines: Children = [html.Li(capitalised(message)) for message in whole]
    if placed:
        check = dcc.Link("Log check", href=f"/run/{run_id}/log")
        lines.append(html.Li([f"Faults at certain times of the log: {placed}; the ", check, " says where."]))
    if not lines:
        return None
    return html.Details(
        [html.Summary(f"Limits of this result ({len(lines)})"), html.Ul(lines)], open=True, className="weak"
    )


def _corners(analysis: Analysis, run_id: str) -> html.Section:
    """Corner table and the small charts lap by lap."""
    laps = [{"label": f"lap {k + 1}", "value": k + 1} for k in range(len(analysis.laps.bounds))]
    quantities = {k: c[0] for k, c in per_corner.CHOICES.items()}
    phases = {p: PHASE_NAMES[p] for p in PHASES}
    lap = dcc.Dropdown([{"label": "median of all", "value": 0}, *laps], 0, id="table-lap", clearable=False)
    csv = html.A("Every pass as CSV", href=f"/run/{run_id}/corners.csv", className="button quiet", download="")
    what = dcc.Dropdown(quantities, "transfer_torque_Nm", id="repeat-key", clearable=False)
    phase = dcc.Dropdown(phases, "power_application", id="repeat-phase", clearable=False)
    return html.Section(
        [
            html.Div([html.H2("Corners in numbers"), why(CORNERS_READ)], className="bar"),
            html.Div([labelled("lap", lap), csv], className="tools"),
            html.Div(id="corner-table", className="scroll", tabIndex="0"),
            html.H3("The same corner, lap after lap"),
            html.Div([labelled("quantity", what), labelled("phase", phase)], className="tools"),
            html.Div(id="repeat-place"),
        ],
        className="panel",
    )


def _over_the_run(analysis: Analysis) -> html.Section:
    """Whether the lock changes from early to late, and whether the plates chatter."""
    parts: Children = [html.H2("Over the run")]
    trend = analysis.trend
    if trend is not None:
        parts.append(html.P(trend_sentence(trend)))
        parts.append(html.Div(id="trend-place"))
        rows = [list(row) for row in trend_rows(trend)]
        if rows:
            parts.append(table(["", "early", "late", "change", "95 % interval"], rows))
    if analysis.chatter is not None:
        parts.append(html.P(chatter_words(analysis.chatter)))
    return html.Section(parts, className="panel") if len(parts) > 1 else html.Section()


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the evidence below the screen; the screen has none."""

    # the charting library and a chart a corner keep the browser busy for seconds: not before the screen is drawn
    @app.callback(
        Output("repeat-place", "children"),
        Input("screen-drawn", "data"),
        State("run-id", "data"),
        prevent_initial_call=True,
    )
    def _repeat_place(drawn: bool, run_id: str) -> html.Div:
        return chart("repeat", per_corner.READ_REPEAT, label="one small chart a corner, one point a lap", broad=True)

    @app.callback(
        Output("trend-place", "children"),
        Input("screen-drawn", "data"),
        State("run-id", "data"),
        prevent_initial_call=True,
    )
    def _trend_place(drawn: bool, run_id: str) -> html.Div | None:
        trend = logbook.analysis(run_id).trend
        if trend is None or not trend.windows:
            return None
        return chart("trend", TREND_READ, label="lock over the run", section="user#trends")

    @app.callback(
        Output("repeat", "figure"),
        Input("repeat-key", "value"),
        Input("repeat-phase", "value"),
        Input("mode", "data"),
        State("run-id", "data"),
    )
    def _repeat(key: str, phase: str, mode: str, run_id: str) -> Drawn:
        return per_corner.repeat(logbook.analysis(run_id), key, phase, mode=mode or "light")

    @app.callback(Output("trend", "figure"), Input("mode", "data"), State("run-id", "data"))
    def _trend(mode: str, run_id: str) -> Drawn:
        trend = logbook.analysis(run_id).trend
        if trend is None:
            return {}
        return readable(styled(trend_plot(trend), height=320, mode=mode or "light"), mode or "light")

    @app.callback(Output("corner-rows", "data"), Input("table-lap", "value"), State("run-id", "data"))
    def _table(lap: int, run_id: str) -> CornerTable:
        return corner_table(logbook.analysis(run_id), lap or None)

    app.clientside_callback(
        ClientsideFunction("lists", "corners"),
        Output("corner-table", "title"),
        Input("corner-rows", "data"),
        prevent_initial_call=True,
    )
