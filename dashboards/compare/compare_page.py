"""Before and after: runs of both sides side by side, and on request fitted together: did the change take."""

from collections.abc import Sequence
from dataclasses import asdict
from typing import Any, NotRequired, TypeAlias, TypedDict
from urllib.parse import parse_qs

from dash import ALL, ClientsideFunction, Dash, Input, Output, State, dcc, html
from dash.development.base_component import Component

from analyzer.analysis import Analysis, PhaseResult
from analyzer.comparison.compared_runs import chosen_laps
from analyzer.errors import HalfshaftError
from analyzer.in_words import listed
from analyzer.phases.phases import PHASES
from analyzer.presentation.words import PARAMETER_NAMES, PHASE_NAMES, parameter_cells
from dashboards.compare import two_sides
from dashboards.compare.two_sides import told
from dashboards.exchanged import Answered, Children, Drawn, Option, Pressed, Tick
from dashboards.jobs import Jobs
from dashboards.logbook import Logbook
from dashboards.parts import chart, clock, labelled, not_measured, polled, progress, table, when
from dashboards.run_records import Run

MOST_A_SIDE = 4  # kept in memory at once
MOST_EARLIER = 20  # comparisons listed
ONE_RUN = (
    "There is only one run. Analyse the log from after the change as well. Or put this run on both sides, odd laps "
    "before and even laps after, to see how small a change it can show."
)
CHOICES = ("before", "after", "before-laps", "after-laps")  # what a comparison is about: runs and laps of both sides

Choice: TypeAlias = list[str] | str  # ids of runs, or words for laps


class Asked(TypedDict):
    """The comparison that was asked for, or why it cannot be made, and the choices that it is about."""

    of: list[Choice]
    id: NotRequired[str]
    refusal: NotRequired[str]


def layout(logbook: Logbook, search: str = "") -> html.Div:
    """The page; `?before=ID,ID&after=ID` chooses the runs, else the last two are."""
    runs = [r for r in logbook.runs() if r.state == "done"]
    if not runs:
        words = "Analyse two logs first, one from before the change and one from after; then they can be compared."
        return html.Div([html.H1("Before and after"), html.P(words), dcc.Link("Start page", href="/")])
    options: list[Option] = [{"label": f"{r.name}, {when(r.date_s)}", "value": r.id} for r in runs]
    # one run alone is laid beside nothing: over itself it would look like no change
    driven = sorted(runs, key=lambda run: (run.date_s, run.started))
    last_two = (
        {"before": [driven[-2].id], "after": [driven[-1].id]}
        if len(runs) > 1
        else {"before": [runs[0].id], "after": []}
    )
    asked = {side: _known(runs, search, side) for side in last_two}
    chosen, laps, shown = (asked if all(asked.values()) else last_two), ["", ""], None
    known = parse_qs(search.lstrip("?")).get("comparison", [""])[0]
    found = logbook.comparison_asked(known)
    if found is not None:
        chosen = dict(zip(("before", "after"), found["sides"], strict=True))
        laps = found["laps"]
        shown = {"id": known, "of": _about([*found["sides"], *laps])}
    return html.Div(
        [
            html.Div(
                [html.H1("Before and after"), html.Span("Did the change take?", className="facts")], className="title"
            ),
            html.P(ONE_RUN, className="hint") if len(runs) == 1 else None,
            html.Section([_sides(options, chosen, laps), _button()], className="panel"),
            html.Div(id="together-told", **{"aria-live": "polite"}),
            html.Section(
                [
                    html.H2("Lock curves", id="curves-heading"),
                    chart("both-locks", two_sides.READ_CURVES, label="lock curves before and after"),
                    html.Div(id="both-numbers"),
                ],
                className="panel",
            ),
            html.Section([html.H2("Corner phases side by side"), *_phases()], className="panel"),
            html.Section(_earlier(logbook, known), className="panel earlier", id="earlier"),
            dcc.Store(id="comparison", data=shown),
            dcc.Store(id="compared"),
            dcc.Store(id="to-stop"),
            dcc.Store(id="stopped"),
            dcc.Store(id="to-drop"),
            *clock("comparison", answered={"over": shown is None}),
        ]
    )


