"""The panels of the run page, before anything is picked."""

from dash import dcc, html

from analyzer.analysis import Analysis
from analyzer.phases.segments import PHASES
from analyzer.presentation.figures.lock_plot import READ as LOCK_READ
from analyzer.presentation.figures.lock_plot import READ_TREND as TREND_READ
from analyzer.presentation.words import KIND_NAMES, PHASE_NAMES, chatter_words, trend_rows, whole_laps_words
from dashboards.figures import circuit_map, repeat, traces
from dashboards.figures.quantities import MAP_LABELS, QUANTITIES, logged
from dashboards.logbook import Logbook
from dashboards.pages.corner_table import READ as CORNERS_READ
from dashboards.pages.parts import chart, labelled, table, when

SORTS = {
    "worst": "worst first",
    "time": "in time",
    "corner": "by corner",
    "confidence": "surest first",
}
DEFAULT_ROWS = ("wheel_speed", "slip", "throttle", "steer")


def facts(analysis: Analysis) -> html.Ul:
    """Car, length, laps."""
    signals = analysis.signals
    each = " each" if len(analysis.laps.bounds) > 1 else ""
    length = "" if analysis.laps.length_m is None else f", {analysis.laps.length_m:.0f} m{each}"
    source = "position as logged" if signals.position_source == "position" else "path dead-reckoned"
    facts = (
        f"car: {analysis.car.name}",
        f"{signals.time_s[-1]:.0f} s at {signals.rate_hz:.4g} Hz",
        f"{whole_laps_words(analysis.laps)}{length}",
        source,
    )
    return html.Ul([html.Li(fact) for fact in facts], className="facts")


def weaknesses(analysis: Analysis, run_id: str) -> html.Details | None:
    """What was guessed or stands in for what is not logged; faults at a time of the log are counted, the check has
    them."""
    grave = [a for a in analysis.quality if a.severity != "info"]
    whole = list(dict.fromkeys(a.message for a in grave if a.start_s is None))
    placed = sum(a.start_s is not None for a in grave)
    lines: list = [html.Li(message[:1].upper() + message[1:]) for message in whole]
    if placed:
        check = dcc.Link("Log check", href=f"/run/{run_id}/log")
        lines.append(html.Li([f"Faults at certain times of the log: {placed}; the ", check, " says where."]))
    if not lines:
        return None
    return html.Details(
        [html.Summary(f"What weakens this result ({len(lines)})"), html.Ul(lines)], open=True, className="weak"
    )


def ways_on(run_id: str) -> html.Div:
    """Links to the other pages and the downloads."""
    return html.Div(
        [
            dcc.Link("Log check", href=f"/run/{run_id}/log", className="button quiet"),
            dcc.Link("Against the setup file", href=f"/setup?run={run_id}", className="button quiet"),
            html.A("Report (HTML)", href=f"/run/{run_id}/report.html", className="button quiet", download=""),
            html.A(
                "Report (PDF)",
                href=f"/run/{run_id}/report.pdf",
                className="button quiet",
                target="_blank",
                **{"data-prints": "yes"},
            ),
            html.A("Result (JSON)", href=f"/run/{run_id}/result.json", className="button quiet", download=""),
        ],
        className="buttons",
    )


def findings_panel(analysis: Analysis) -> html.Section:
    """Filters and the place of the list."""
    found = analysis.findings
    kinds = [{"label": name, "value": k} for k, name in KIND_NAMES.items() if any(f.kind == k for f in found)]
    corners = sorted({f.corner for f in found if f.corner is not None})
    laps = sorted({f.lap for f in found if f.lap is not None})
    return html.Section(
        [
            html.H2(f"Findings ({len(found)})"),
            html.Div(
                [
                    labelled("kind", dcc.Dropdown(kinds, id="only-kind", placeholder="all")),
                    labelled("corner", dcc.Dropdown(corners, id="only-corner", placeholder="all")),
                    labelled("lap", dcc.Dropdown(laps, id="only-lap", placeholder="all")),
                    labelled("order", dcc.Dropdown(SORTS, "worst", id="order", clearable=False)),
                ],
                className="filters",
                hidden=not found,
            ),
            html.Div(id="findings", className="findings"),
        ],
        className="panel filling",
    )


def map_panel() -> html.Section:
    """Map with its quantity."""
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Where on the circuit"),
                    labelled(
                        "colour shows", dcc.Dropdown(MAP_LABELS, "slip", id="quantity", clearable=False), beside=True
                    ),
                ],
                className="heading",
            ),
            chart("map", circuit_map.READ, label="path of the circuit with findings"),
        ],
        className="panel",
    )


