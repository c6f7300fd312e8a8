"""Before and after: two runs side by side, and on request both fitted together: did the change take."""

import dash
from dash import Dash, Input, Output, State, dcc, html

from analyzer.analysis import Analysis
from analyzer.errors import HalfshaftError
from analyzer.report.corner_table import corner_rows
from analyzer.report.words import PARAMETER_NAMES, PHASE_NAMES, number
from dashboards.figures import lock_view
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.pages.parts import chart, labelled, parameter_cells, table, when

READ = (
    "How to read it: blue is 'before' with its samples, green dotted 'after'; bands are 95 %. Curves whose bands lie "
    "apart differ; where bands overlap this picture alone does not tell."
)
PHASES_SHOWN = ("turn_in", "power_application")


def layout(logbook: Logbook) -> html.Div:
    """The page."""
    runs = [{"label": f"{r.log_name}, {when(r.started)}", "value": r.id} for r in logbook.runs() if r.state == "done"]
    if len(runs) < 2:
        return html.Div(
            [html.H1("Before and after"), html.P("Analyse two logs first; then they can be laid side by side.")]
        )
    return html.Div(
        [
            html.H1("Before and after"),
            html.Div(
                [
                    labelled("before", dcc.Dropdown(runs, runs[1]["value"], id="before", clearable=False), wide=True),
                    labelled("after", dcc.Dropdown(runs, runs[0]["value"], id="after", clearable=False), wide=True),
                ],
                className="tools",
            ),
            html.Section(
                [
                    html.H2("Did the change take?"),
                    html.P("Fits both runs together with one car and one tyre; takes some seconds.", className="hint"),
                    html.Button("Fit both together", id="together", className="main"),
                    html.Div(id="together-told", **{"aria-live": "polite"}),
                    dcc.Store(id="comparison"),
                    dcc.Interval(id="comparison-clock", interval=700, disabled=True),
                ],
                className="panel",
            ),
            html.Section(
                [html.H2("Lock curves"), chart("both-locks", READ, label="both lock curves")], className="panel"
            ),
            html.Section([html.H2("Lock curve in numbers"), html.Div(id="both-numbers")], className="panel"),
            html.Section(
                [html.H2("Turn-in and power, corner by corner"), html.Div(id="both-corners")], className="panel"
            ),
        ]
    )


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("both-locks", "figure"),
        Output("both-numbers", "children"),
        Output("both-corners", "children"),
        Input("before", "value"),
        Input("after", "value"),
        Input("mode", "data"),
    )
    def _both(before_id: str, after_id: str, mode: str) -> tuple:
        try:
            before, after = logbook.analysis(before_id), logbook.analysis(after_id)
        except HalfshaftError as error:
            return {}, html.P(str(error), className="refusal", role="alert"), []
        figure = lock_view.lock_view(before, other=after, other_name="after", mode=mode or "light")
        return figure, _numbers(before, after), _corners(before, after)

    @app.callback(
        Output("comparison", "data"),
        Output("comparison-clock", "disabled"),
        Output("together-told", "children"),
        Input("together", "n_clicks"),
        Input("comparison-clock", "n_intervals"),
        Input("before", "value"),
        Input("after", "value"),
        State("comparison", "data"),
        prevent_initial_call=True,
    )
    def _together(_: int, __: int, before_id: str, after_id: str, comparison_id: str | None) -> tuple:
        try:
            if dash.ctx.triggered_id == "together":
                comparison_id = logbook.new_comparison(before_id, after_id)
                jobs.start(comparison_id)
            elif dash.ctx.triggered_id != "comparison-clock" or comparison_id is None:
                return None, True, []  # other runs were chosen: what was said is not about them
            run = logbook.run(comparison_id)
            if run.state in ("waiting", "running"):
                bar = html.Progress(value=str(round(run.share, 3)), max="1", **{"aria-label": "progress"})
                return (
                    comparison_id,
                    False,
                    html.Div([bar, html.Span(run.step, className="hint")], className="progress"),
                )
            if run.state != "done":
                return None, True, html.P(run.message, className="refusal")
            return comparison_id, True, _told(logbook.comparison(comparison_id))
        except HalfshaftError as error:
            return None, True, html.P(str(error), className="refusal")


def _told(result: dict) -> list:
    rows = []
    for side, found in result["sides"].items():
        change = found["change_Nm"]
        span = "–" if change["lower"] is None else f"{number(change['lower'])} to {number(change['upper'])}"
        verdict = result["verdict"][side].replace("_", " ")
        expected = number(found["predicted_change_Nm"])
        rows.append([side, verdict, found["sentence"], number(change["value"]), span, expected])
    headings = ["side", "", "what", "change, N.m", "95 % interval", "sheets say, N.m"]
    warnings = [html.P(f"Note: {w}", className="refusal") for w in result["warnings"]]
    return [table(headings, rows, words=3), *warnings]


def _numbers(before: Analysis, after: Analysis) -> html.Div:
    first, second = parameter_cells(before), parameter_cells(after)
    rows = [
        [label, *first.get(name, ("–", "")), *second.get(name, ("–", ""))]
        for name, (label, _) in PARAMETER_NAMES.items()
    ]
    return table(["", "before", "95 % interval", "after", "95 % interval"], rows)


def _corners(before: Analysis, after: Analysis) -> html.Div:
    both = [{(r.corner, r.direction, r.phase): r for r in corner_rows(a.phase_results)} for a in (before, after)]
    rows = []
    for key in both[0]:
        if key not in both[1] or key[2] not in PHASES_SHOWN:
            continue
        cells = [(number(r.kinematic_lock, 2), number(r.transfer_torque_Nm)) for r in (both[0][key], both[1][key])]
        rows.append([f"{key[0]} {key[1]}", PHASE_NAMES[key[2]], *(c[0] for c in cells), *(c[1] for c in cells)])
    note = "Medians over laps. Corners are matched by number: both runs must be of one circuit."
    headings = ["corner", "phase", "kinematic lock before", "after", "transfer before, N.m", "after"]
    return html.Div([table(headings, rows, words=2), html.P(note, className="read")])
