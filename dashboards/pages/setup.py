"""Setup page: the setup file as a form, its predicted curve as it is typed, the measured curve and the agreement."""

from urllib.parse import parse_qs

import dash
import numpy as np
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html

from analyzer.analysis import Analysis
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.result import input_torque_grid_Nm
from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import number
from analyzer.presentation.words import PARAMETER_NAMES, parameter_cells
from dashboards.figures import lock_view
from dashboards.jobs import Jobs
from dashboards.logbook import KINDS, Logbook
from dashboards.pages.contradictions import agreed, contradictions, in_short
from dashboards.pages.parts import chart, labelled, not_measured, table, when
from dashboards.pages.setup_form import form, typed, values_of
from dashboards.setup_file import to_toml

LARGEST_NM = 2000.0
READ = (
    "How to read it: the dashed line with its band is what the parts in this file should give and moves as you type. "
    "With a run chosen, the blue line with its band is what was measured; circles slipped, triangles were locked, "
    "filled arrowheads mean 'at least this'."
)
NO_CURVE = html.P("The form has no figures that a curve could be made of.", className="hint")


def layout(logbook: Logbook, search: str) -> html.Div:
    """The page; `?run=ID` chooses the run to hold the setup against."""
    runs = [r for r in logbook.runs() if r.state == "done"]
    asked = parse_qs(search.lstrip("?")).get("run", [None])[0]
    chosen = next((r for r in runs if r.id == asked), None)
    key = logbook.job(chosen.id)["keys"]["setup"] if chosen is not None else None
    if key not in [option["value"] for option in _setups(logbook)]:
        key = "sample"  # also for an upload with the sample's bytes
    return html.Div(
        [
            html.H1("Setup file"),
            html.Div(
                [
                    labelled("file", dcc.Dropdown(_setups(logbook), key, id="opened", clearable=False), wide=True),
                    html.Div(
                        [html.Label("load a TOML file", htmlFor="file-opened"), _picker()],
                        className="load",
                        **{"data-drop": "opened"},
                    ),
                    labelled(
                        "measured curve of",
                        dcc.Dropdown(
                            [{"label": f"{r.log_name}, {when(r.started)}", "value": r.id} for r in runs],
                            chosen.id if chosen else None,
                            id="measured",
                            placeholder="none",
                        ),
                        wide=True,
                    ),
                    html.Button("Save as TOML", id="save-setup", className="main"),
                    dcc.Download(id="setup-file"),
                    dcc.Store(id="uploaded-opened"),
                    dcc.Store(id="fitting"),  # the form's figures, the last time that a curve could be made of them
                ],
                className="tools",
            ),
            html.Div(id="setup-refusal", role="alert", className="refusal"),
            html.Div(
                [
                    html.Div(form(values_of(logbook, key)), id="form"),
                    html.Div(
                        [
                            html.Section(
                                [
                                    html.H2("Predicted lock curve"),
                                    chart(
                                        "predicted",
                                        READ,
                                        label="predicted and measured lock curve",
                                        section="theory#predicted-lock-curve",
                                    ),
                                    html.P(id="against-short", className="verdict", **{"aria-live": "polite"}),
                                    html.Div(id="predicted-numbers"),
                                ],
                                className="panel",
                            ),
                        ],
                        className="beside",
                    ),
                ],
                className="half",
            ),
            html.Section(
                [html.H2("Against the setup file"), html.Div(id="against")],
                className="panel",
                id="against-panel",
            ),
        ]
    )


def _setups(logbook: Logbook) -> list[dict[str, str]]:
    return [
        {"label": f.name + (" (sample, invented)" if f.key == "sample" else ""), "value": f.key}
        for f in logbook.files("setup")
    ]


def _picker() -> html.Div:
    kind = {"data-kind": "setup", "data-name": "opened", "data-endings": ",".join(KINDS["setup"][0])}
    return html.Div(id="picker-opened", className="picker", **kind)


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""
    parts = {"type": "part", "table": ALL, "key": ALL}

    @app.callback(Output("form", "children"), Input("opened", "value"), prevent_initial_call=True)
    def _load(key: str | None) -> list:
        return dash.no_update if key is None else form(values_of(logbook, key))

    @app.callback(
        Output("opened", "options"),
        Output("opened", "value"),
        Input("uploaded-opened", "data"),
        prevent_initial_call=True,
    )
    def _loaded(stored: dict | None) -> tuple:
        return _setups(logbook), stored["key"] if stored else dash.no_update

    @app.callback(
        Output("setup-refusal", "children"),
        Output("fitting", "data"),
        Input(parts, "value"),
        State(parts, "id"),
    )
    def _check(values: list, ids: list) -> tuple:
        try:
            predict_lock_curve(typed(values, ids))
        except HalfshaftError as error:
            return f"{error} The curve shown is still that of earlier figures.", dash.no_update
        return "", [values, ids]

    @app.callback(
        Output("predicted", "figure"),
        Output("predicted-numbers", "children"),
        Output("against", "children"),
        Output("against-short", "children"),
        Input("fitting", "data"),
        Input("measured", "value"),
        Input("mode", "data"),
        prevent_initial_call=True,
    )
    def _predict(fitting: list | None, run_id: str | None, mode: str | None) -> tuple:
        if fitting is None:
            return {}, None, NO_CURVE, ""
        setup = typed(*fitting)
        curve = predict_lock_curve(setup)
        if run_id is None:
            grid = input_torque_grid_Nm(curve, largest_Nm=LARGEST_NM)
            figure = lock_view.predicted_only(curve, grid, mode=mode or "light")
            nothing = html.P("Choose a run above; then the file is held against what was measured.", className="hint")
            return figure, _numbers(curve, None), nothing, ""
        try:
            analysis = logbook.analysis(run_id)
        except InputError as error:
            return {}, _numbers(curve, None), html.P(str(error), className="refusal", role="alert"), ""
        figure = lock_view.lock_view(analysis, predicted=curve, mode=mode or "light")
        agreement = agreed(analysis, curve, setup)
        return figure, _numbers(curve, analysis), contradictions(agreement), in_short(agreement)

    @app.callback(
        Output("setup-file", "data"),
        Output("setup-refusal", "children", allow_duplicate=True),
        Input("save-setup", "n_clicks"),
        State(parts, "value"),
        State(parts, "id"),
        prevent_initial_call=True,
    )
    def _save(clicks: int | None, values: list, ids: list) -> tuple:
        if not clicks or ctx.triggered_id != "save-setup":
            return dash.no_update, dash.no_update
        try:
            setup = typed(values, ids)
        except HalfshaftError as error:
            return dash.no_update, f"Not saved: {error}"
        return {"content": to_toml(setup), "filename": "setup.toml", "type": "application/toml"}, ""


def _numbers(curve: PredictedLockCurve, analysis: Analysis | None) -> html.Div:
    measured = None if analysis is None else parameter_cells(analysis.lock_curve.parameters)
    rows = []
    for name, (label, digits) in PARAMETER_NAMES.items():
        value = getattr(curve, name)  # of a spool there is none; ramps that never clamp begin at infinity
        row = [label, "never" if value is not None and np.isinf(value) else number(value, digits)]
        rows.append(row + (list(measured.get(name, ("–", "–"))) if measured is not None else []))
    headings = ["", "parts say"] + (["measured", "95 % interval"] if measured is not None else [])
    notes = [html.P(f"Note: {n}", className="hint") for n in curve.notes]
    return html.Div([table(headings, rows), *notes, *(not_measured(analysis) if analysis is not None else [])])