def traces_panel(analysis: Analysis) -> html.Section:
    """Traces with their channels."""
    options = {key: q.label for key, q in QUANTITIES.items()} | logged(analysis)
    laps = [{"label": f"lap {k + 1}", "value": k + 1} for k in range(len(analysis.laps.bounds))]
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Traces"),
                    html.Div(
                        [
                            html.Button("‹ previous finding", id="previous", className="quiet"),
                            html.Button("next finding ›", id="next", className="quiet"),
                        ],
                        className="buttons",
                        hidden=not analysis.findings,
                    ),
                ],
                className="heading",
            ),
            html.Div(id="what", **{"aria-live": "polite"}),
            html.Div(
                [
                    labelled("channels", dcc.Dropdown(options, list(DEFAULT_ROWS), id="rows", multi=True), wide=True),
                    labelled(
                        "along",
                        dcc.RadioItems({"time": "time", "distance": "distance"}, "time", id="along", inline=True),
                    ),
                    labelled(
                        "lay laps over each other",
                        dcc.Dropdown(laps, [], id="laps", multi=True, placeholder="no"),
                        wide=True,
                    ),
                    html.Button("Whole session", id="whole", className="quiet"),
                ],
                className="tools",
            ),
            chart("traces", traces.READ, label="traces with phases shaded", broad=True),
        ],
        className="panel",
        id="traces-panel",
    )


def lock_panel(logbook: Logbook, run_id: str) -> html.Section:
    """Lock plot with another run to lay over."""
    others = [
        {"label": f"{r.log_name}, {when(r.started)}", "value": r.id}
        for r in logbook.runs()
        if r.state == "done" and r.id != run_id
    ]
    return html.Section(
        [
            html.H2("Lock plot"),
            html.Div(
                [labelled("lay another run over", dcc.Dropdown(others, id="other", placeholder="none"), wide=True)],
                className="tools",
            ),
            html.Div(id="lock-refusal", role="alert", className="refusal"),
            chart(
                "lock", LOCK_READ + " Click a sample to go to its corner.", label="lock plot", section="user#lock-plot"
            ),
        ],
        className="panel",
    )


def corners_panel(analysis: Analysis, run_id: str) -> html.Section:
    """Corner table and the small charts lap by lap."""
    return html.Section(
        [
            html.H2("Corners"),
            html.Div(
                [
                    labelled(
                        "lap",
                        dcc.Dropdown(
                            [
                                {"label": "median of all", "value": 0},
                                *({"label": f"lap {k + 1}", "value": k + 1} for k in range(len(analysis.laps.bounds))),
                            ],
                            0,
                            id="table-lap",
                            clearable=False,
                        ),
                    ),
                    html.A(
                        "Every pass as CSV", href=f"/run/{run_id}/corners.csv", className="button quiet", download=""
                    ),
                ],
                className="tools",
            ),
            html.Div(id="corner-table", className="scroll", tabIndex="0"),
            html.P(CORNERS_READ, className="read"),
            html.H3("The same corner, lap after lap"),
            html.Div(
                [
                    labelled(
                        "quantity",
                        dcc.Dropdown(
                            {k: c[0] for k, c in repeat.CHOICES.items()},
                            "transfer_torque_Nm",
                            id="repeat-key",
                            clearable=False,
                        ),
                    ),
                    labelled(
                        "phase",
                        dcc.Dropdown(
                            {p: PHASE_NAMES[p] for p in PHASES}, "power_application", id="repeat-phase", clearable=False
                        ),
                    ),
                ],
                className="tools",
            ),
            chart("repeat", repeat.READ, label="one small chart a corner, one point a lap", broad=True),
        ],
        className="panel",
    )


def over_the_run(analysis: Analysis) -> html.Section:
    """Whether the lock changes from early to late, and whether the plates chatter."""
    parts: list = [html.H2("Over the run")]
    trend = analysis.trend
    if trend is not None:
        parts.append(html.P(trend.sentence))
        if trend.windows:
            parts.append(chart("trend", TREND_READ, label="lock over the run", section="user#trends"))
        rows = [list(row) for row in trend_rows(trend)]
        if rows:
            parts.append(table(["", "early", "late", "change", "95 % interval"], rows))
    if analysis.chatter is not None:
        parts.append(html.P(chatter_words(analysis.chatter)))
    return html.Section(parts, className="panel") if len(parts) > 1 else html.Section()
