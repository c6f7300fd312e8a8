"""Before and after: two runs side by side. Shows both; whether the change took is for the statistics to say."""

from dash import Dash, Input, Output, dcc, html

from analyzer.analysis import Analysis
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
        before, after = logbook.analysis(before_id), logbook.analysis(after_id)
        figure = lock_view.lock_view(before, other=after, other_name="after", mode=mode or "light")
        return figure, _numbers(before, after), _corners(before, after)


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
