"""Run page: findings, map, traces, lock plot and corners of one log; picking a finding moves them all."""

import dash
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html

from analyzer.analysis import Analysis
from analyzer.errors import InputError
from analyzer.findings.finding import Finding
from analyzer.phases.segments import Corner
from analyzer.report.words import KIND_NAMES, SEVERITY_WORDS, answer
from dashboards.figures import circuit_map, lock_view, repeat, traces
from dashboards.figures.traces import View
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.pages import run_panels as panels
from dashboards.pages.corner_table import corner_table

MARGIN_S = 1.0
MOST_LISTED = 50  # findings at once; with thousands of buttons the browser stands still


def layout(logbook: Logbook, run_id: str) -> html.Div:
    """The page of a finished run.

    Raises
    ------
    InputError : no such run, or it is not finished.
    """
    run = logbook.run(run_id)
    if run.state != "done":
        raise InputError(run.message or f"{run.log_name} is not analysed yet; the start page shows how far it is.")
    analysis = logbook.analysis(run_id)
    first = 0 if analysis.findings else None
    return html.Div(
        [
            dcc.Store(id="run-id", data=run_id),
            dcc.Store(id="pick", data=_from_finding(analysis, first)),
            dcc.Store(id="window", data=None),
            html.Div([html.H1(run.log_name), panels.ways_on(run_id)], className="heading"),
            html.P(answer(analysis), className="answer"),
            panels.facts(analysis),
            html.Div([panels.findings_panel(analysis), panels.map_panel()], className="split"),
            panels.traces_panel(analysis),
            panels.lock_panel(logbook, run_id),
            panels.corners_panel(analysis, run_id),
        ]
    )


def _from_finding(analysis: Analysis, index: int | None) -> dict | None:
    """The pick of a finding: its index, its corner pass, and the stretch of log time to show."""
    if index is None:
        return None
    found = analysis.findings[index]
    corner = _pass_at(analysis, found.start_s, found.end_s, found.corner)
    return {"finding": index, "pass": corner, "window": _window(analysis, corner, found)}


def _at_time(analysis: Analysis, time_s: float) -> dict | None:
    """The pick of a moment: the corner pass there and the finding in it, if any."""
    corner = _pass_at(analysis, time_s, time_s, None)
    if corner is None:
        return None
    c = analysis.corners[corner]
    start, stop = analysis.signals.time_s[c.start], analysis.signals.time_s[c.stop - 1]
    inside = [
        k for k, f in enumerate(analysis.findings) if f.corner == c.number and f.start_s <= stop and f.end_s >= start
    ]
    nearest = min(inside, key=lambda k: abs(analysis.findings[k].start_s - time_s), default=None)
    return {"finding": nearest, "pass": corner, "window": _window(analysis, corner, None)}


def _pass_at(analysis: Analysis, start_s: float, end_s: float, number: int | None) -> int | None:
    time = analysis.signals.time_s
    for k, c in enumerate(analysis.corners):
        if time[c.start] <= end_s and time[c.stop - 1] >= start_s and number in (None, c.number):
            return k
    return None


def _window(analysis: Analysis, corner: int | None, found: Finding | None) -> list[float] | None:
    time = analysis.signals.time_s
    if corner is not None:
        c = analysis.corners[corner]
        return [float(time[c.start]) - MARGIN_S, float(time[c.stop - 1]) + MARGIN_S]
    if found is not None and found.corner is not None:
        return [found.start_s - 3 * MARGIN_S, found.end_s + 3 * MARGIN_S]
    return None


def _picked(analysis: Analysis, pick: dict | None) -> tuple[Finding | None, Corner | None]:
    if not pick:
        return None, None
    found = None if pick["finding"] is None else analysis.findings[pick["finding"]]
    return found, None if pick["pass"] is None else analysis.corners[pick["pass"]]


