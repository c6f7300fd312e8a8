"""Run page: findings, map, traces, lock plot and corners of one log; picking a finding moves them all."""

from typing import Any

import dash
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html

from analyzer.errors import InputError
from analyzer.findings.finding import Finding
from analyzer.report.figures.theme import styled
from analyzer.report.figures.trend_plot import trend_plot
from analyzer.report.words import KIND_NAMES, SEVERITY_WORDS, answer
from dashboards.figures import circuit_map, lock_view, repeat, traces
from dashboards.figures.dark import readable
from dashboards.figures.traces import View
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.pages import run_panels as panels
from dashboards.pages.corner_table import corner_table
from dashboards.pages.picking import at_time, clicked_moment, from_finding, log_time, picked, view_of, zoomed

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
            dcc.Store(id="pick", data=from_finding(analysis, first)),
            dcc.Store(id="window", data=None),
            dcc.Store(id="listed", data=[]),
            html.Div([html.H1(run.log_name), panels.ways_on(run_id)], className="heading"),
            html.P(answer(analysis), className="answer"),
            panels.facts(analysis),
            html.Div([panels.findings_panel(analysis), panels.map_panel()], className="split"),
            panels.traces_panel(analysis),
            panels.lock_panel(logbook, run_id),
            panels.corners_panel(analysis, run_id),
            panels.over_the_run(analysis),
        ]
    )


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("pick", "data"),
        Input({"type": "finding", "index": ALL}, "n_clicks"),
        Input({"type": "go", "pass": ALL, "phase": ALL}, "n_clicks"),
        Input("map", "clickData"),
        Input("lock", "clickData"),
        Input("previous", "n_clicks"),
        Input("next", "n_clicks"),
        State("listed", "data"),
        State("pick", "data"),
        State("run-id", "data"),
        prevent_initial_call=True,
    )
    def _pick(
        _: Any, __: Any, on_map: dict | None, on_lock: dict | None, ___: Any, ____: Any,
        listed: list[int] | None, before: dict | None, run_id: str,
    ) -> dict:  # fmt: skip
        analysis, source = logbook.analysis(run_id), ctx.triggered_id
        pick = None
        if source in ("previous", "next") and listed and ctx.triggered[0]["value"]:
            step = 1 if source == "next" else -1
            now = (before or {}).get("finding")
            place = (listed.index(now) + step) % len(listed) if now in listed else 0
            pick = from_finding(analysis, listed[place])
        if isinstance(source, dict) and ctx.triggered[0]["value"]:
            if source["type"] == "finding":
                pick = from_finding(analysis, source["index"])
            else:
                corner = analysis.corners[source["pass"]]
                pick = at_time(analysis, float(analysis.signals.time_s[corner.apex]))
        if source in ("map", "lock"):
            moment = clicked_moment(on_map if source == "map" else on_lock, place=0 if source == "map" else 2)
            pick = None if moment is None else at_time(analysis, moment)
        return dash.no_update if pick is None else pick

    # what was picked further down or up comes into view, but never on opening the page
    app.clientside_callback(
        """function(pick) {
            const panel = document.getElementById("traces-panel");
            if (panel && panel.dataset.opened) {
                const top = panel.getBoundingClientRect().top;
                if (top > 0.6 * window.innerHeight || top < -120) panel.scrollIntoView({block: "start"});
            }
            if (panel) panel.dataset.opened = "yes";
            return window.dash_clientside.no_update;
        }""",
        Output("traces-panel", "title"),
        Input("pick", "data"),
    )

    @app.callback(
        Output("findings", "children"),
        Output("listed", "data"),
        Input("only-kind", "value"),
        Input("only-corner", "value"),
        Input("only-lap", "value"),
        Input("order", "value"),
        Input("pick", "data"),
        State("run-id", "data"),
    )
    def _list(
        kind: str | None, corner: int | None, lap: int | None, order: str, pick: dict | None, run_id: str
    ) -> tuple:
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
            none = "Nothing found" + (" with these filters." if found else " in this log.")
            return [html.P(none, className="hint")], []
        shown = kept[:MOST_LISTED]
        # what was picked on map or lock plot is in the list too
        shown += [item for item in kept[MOST_LISTED:] if item[0] == chosen]
        more = len(kept) - len(shown)
        left_out = (
            [html.P(f"and {more} more; narrow them down by kind, corner or lap.", className="hint")] if more else []
        )
        return [*(_finding_button(k, f, k == chosen) for k, f in shown), *left_out], [k for k, _ in kept]

    @app.callback(Output("what", "children"), Input("pick", "data"), State("run-id", "data"))
    def _what(pick: dict | None, run_id: str) -> list:
        found, corner = picked(logbook.analysis(run_id), pick)
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
        return circuit_map.circuit_map(analysis, quantity, chosen=picked(analysis, pick)[0], mode=mode or "light")

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
    def _traces(
        pick: dict | None, rows: list[str] | None, along: str, laps: list[int] | None, _: Any, change: dict | None,
        mode: str | None, window: list[float] | None, run_id: str,
    ) -> tuple:  # fmt: skip
        analysis, source = logbook.analysis(run_id), ctx.triggered_id
        view = None
        if source == "traces":
            asked = zoomed(change)
            if asked is None:
                return dash.no_update, dash.no_update
            chosen = tuple(sorted(laps or ())) or None
            view = View(axis=along, laps=chosen, window=None if isinstance(asked, str) else (asked[0], asked[1]))
            window = log_time(analysis, view)
        elif source == "whole":
            window = None
        elif source in ("pick", None):
            window = (pick or {}).get("window")
        view = view or view_of(analysis, window, along, laps)
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
        chosen = picked(analysis, pick)[1]
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

    @app.callback(Output("trend", "figure"), Input("mode", "data"), State("run-id", "data"))
    def _trend(mode: str, run_id: str) -> dict:
        trend = logbook.analysis(run_id).trend
        if trend is None:
            return {}
        figure = trend_plot(trend)
        return readable(styled(figure, height=320, mode=mode or "light"), mode or "light")

    @app.callback(Output("corner-table", "children"), Input("table-lap", "value"), State("run-id", "data"))
    def _table(lap: int, run_id: str) -> html.Div:
        return corner_table(logbook.analysis(run_id), lap or None)


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
