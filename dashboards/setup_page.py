"""Setup page: the setup file as a form, its predicted curve as it is typed, the measured curve, the agreement, the
odds.
"""

from typing import Any, TypeAlias
from urllib.parse import parse_qs

import dash
import numpy as np
from dash import ClientsideFunction, Dash, Input, NoUpdate, Output, State, dcc, html
from dash.development.base_component import Component

from analyzer.agreement.diagnose import agree_and_diagnose
from analyzer.agreement.steady_samples import steady_samples
from analyzer.agreement.verdict import Agreement, Diagnosis, Odds
from analyzer.analysis import Analysis
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import listed, number
from analyzer.presentation.agreement_words import (
    HOW_TO_READ,
    NAMES,
    bar,
    diagnosis_sentence,
    headline,
    odds_words,
    side_sentence,
)
from analyzer.presentation.prediction_words import input_torque_grid_Nm, note_words
from analyzer.presentation.words import (
    HOW_TO_READ_EXPLANATIONS,
    PARAMETER_NAMES,
    VERDICT_WORDS,
    explanation_cells,
    parameter_cells,
)
from dashboards.exchanged import Children, FieldIds, Values
from dashboards.figures_form import FileForm, Part
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import in_guide, not_measured, table, ways_of, why
from dashboards.run.views import predicted_curve
from dashboards.settings_page import SettingsPage

RAMPS = html.Details(
    [
        html.Summary("Which way is the ramp angle quoted?"),
        html.Img(
            src="/assets/ramps.svg",
            className="drawing",
            alt="ring_face: angle from the ring's face, smaller locks harder. shaft_axis: angle from the shaft axis, "
            "larger locks harder. The two add up to 90 degrees.",
        ),
    ],
    open=True,
)
FORM = FileForm(
    name="part",
    model=Setup,
    table="differential",
    parts=(
        Part("Differential, ramps and plates", "", open=True, drawing=RAMPS),
        Part("Cone springs (clamp the packs)", "cone_spring"),
        Part("Ring springs (hold the pressure rings together)", "ring_spring"),
        Part("Shims and wear", "shims"),
        Part("Bench breakaway (wins over the springs)", "breakaway", open=True),
        Part("Uncertainty of each figure (one standard deviation)", "uncertainty"),
    ),
    about={("", "type"): "; open and spool have no plates, and none of the figures below is used or saved"},
)
BARE = ("open", "spool")  # types without plates
LARGEST_NM = 2000.0
RANGE = [-0.3 * LARGEST_NM, LARGEST_NM, 500.0]  # of an empty plot: input torque from, to, torque moved across (N.m)
READ = (
    "The dashed line with its dotted 95 % band is what the parts in this form predict; it moves as you type. With a "
    "run chosen, the thick line was measured; each thin line is equally likely; the bar at the right moves it and "
    "the samples together. Dots slipped, triangles were locked, an arrow means at least this."
)
NO_FILE = (
    "This run was analysed without a setup file. Fill in what is fitted, or choose a file; the measured curve stays as "
    "it is."
)
HOW_PREDICTED = in_guide("theory#predicted-lock-curve", "How it is predicted")
NO_CURVE = html.P("The form has too few figures for a curve.", className="hint")
MARKS = {"agrees": "✓", "stronger": "▲", "weaker": "▼", "cannot_tell": "?"}
SHORT = {"agrees": "agrees", "stronger": "locks more", "weaker": "locks less", "cannot_tell": "not clear"}

Fitting: TypeAlias = tuple[Values, FieldIds]  # what stands in the form where a curve can be made of it


def typed(values: Values, ids: FieldIds) -> Setup:
    """The setup that the form's fields say; of an open differential or a spool nothing but its name and type.

    Raises
    ------
    InputError : what is wrong, in the words of the command line.
    """
    tables = FORM.tables(values, ids)
    if tables.get("type") in BARE:
        tables = {key: value for key, value in tables.items() if key in ("name", "type")}
    return FORM.checked(tables)