def _view(analysis: Analysis, window: list[float] | None, along: str, laps: list[int] | None) -> View:
    """The window is log time; the traces may want distance, or time and distance in the lap."""
    chosen = tuple(sorted(laps or ())) or None
    if window is None:
        return View(axis=along, laps=chosen)
    time = analysis.signals.time_s
    at = [int(i) for i in time.searchsorted(window).clip(0, len(time) - 1)]
    axis = analysis.signals.distance_m if along == "distance" else time
    low, high = float(axis[at[0]]), float(axis[at[1]])
    if chosen:
        bounds = analysis.laps.bounds
        home = next((a for a, b in bounds if a <= (at[0] + at[1]) // 2 < b), None)
        if home is None:
            return View(axis=along, laps=chosen)
        low, high = low - float(axis[home]), high - float(axis[home])
    return View(axis=along, laps=chosen, window=(low, high))


def _zoomed(change: dict | None) -> list[float] | str | None:
    """What a drag on the traces asks for: a range in axis units, `all`, or None (nothing about x)."""
    for key, value in (change or {}).items():
        if key.startswith("xaxis") and key.endswith("autorange"):
            return "all"
        if key.startswith("xaxis") and key.endswith("range[0]"):
            return [float(value), float(change[key.replace("[0]", "[1]")])]
        if key.startswith("xaxis") and key.endswith(".range"):
            return [float(v) for v in value]
    return None


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("pick", "data"),
        Input({"type": "finding", "index": ALL}, "n_clicks"),
        Input({"type": "go", "pass": ALL, "phase": ALL}, "n_clicks"),
        Input("map", "clickData"),
        Input("lock", "clickData"),
        State("run-id", "data"),
        prevent_initial_call=True,
    )
    def _pick(_: list, __: list, on_map: dict | None, on_lock: dict | None, run_id: str) -> dict:
        analysis, source = logbook.analysis(run_id), ctx.triggered_id
        pick = None
        if isinstance(source, dict) and ctx.triggered[0]["value"]:
            if source["type"] == "finding":
                pick = _from_finding(analysis, source["index"])
            else:
                corner = analysis.corners[source["pass"]]
                pick = _at_time(analysis, float(analysis.signals.time_s[corner.apex]))
        elif source in ("map", "lock"):
            data = ((on_map if source == "map" else on_lock) or {}).get("points", [{}])[0].get("customdata")
            if data:
                pick = _at_time(analysis, float(data[0] if source == "map" else data[2]))
        return dash.no_update if pick is None else pick

    @app.callback(
        Output("findings", "children"),
        Input("only-kind", "value"),
        Input("only-corner", "value"),
        Input("only-lap", "value"),
        Input("order", "value"),
        Input("pick", "data"),
        State("run-id", "data"),
    )
    def _list(
        kind: str | None, corner: int | None, lap: int | None, order: str, pick: dict | None, run_id: str
    ) -> list:
        found = list(enumerate(logbook.analysis(run_id).findings))
        kept = [
            (k, f) for k, f in found if kind in (None, f.kind) and corner in (None, f.corner) and lap in (None, f.lap)
        ]
        keys = {
            "worst": lambda item: item[0],
            "time": lambda item: item[1].start_s,
            "corner": lambda item: (item[1].corner or 0, item[1].lap or 0),
            "confidence": lambda item: -item[1].confidence,
        }
        kept.sort(key=keys[order])
        chosen = (pick or {}).get("finding")
        if not kept:
            return [html.P("Nothing found" + (" with these filters." if found else " in this log."), className="hint")]
        shown = kept[:MOST_LISTED]
        # what was picked on map or lock plot is in the list too
        shown += [item for item in kept[MOST_LISTED:] if item[0] == chosen]
        more = len(kept) - len(shown)
        left_out = (
            [html.P(f"and {more} more; narrow them down by kind, corner or lap.", className="hint")] if more else []
        )
        return [*(_finding_button(k, f, k == chosen) for k, f in shown), *left_out]

    @app.callback(Output("what", "children"), Input("pick", "data"), State("run-id", "data"))
    def _what(pick: dict | None, run_id: str) -> list:
        found, corner = _picked(logbook.analysis(run_id), pick)
        if found is not None:
            return [
                html.P(found.sentence, className="answer"),
                html.P(f"Sure to {100 * found.confidence:.0f} %.", className="hint"),
            ]
        if corner is not None:
            return [html.P(f"Corner {corner.number} ({corner.direction}), lap {corner.lap}: nothing to report.")]
        return [html.P("Pick a finding, or click the map or the lock plot.", className="hint")]

    @app.callback(
        Output("map", "figure"),
        Input("quantity", "value"),
        Input("pick", "data"),
        Input("mode", "data"),
        State("run-id", "data"),
    )
    def _map(quantity: str, pick: dict | None, mode: str, run_id: str) -> dict:
        analysis = logbook.analysis(run_id)
        return circuit_map.circuit_map(analysis, quantity, chosen=_picked(analysis, pick)[0], mode=mode or "light")

    @app.callback(
        Output("traces", "figure"),
        Output("window", "data"),
        Input("pick", "data"),
        Input("rows", "value"),
        Input("along", "value"),
        Input("laps", "value"),
        Input("whole", "n_clicks"),
        Input("traces", "relayoutData"),
        Input("mode", "data"),
        State("window", "data"),
        State("run-id", "data"),
    )
    def _traces(pick, rows, along, laps, _, change, mode, window, run_id):
        analysis, source = logbook.analysis(run_id), ctx.triggered_id
        view = None
        if source == "traces":
            asked = _zoomed(change)
            if asked is None:
                return dash.no_update, dash.no_update
            chosen = tuple(sorted(laps or ())) or None
            view = View(axis=along, laps=chosen, window=None if asked == "all" else tuple(asked))
            window = None if view.window is None else _log_time(analysis, view)
        elif source == "whole":
            window = None
        elif source in ("pick", None):
            window = (pick or {}).get("window")
        view = view or _view(analysis, window, along, laps)
        return traces.traces(analysis, (rows or [])[:8], view, mode=mode or "light"), window

    @app.callback(
        Output("lock", "figure"),
        Output("lock-refusal", "children"),
        Input("pick", "data"),
        Input("other", "value"),
        Input("mode", "data"),
        State("run-id", "data"),
    )
    def _lock(pick: dict | None, other: str | None, mode: str, run_id: str) -> tuple:
        analysis = logbook.analysis(run_id)
        overlay, refusal = None, ""
        try:
            overlay = logbook.analysis(other) if other else None
        except InputError as error:
            refusal = str(error)
        chosen = _picked(analysis, pick)[1]
        return lock_view.lock_view(analysis, chosen=chosen, other=overlay, mode=mode or "light"), refusal

    @app.callback(
        Output("repeat", "figure"),
        Input("repeat-key", "value"),
        Input("repeat-phase", "value"),
        Input("mode", "data"),
        State("run-id", "data"),
    )
    def _repeat(key: str, phase: str, mode: str, run_id: str) -> dict:
        return repeat.repeat(logbook.analysis(run_id), key, phase, mode=mode or "light")

    @app.callback(Output("corner-table", "children"), Input("table-lap", "value"), State("run-id", "data"))
    def _table(lap: int, run_id: str) -> html.Div:
        return corner_table(logbook.analysis(run_id), lap or None)


def _log_time(analysis: Analysis, view: View) -> list[float]:
    """A window on the traces' axis as log time (s)."""
    time = analysis.signals.time_s
    axis = analysis.signals.distance_m if view.axis == "distance" else time
    offset = float(axis[analysis.laps.bounds[view.laps[0] - 1][0]]) if view.laps else 0.0
    at = axis.searchsorted([v + offset for v in view.window]).clip(0, len(time) - 1)
    return [float(time[i]) for i in at]


def _finding_button(index: int, found: Finding, chosen: bool) -> html.Button:
    where = (
        "whole session" if found.corner is None else f"corner {found.corner}, lap {found.lap}, {found.start_s:.1f} s"
    )
    return html.Button(
        [
            html.Div(
                [
                    html.Strong(KIND_NAMES.get(found.kind, found.kind)),
                    html.Div(where, className="where"),
                    *([html.Div(found.sentence)] if chosen else []),
                ]
            ),
            html.Span(SEVERITY_WORDS[found.severity], className=f"badge {found.severity}"),
        ],
        id={"type": "finding", "index": index},
        className="finding",
        **{"aria-pressed": "true" if chosen else "false"},
    )