def _known(runs: list[Run], search: str, side: str) -> list[str]:
    """Runs of a side that the address names and that there are."""
    asked = parse_qs(search.lstrip("?")).get(side, [""])[0].split(",")
    return [run.id for run in runs if run.id in asked]


def _earlier(logbook: Logbook, shown: str) -> Children:
    """Comparisons that the logbook has, each with a link that keeps it."""
    lines = []
    for run, (before, after) in logbook.comparisons()[:MOST_EARLIER]:
        words = f"{listed(before)} against {listed(after)}"
        name = html.Strong(words) if run.id == shown else dcc.Link(words, href=f"/compare?comparison={run.id}")
        gone = html.Button(
            "Remove",
            id={"type": "drop-comparison", "run": run.id},
            className="quiet",
            **{"aria-label": f"remove {words}"},
        )
        told = {"done": "", "waiting": "waiting", "running": "under way"}.get(run.state, run.message or run.state)
        lines.append(
            html.Div(
                [html.Div([name, html.Span(f" {when(run.started)} {told}", className="hint")], className="grow"), gone],
                className="kept-line",
            )
        )
    return [html.H2("Comparisons in this logbook"), *lines] if lines else []


def _sides(options: list[Option], chosen: dict[str, list[str]], laps_of: list[str]) -> html.Div:
    columns = []
    for (side, ids), laps_text in zip(chosen.items(), laps_of, strict=True):
        runs = dcc.Dropdown(options, ids, id=side, multi=True, placeholder="choose one run or several")
        laps = dcc.Input(
            id=f"{side}-laps", type="text", value=laps_text, debounce=True, placeholder="all", autoComplete="off"
        )
        columns.append(
            html.Div(
                [labelled(f"runs {side} the change", runs), labelled("only laps (odd, even, or such as 1-3,5)", laps)],
                className="side",
            )
        )
    return html.Div(columns, className="half")


def _button() -> html.Div:
    return html.Div(
        [
            html.Button("Compare", id="together", className="main"),
            html.Span(
                "fits all runs together with one car and one tyre: errors common to both runs cancel",
                className="hint",
            ),
            html.Div(id="together-progress", **{"aria-live": "polite"}),
        ],
        className="buttons",
    )


def _phases() -> Children:
    phases = {p: PHASE_NAMES[p] for p in PHASES}
    quantities = {key: label for key, (label, _, _) in two_sides.SHOWN.items()}
    return [
        html.Div(
            [
                labelled("phase", dcc.Dropdown(phases, "turn_in", id="side-phase", clearable=False)),
                labelled("quantity", dcc.Dropdown(quantities, "kinematic_lock", id="side-key", clearable=False)),
            ],
            className="tools",
        ),
        chart("both-phases", two_sides.READ_MEDIANS, label="a phase of every corner, before and after", broad=True),
    ]