def odds_bars(found: Odds | None, verdict: str) -> list[Component]:
    """Heading, the odds in a sentence, a bar a build; nothing where nothing else might be fitted."""
    if found is None:
        return []
    rows = [
        [NAMES[one.kind], odds_words(one), _drawn(-bar(one), "against"), _drawn(bar(one), "for")]
        for one in found.against
    ]
    headings = ["instead of the setup file", "odds", "against the file", "for the file"]
    return [
        html.H3("Odds"),
        html.P(headline(found, verdict)),
        html.Div(table(headings, rows, words=(0, 1, 3)), className="file-odds"),
        html.P(HOW_TO_READ, className="read"),
    ]


def _drawn(length: float, side: str) -> html.Span | None:
    return html.Span(className=side, style={"width": f"{100 * length:.0f}%"}) if length > 0 else None


SHARED = SettingsPage("setup", FORM, load_setup, typed, ".setup.toml")


def layout(logbook: Logbook, search: str) -> html.Div:
    """The page; `?run=ID` chooses the run to hold the setup against."""
    asked = parse_qs(search.lstrip("?")).get("run", [None])[0]
    chosen = next((r for r in logbook.runs() if r.id == asked and r.state == "done"), None)
    # the run's own file; a run without one begins with an empty form, never with the invented sample's figures
    key = logbook.job(chosen.id)["keys"]["setup"] if chosen is not None else "sample"
    return html.Div(
        [
            html.Div(
                [
                    html.H1("Setup file"),
                    html.Span("What is fitted, and does the car lock as it predicts?", className="facts"),
                    ways_of(None if chosen is None else chosen.id, "Setup"),
                ],
                className="title",
            ),
            html.P(NO_FILE, className="hint") if key is None else None,
            *SHARED.tools(logbook, key, chosen, run_words="measured curve of"),
            dcc.Store(id="fitting"),  # the form's figures, the last time that a curve could be made of them
            html.Div(
                [
                    html.Div(
                        SHARED.sections(logbook, key, chosen.id if chosen else None),
                        id="setup-form",
                        className="fields",
                    ),
                    html.Div(
                        html.Section(
                            [
                                html.Div(
                                    [html.H2("Predicted lock curve"), why(READ, " ", HOW_PREDICTED)], className="bar"
                                ),
                                html.Div(id="predicted", className="fill"),
                                dcc.Store(id="typed-curve"),
                                html.P(id="against-short", className="verdict", **{"aria-live": "polite"}),
                                html.Div(id="predicted-numbers"),
                            ],
                            className="panel predicted-panel",
                        ),
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


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""
    SHARED.register(app, logbook, jobs)
    parts = SHARED.fields

    @app.callback(
        Output("setup-refusal", "children"),
        Output("fitting", "data"),
        Input(parts, "value"),
        State(parts, "id"),
    )
    def _check(values: Values, ids: FieldIds) -> tuple[str, Fitting | NoUpdate | None]:
        if not any(value not in (None, "") for value in values):
            return "", None  # nothing is typed yet
        try:
            predict_lock_curve(typed(values, ids))
        except HalfshaftError as error:
            return f"{error} The curve shown is still that of earlier figures.", dash.no_update
        return "", (values, ids)

    @app.callback(
        Output("typed-curve", "data"),
        Output("predicted-numbers", "children"),
        Output("against", "children"),
        Output("against-short", "children"),
        Input("fitting", "data"),
        Input("setup-run", "value"),
        prevent_initial_call=True,
    )
    def _predict(
        fitting: Fitting | None, run_id: str | None
    ) -> tuple[dict[str, Any] | NoUpdate, Component | None, Component | Children, str | Children]:
        if fitting is None:
            return {"run": run_id, "predicted": None, "range": RANGE}, None, NO_CURVE, ""
        setup = typed(*fitting)
        curve = predict_lock_curve(setup)
        if run_id is None:
            grid = input_torque_grid_Nm(curve, largest_Nm=LARGEST_NM)
            drawn = predicted_curve(curve, grid)
            top = RANGE[2] if drawn is None else max(50.0, 1.1 * max(drawn["y"]))
            alone = {"run": None, "predicted": drawn, "range": [float(grid.min()), float(grid.max()), top]}
            nothing = html.P("Choose a run above; then the file is compared with what was measured.", className="hint")
            return alone, _numbers(curve, None), nothing, ""
        try:
            analysis = logbook.analysis(run_id)
        except InputError as error:
            return dash.no_update, _numbers(curve, None), html.P(str(error), className="refusal", role="alert"), ""
        torque = np.array([p.input_torque_Nm for p in analysis.lock_curve.points])
        shown: dict[str, Any] = {"run": run_id, "predicted": predicted_curve(curve, torque), "range": RANGE}
        agreement = agreed(analysis, curve, setup)
        return shown, _numbers(curve, analysis), contradictions(agreement), in_short(agreement)

    app.clientside_callback(
        ClientsideFunction("fields", "draw"),
        Output("predicted", "title"),
        Input("typed-curve", "data"),
        prevent_initial_call=True,
    )


def _numbers(curve: PredictedLockCurve, analysis: Analysis | None) -> html.Div:
    measured = None if analysis is None else parameter_cells(analysis.lock_curve.parameters)
    rows = []
    for name, (label, digits) in PARAMETER_NAMES.items():
        value = getattr(curve, name)  # of a spool there is none; ramps that never clamp begin at infinity
        row = [label, "never" if value is not None and np.isinf(value) else number(value, digits)]
        rows.append(row + (list(measured.get(name, ("–", "–"))) if measured is not None else []))
    headings = ["", "parts predict"] + (["measured", "95 % interval"] if measured is not None else [])
    notes = [html.P(f"Note: {note_words(n)}", className="hint") for n in curve.notes]
    return html.Div([table(headings, rows), *notes, *(not_measured(analysis) if analysis is not None else [])])


def agreed(analysis: Analysis, curve: PredictedLockCurve, setup: Setup) -> Agreement:
    """Of the setup being typed, not of the one that the run was analysed with."""
    samples = steady_samples(analysis.signals, analysis.corners, analysis.axle)
    return agree_and_diagnose(samples, analysis.lock_curve, curve, setup, analysis.car, analysis.witness)


def in_short(found: Agreement) -> Children:
    """One line that stays in view while typing, and the way to the reasons below the form."""
    alike = {v: [side for side, own in found.by_side.items() if own == v] for v in found.by_side.values()}
    sides = "; ".join(f"{SHORT[verdict]}: {listed(sides)}" for verdict, sides in alike.items())
    return [f"Measured against this file: {sides}. ", html.A("Why, and what would explain it", href="#against-panel")]


def contradictions(found: Agreement) -> Children:
    """By side, and what would explain a disagreement."""
    rows = [
        [side, f"{MARKS[judged.verdict]} {VERDICT_WORDS[judged.verdict]}", side_sentence(side, judged)]
        for side, judged in found.sides.items()
    ]
    return [
        html.P(f"Overall: {VERDICT_WORDS[found.verdict]}.", className="verdict"),
        table(["side", "verdict", "why"], rows, words=3),
        *_diagnosis(found.diagnosis),
        *odds_bars(found.odds, found.verdict),
    ]


def _diagnosis(found: Diagnosis | None) -> Children:
    if found is None:
        return []
    parts = [
        html.Div([html.H3("What would explain it"), why(HOW_TO_READ_EXPLANATIONS)], className="bar"),
        html.P(diagnosis_sentence(found)),
    ]
    if found.explanations:
        rows = [list(explanation_cells(x)) for x in found.explanations]
        parts.append(table(["explanation", "how much better than the file", "figure it needs"], rows, words=(0,)))
    return parts
