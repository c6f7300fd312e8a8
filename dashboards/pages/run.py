"""Run page: findings, map, traces, lock plot and corners of one log; picking a finding moves them all."""

from dash import ClientsideFunction, Dash, Input, Output, State, dcc, html

from analyzer.errors import InputError
from analyzer.presentation.figures.lock_plot import trend_plot
from analyzer.presentation.figures.theme import styled
from analyzer.presentation.words import answer_parts
from dashboards.figures import circuit_map, lock_view, repeat, traces
from dashboards.figures.dark import readable
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.pages import run_panels as panels
from dashboards.pages.corner_table import corner_table
from dashboards.pages.findings_list import finding_rows, listed, told
from dashboards.pages.parts import breakable
from dashboards.pages.picking import picked, view_of

MOST_ROWS = 8  # of traces


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
    # the worst finding is picked at first
    pick = {"at": 0, "finding": 0} if analysis.findings else None
    asked, rest = answer_parts(analysis)
    return html.Div(
        [
            dcc.Store(id="run-id", data=run_id),
            dcc.Store(id="pick", data=pick),
            dcc.Store(id="zoom"),
            dcc.Store(id="window", data=pick),
            dcc.Store(id="listed", data=listed(analysis)),
            dcc.Store(id="finding-rows"),
            dcc.Store(id="corner-rows"),
            html.Div(
                [
                    html.H1(breakable(run.log_name)),
                    html.P([html.Strong(asked), " ", rest], className="answer"),
                    panels.facts(analysis),
                    panels.ways_on(run_id),
                ],
                className="opening",
            ),
            html.Div(id="report-refusal", role="alert", className="refusal"),
            panels.weaknesses(analysis, run_id),
            html.Div([panels.findings_panel(analysis), panels.map_panel()], className="split"),
            panels.traces_panel(analysis),
            panels.lock_panel(logbook, run_id),
            panels.corners_panel(analysis, run_id),
            panels.over_the_run(analysis),
        ]
    )


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    _at_once(app)

    @app.callback(
        Output("listed", "data"),
        Input("only-kind", "value"),
        Input("only-corner", "value"),
        Input("only-lap", "value"),
        Input("order", "value"),
        State("run-id", "data"),
        prevent_initial_call=True,
    )
    def _choose(kind: str | None, corner: int | None, lap: int | None, order: str, run_id: str) -> list:
        return listed(logbook.analysis(run_id), kind=kind, corner=corner, lap=lap, order=order)

    @app.callback(
        Output("finding-rows", "data"),
        Input("listed", "data"),
        Input("pick", "data"),
        State("run-id", "data"),
    )
    def _list(chosen: list[list], pick: dict | None, run_id: str) -> dict:
        analysis = logbook.analysis(run_id)
        return finding_rows(analysis, [k for k, _ in chosen], picked(analysis, pick).index)

    @app.callback(Output("what", "children"), Input("pick", "data"), State("run-id", "data"))
    def _what(pick: dict | None, run_id: str) -> list:
        return told(picked(logbook.analysis(run_id), pick))

    @app.callback(
        Output("map", "figure"),
        Input("quantity", "value"),
        Input("pick", "data"),
        Input("mode", "data"),
        State("run-id", "data"),
    )
    def _map(quantity: str, pick: dict | None, mode: str, run_id: str) -> dict:
        analysis = logbook.analysis(run_id)
        return circuit_map.circuit_map(analysis, quantity, chosen=picked(analysis, pick).finding, mode=mode or "light")

    @app.callback(
        Output("traces", "figure"),
        Input("window", "data"),
        Input("rows", "value"),
        Input("along", "value"),
        Input("laps", "value"),
        Input("mode", "data"),
        State("pick", "data"),  # whenever it changes, so does the window
        State("run-id", "data"),
    )
    def _traces(
        window: dict | None,
        rows: list[str] | None,
        along: str,
        laps: list[int] | None,
        mode: str | None,
        pick: dict | None,
        run_id: str,
    ) -> dict:
        analysis = logbook.analysis(run_id)
        view, chosen = view_of(analysis, window, along, laps), picked(analysis, pick).finding
        return traces.traces(analysis, (rows or [])[:MOST_ROWS], view, chosen=chosen, mode=mode or "light")

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
        chosen = picked(analysis, pick).corner
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

    @app.callback(Output("corner-rows", "data"), Input("table-lap", "value"), State("run-id", "data"))
    def _table(lap: int, run_id: str) -> dict:
        return corner_table(logbook.analysis(run_id), lap or None)


def _at_once(app: Dash) -> None:
    """What is picked and zoomed, kept in the browser: see `assets/at_once.js` and `assets/lists.js`."""
    app.clientside_callback(
        ClientsideFunction("at_once", "pick"),
        Output("pick", "data"),
        Output("map", "clickData"),
        Output("lock", "clickData"),
        Input("map", "clickData"),
        Input("lock", "clickData"),
        Input("previous", "n_clicks"),
        Input("next", "n_clicks"),
        State("listed", "data"),
        State("pick", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("at_once", "zoom"),
        Output("zoom", "data"),
        Output("traces", "relayoutData"),
        Input("traces", "relayoutData"),
        Input("whole", "n_clicks"),
        State("traces", "figure"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("at_once", "window"),
        Output("window", "data"),
        Input("pick", "data"),
        Input("zoom", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("at_once", "into_view"),
        Output("traces-panel", "title"),
        Input("pick", "data"),
        prevent_initial_call=True,
    )
    app.clientside_callback(
        ClientsideFunction("at_once", "sideways"), Output("traces-read", "title"), Input("traces", "figure")
    )
    for data, place in (("finding-rows", "findings"), ("corner-rows", "corner-table")):
        drawn_by = ClientsideFunction("lists", "findings" if place == "findings" else "corners")
        app.clientside_callback(drawn_by, Output(place, "title"), Input(data, "data"), prevent_initial_call=True)