def register(app: Dash, logbook: Logbook, jobs: Jobs) -> None:
    """Callbacks of the page."""

    @app.callback(
        Output("both-locks", "figure"),
        Output("both-numbers", "children"),
        Output("curves-heading", "children"),
        Input("before", "value"),
        Input("after", "value"),
        Input("compared", "data"),
        Input("mode", "data"),
    )
    def _curves(
        before_ids: list[str] | None, after_ids: list[str] | None, compared: str | None, mode: str
    ) -> tuple[Drawn, Component, str]:
        try:
            before, after = _runs(logbook, before_ids), _runs(logbook, after_ids)
        except HalfshaftError as error:
            return {}, html.P(str(error), className="refusal", role="alert"), "Lock curves"
        kept = logbook.comparison(compared) if compared else None
        if kept is not None:
            sides = ([("", kept["result"][side]["lock_curve"]["points"])] for side in ("before", "after"))
            heading = "Lock curves, both sides fitted together"
        else:
            sides = ([(a.recording.name, _points(a)) for a in runs] for runs in (before, after))
            heading = "Lock curves, each run by itself"
        return two_sides.curves(*sides, mode=mode or "light"), _numbers(before, after), heading

    @app.callback(
        Output("both-phases", "figure"),
        *(Input(choice, "value") for choice in CHOICES),
        Input("side-phase", "value"),
        Input("side-key", "value"),
        Input("mode", "data"),
    )
    def _side_by_side(
        before_ids: list[str] | None,
        after_ids: list[str] | None,
        before_laps: str | None,
        after_laps: str | None,
        phase: str,
        key: str,
        mode: str | None,
    ) -> Drawn:
        try:
            before = _passes(_runs(logbook, before_ids), before_laps, "before")
            after = _passes(_runs(logbook, after_ids), after_laps, "after")
        except HalfshaftError:
            return {}  # the curves' callback, or 'Compare', says why
        return two_sides.phases(before, after, phase, key, mode=mode or "light")

    polled(app, "comparison")
    app.clientside_callback(
        ClientsideFunction("at_once", "run_of"),
        Output("to-stop", "data"),
        Input({"type": "stop-comparison", "run": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("comparison", "data"),
        Input("together", "n_clicks"),
        *(State(choice, "value") for choice in CHOICES),
        prevent_initial_call=True,
    )
    def _begin(_: int | None, *chosen: Any) -> Asked:
        of, (before_ids, after_ids, before_laps, after_laps) = _about(chosen), chosen
        try:
            made = logbook.new_comparison(
                before_ids or [], after_ids or [], before_laps=before_laps, after_laps=after_laps
            )
            jobs.start(made)
        except HalfshaftError as error:
            return {"refusal": str(error), "of": of}
        return {"id": made, "of": of}

    @app.callback(
        Output("together-progress", "children"),
        Output("comparison-answered", "data"),
        Input("comparison", "data"),
        Input("comparison-tick", "data"),
        Input("stopped", "data"),
        *(Input(choice, "value") for choice in CHOICES),
        prevent_initial_call=True,
    )
    def _follow(
        comparison: Asked | None, tick: Tick | None, _: Pressed | None, *chosen: Choice | None
    ) -> tuple[Component | Children, Answered]:
        answered: Answered = {"n": tick["n"] if tick else None, "over": True, "done": None}
        if comparison is None or comparison["of"] != _about(chosen):
            return [], answered  # other runs were chosen: what was said is not about them
        if "refusal" in comparison:
            return _refused(comparison["refusal"]), answered
        try:
            run = logbook.run(comparison["id"])
        except HalfshaftError as error:
            return _refused(str(error)), answered
        if run.state in ("waiting", "running"):
            return progress(run, {"type": "stop-comparison", "run": run.id}), answered | {"over": False}
        if run.state != "done":
            return _refused(run.message), answered
        return [], answered | {"done": run.id}

    # the address keeps the comparison, so that a reload or a link shows it again
    app.clientside_callback(
        "(comparison) => { if (comparison && comparison.id) history.replaceState(history.state, '', "
        "'/compare?comparison=' + comparison.id); return dash_clientside.no_update; }",
        Output("together-progress", "title"),
        Input("comparison", "data"),
        prevent_initial_call=True,
    )

    app.clientside_callback(
        ClientsideFunction("at_once", "run_of"),
        Output("to-drop", "data"),
        Input({"type": "drop-comparison", "run": ALL}, "n_clicks"),
        prevent_initial_call=True,
    )

    @app.callback(
        Output("earlier", "children"),
        Input("to-drop", "data"),
        Input("compared", "data"),
        State("comparison", "data"),
        prevent_initial_call=True,
    )
    def _listed(drop: Pressed | None, _: str | None, comparison: Asked | None) -> Children:
        shown = "" if comparison is None else comparison.get("id", "")
        if drop is not None and drop["run"] != shown:
            logbook.remove_comparison(drop["run"])
        return _earlier(logbook, shown)

    # what hangs on it is drawn anew only when it changes
    app.clientside_callback(
        "(answered, compared) => answered.done === (compared ?? null) ? dash_clientside.no_update : answered.done",
        Output("compared", "data"),
        Input("comparison-answered", "data"),
        State("compared", "data"),
        prevent_initial_call=True,
    )

    @app.callback(Output("stopped", "data"), Input("to-stop", "data"), prevent_initial_call=True)
    def _stop(asked: Pressed) -> Pressed:
        try:
            jobs.cancel(asked["run"])
        except HalfshaftError:  # somebody else removed it meanwhile
            pass
        return asked

    @app.callback(Output("together-told", "children"), Input("compared", "data"), Input("mode", "data"))
    def _told(compared: str | None, mode: str) -> Children:
        kept = logbook.comparison(compared) if compared else None
        asked = logbook.comparison_asked(compared) if compared else None
        if compared is None or kept is None or asked is None:
            return []
        return told(compared, kept, fastest=_fastest(logbook, *asked["sides"]), mode=mode or "light")


def _fastest(logbook: Logbook, before: list[str], after: list[str]) -> dict[str, str] | None:
    """The fastest lap of the first run of each side: the stretch of the one after, and the one before to overlay."""
    analyses = [logbook.analysis(side[0]) for side in (before, after)]
    if not all(analysis.laps.bounds for analysis in analyses):
        return None
    later = analyses[1]
    time = later.signals.time_s
    start, stop = min(later.laps.bounds, key=lambda bounds: bounds[1] - bounds[0])
    return {
        "run": after[0],
        "over": f"{before[0]}.0",
        "from": f"{time[start] + 0.001:.3f}",
        "to": f"{time[stop - 1]:.3f}",
        "screen": f"/run/{after[0]}#over={before[0]}.0",
    }


def _about(chosen: Sequence[Choice | None]) -> list[Choice]:
    """The choices as a comparison keeps them: nothing chosen and emptied again are the same."""
    return [choice or [] for choice in chosen]


def _refused(message: str) -> html.P:
    return html.P(message, className="refusal", role="alert")


def _runs(logbook: Logbook, ids: Sequence[str] | None) -> list[Analysis]:
    return [logbook.analysis(run_id) for run_id in (ids or [])[:MOST_A_SIDE]]


def _passes(runs: list[Analysis], laps: str | None, side: str) -> list[PhaseResult]:
    """Phases of the laps that count."""
    found: list[PhaseResult] = []
    for analysis in runs:
        chosen = chosen_laps(laps, analysis=analysis, option=f"laps {side}") if laps else None
        found += [r for r in analysis.phase_results if chosen is None or r.lap in chosen]
    return found


def _points(analysis: Analysis) -> list[dict[str, Any]]:
    return [asdict(p) for p in analysis.lock_curve.points]


def _numbers(before: list[Analysis], after: list[Analysis]) -> html.Details:
    """Each run's own parameters; a comparison says more."""
    headings, columns, reasons = [""], [], []
    for side, runs in (("before", before), ("after", after)):
        for analysis in runs:
            headings.append(f"{side}: {analysis.recording.name}")
            columns.append(parameter_cells(analysis.lock_curve.parameters))
            reasons += not_measured(analysis)
    rows = []
    for name, (label, _) in PARAMETER_NAMES.items():
        cells = [column.get(name, ("–", "–")) for column in columns]
        rows.append([label, *(value if span in ("", "–") else f"{value} ({span})" for value, span in cells)])
    summary = html.Summary("Each run by itself in numbers, with 95 % intervals")
    return html.Details([summary, table(headings, rows), *reasons])
