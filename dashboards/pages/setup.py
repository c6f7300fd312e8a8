"""Setup page: the sheet as a form, its predicted curve as it is typed, the measured curve and the agreement."""

import json
from typing import Any, Literal, get_args, get_origin
from urllib.parse import parse_qs

import dash
import numpy as np
from dash import ALL, Dash, Input, Output, State, ctx, dcc, html
from pydantic import BaseModel

from analyzer.agreement.compare import agree
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.result import input_torque_grid_Nm
from analyzer.differential.setup import Breakaway, ConeSpring, RingSpring, Setup, Shims, load_setup
from analyzer.errors import HalfshaftError, InputError
from analyzer.report.words import PARAMETER_NAMES, VERDICT_WORDS, number
from analyzer.settings_file import validated
from dashboards.figures import lock_view
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.pages.parts import chart, labelled, parameter_cells, table, when
from dashboards.setup_file import to_toml

GROUPS = {  # table -> (heading, model); "" is [differential] itself
    "": ("Differential, ramps and plates", Setup),
    "cone_spring": ("Cone springs (clamp the packs)", ConeSpring),
    "ring_spring": ("Ring springs (hold the pressure rings together)", RingSpring),
    "shims": ("Shims and wear", Shims),
    "breakaway": ("Bench breakaway (wins over the springs)", Breakaway),
}
LARGEST_NM = 2000.0
READ = (
    "How to read it: the dashed line with its band is what the parts on this sheet should give and moves as you type. "
    "With a run chosen, the blue line with its band is what was measured; circles slipped, triangles were locked, "
    "arrows mean 'at least this'."
)


def layout(logbook: Logbook, search: str) -> html.Div:
    """The page; `?run=ID` chooses the run to lay the sheet over."""
    runs = [r for r in logbook.runs() if r.state == "done"]
    asked = parse_qs(search.lstrip("?")).get("run", [None])[0]
    chosen = next((r for r in runs if r.id == asked), None)
    key = "sample"
    if chosen is not None and logbook.job(chosen.id)["keys"]["setup"]:
        key = logbook.job(chosen.id)["keys"]["setup"]
    setups = [{"label": f.name, "value": f.key} for f in logbook.files("setup")]
    return html.Div(
        [
            html.H1("Setup sheet"),
            html.Div(
                [
                    labelled("load a sheet", dcc.Dropdown(setups, key, id="sheet", clearable=False), wide=True),
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
                ],
                className="tools",
            ),
            html.Div(id="setup-refusal", role="alert", className="refusal"),
            html.Div(
                [
                    html.Div(_form(_values(logbook, key)), id="form"),
                    html.Div(
                        [
                            html.Section(
                                [
                                    html.H2("Predicted lock curve"),
                                    chart("predicted", READ, label="predicted and measured lock curve"),
                                    html.Div(id="predicted-numbers"),
                                ],
                                className="panel",
                            ),
                            html.Section(
                                [html.H2("What contradicts the sheet"), html.Div(id="against")], className="panel"
                            ),
                        ],
                        className="beside",
                    ),
                ],
                className="half",
            ),
        ]
    )


def _values(logbook: Logbook, key: str) -> dict[str, Any]:
    setup = load_setup(logbook.file("setup", key).path)
    return setup.model_dump(exclude_unset=True, exclude={"uncertainty"})


def _form(values: dict[str, Any]) -> list:
    sections = []
    for group, (heading, model) in GROUPS.items():
        table_values = values if group == "" else values.get(group) or {}
        fields = [
            _field(group, key, info, table_values.get(key))
            for key, info in model.model_fields.items()
            if not _is_table(info.annotation)
        ]
        parts: list = [html.H2(heading)]
        if group == "":
            parts += [
                html.Details(
                    [
                        html.Summary("Which way is the ramp angle quoted?"),
                        html.Img(
                            src="/assets/ramps.svg",
                            className="drawing",
                            alt="ring_face: angle from the ring's face, smaller locks harder. shaft_axis: angle from "
                            "the shaft axis, larger locks harder. The two add up to 90 degrees.",
                        ),
                    ],
                    open=True,
                ),
            ]
        parts.append(html.Div(fields, className="form"))
        if group in ("", "breakaway"):
            sections.append(html.Section(parts, className="panel"))
        else:
            opened = bool(table_values)
            inner = html.Details([html.Summary(heading), *parts[1:]], open=opened)
            sections.append(html.Section([inner], className="panel"))
    return sections


def _field(group: str, key: str, info: Any, value: Any) -> html.Div:
    field_id = {"type": "part", "table": group, "key": key}
    label = _words(key)
    choices = _choices(info.annotation)
    # dash writes a dictionary id as JSON with sorted keys and no spaces
    html_id = json.dumps(field_id, sort_keys=True, separators=(",", ":"))
    if choices:
        control = dcc.Dropdown(list(choices), value, id=field_id, placeholder="not stated")
    else:
        control = dcc.Input(
            id=field_id,
            value="" if value is None else (value if isinstance(value, str) else f"{value:g}"),
            type="text",
            inputMode="text" if key == "name" else "decimal",
            debounce=0.3,
            autoComplete="off",
        )
    hint = [info.description or "", _range_words(info)]
    return html.Div(
        [html.Label(label, htmlFor=html_id), control, html.Span("; ".join(h for h in hint if h), className="hint")]
    )


def _words(key: str) -> str:
    units = {
        "_deg": "degrees",
        "_mm": "mm",
        "_N": "N",
        "_Nm": "N.m",
        "_N_per_mm": "N/mm",
        "_percent": "%",
        "_GPa": "GPa",
    }
    for ending in sorted(units, key=len, reverse=True):
        if key.endswith(ending):
            return f"{key.removesuffix(ending).replace('_', ' ')}, {units[ending]}"
    return key.replace("_", " ")


def _range_words(info: Any) -> str:
    low = next(
        (getattr(m, "ge", getattr(m, "gt", None)) for m in info.metadata if hasattr(m, "ge") or hasattr(m, "gt")), None
    )
    high = next((m.le for m in info.metadata if hasattr(m, "le")), None)
    return "" if low is None or high is None else f"{low:g} to {high:g}"


def _choices(annotation: Any) -> tuple[str, ...]:
    if get_origin(annotation) is Literal:
        return get_args(annotation)
    return next((get_args(a) for a in get_args(annotation) if get_origin(a) is Literal), ())


def _is_table(annotation: Any) -> bool:
    return any(isinstance(a, type) and issubclass(a, BaseModel) for a in (annotation, *get_args(annotation)))


def typed(values: list[Any], ids: list[dict[str, str]]) -> Setup:
    """The setup that the form's fields say.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    tables: dict[str, Any] = {}
    for value, where in zip(values, ids, strict=True):
        if value is None or value == "":
            continue
        target = tables if where["table"] == "" else tables.setdefault(where["table"], {})
        target[where["key"]] = _number(value) if not where["key"] == "name" else value
    return validated(Setup, tables, file="form", table_name="differential")


def _number(value: Any) -> Any:
    """A number where it reads like one (decimal comma allowed), else as typed, for the check to refuse."""
    try:
        number_typed = float(str(value).replace(",", "."))
    except ValueError:
        return value
    return int(number_typed) if number_typed.is_integer() else number_typed


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""
    parts = {"type": "part", "table": ALL, "key": ALL}

    @app.callback(Output("form", "children"), Input("sheet", "value"), prevent_initial_call=True)
    def _load(key: str) -> list:
        return _form(_values(logbook, key))

    @app.callback(
        Output("setup-refusal", "children"),
        Output("predicted", "figure"),
        Output("predicted-numbers", "children"),
        Output("against", "children"),
        Input(parts, "value"),
        Input("measured", "value"),
        Input("mode", "data"),
        State(parts, "id"),
    )
    def _predict(values: list, run_id: str | None, mode: str, ids: list) -> tuple:
        try:
            curve = predict_lock_curve(typed(values, ids))
        except HalfshaftError as error:
            return f"{error} The curve shown is the last one that could be made.", *[dash.no_update] * 3
        if run_id is None:
            grid = input_torque_grid_Nm(curve, largest_Nm=LARGEST_NM)
            figure = lock_view.predicted_only(curve, grid, mode=mode or "light")
            return "", figure, _numbers(curve, None), [html.P("Choose a run to compare with.", className="hint")]
        try:
            analysis = logbook.analysis(run_id)
        except InputError as error:
            return str(error), *[dash.no_update] * 3
        figure = lock_view.lock_view(analysis, predicted=curve, mode=mode or "light")
        return "", figure, _numbers(curve, parameter_cells(analysis)), _against(analysis.lock_curve, curve)

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


def _numbers(curve: PredictedLockCurve, measured: dict[str, tuple[str, str]] | None) -> html.Div:
    rows = []
    for name, (label, digits) in PARAMETER_NAMES.items():
        value = getattr(curve, name)
        row = [label, number(value, digits) if value is not None and np.isfinite(value) else "never"]
        rows.append(row + (list(measured.get(name, ("–", ""))) if measured is not None else []))
    headings = ["", "parts say"] + (["measured", "95 % interval"] if measured is not None else [])
    notes = [html.P(f"Note: {n}", className="hint") for n in curve.notes]
    return html.Div([table(headings, rows), *notes])


def _against(estimate: Any, curve: PredictedLockCurve) -> list:
    found = agree(estimate, curve)
    return [
        html.P(f"Overall: {VERDICT_WORDS[found.verdict]}.", className="verdict"),
        html.Ul([html.Li(sentence) for sentence in found.sentences.values()]),
    ]
