"""Before and after in pictures and words: lock curves over each other, a phase of every corner side by side, and
what a comparison says of them.
"""

from collections.abc import Sequence
from itertools import groupby
from typing import Any

import plotly.graph_objects as go
from dash import html

from analyzer import in_words
from analyzer.analysis import PhaseResult
from analyzer.in_words import counted
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.comparison_words import (
    AGAINST_PARTS_WORDS,
    EVENT_VERDICT_WORDS,
    EVENT_WORDS,
    HOW_TO_READ_COMPARISON,
    SIDE_WORDS,
    VERDICT_WORDS,
    rate_cells,
)
from analyzer.presentation.figures.changes import READ_CHANGE, READ_PHASES
from analyzer.presentation.figures.theme import (
    BLUE,
    GREEN,
    MEASURED_BAND,
    add_stretch,
    corner_axis,
    hover,
    in_a_legend,
    say_instead,
    styled,
)
from analyzer.presentation.tables import corner_rows
from analyzer.presentation.words import PARAMETER_NAMES, PHASE_NAMES
from dashboards.compare.comparisons import Kept
from dashboards.exchanged import Children
from dashboards.parts import chart, in_guide, readable, table, why

READ_CURVES = (
    "How to read it: blue solid lines are the runs before, green dotted ones the runs after, with 95 % bands. Filled "
    "arrowheads (before) and open ones (after) mean 'at least this': nothing slipped there. Right is drive, left is "
    "coast. Bands that overlap do not mean that nothing changed: errors common to "
    "both runs widen them, and cancel in 'Compare'."
)
READ_MEDIANS = (
    "How to read it: one mark a lap, blue circles before, green diamonds after; the bar is their median. Marks of one "
    "side that lie close together: the driver and the car did the same every lap. Corners are matched by number, so "
    "both sides must be of one circuit."
)
SHOWN = {  # key of PhaseResult -> (label, factor, digits)
    "kinematic_lock": ("kinematic lock", 1.0, 2),
    "transfer_torque_Nm": ("transfer torque, N.m", 1.0, 0),
    "inside_slip": ("inside slip, %", 100.0, 1),
    "outside_slip": ("outside slip, %", 100.0, 1),
}
LOOKS = {  # colour, dash, band, mark of a bound, mark of a pass, shift
    "before": (BLUE, "solid", MEASURED_BAND, "arrow-up", "circle", -0.17),
    "after": (GREEN, "dot", "rgba(0,158,115,0.22)", "arrow-up-open", "diamond", 0.17),
}
Curve = tuple[str, Sequence[dict[str, Any]]]  # name, points as in the result's lock curve
CHART_PX = 400
PHASE_KEYS = {  # key -> (heading, factor, digits)
    "kinematic_lock": ("kinematic lock", 1.0, 2),
    "transfer_torque_Nm": ("transfer torque, N.m", 1.0, 0),
    "inside_slip": ("inside slip, %", 100.0, 1),
}
LAPS_READ = (
    "The fastest lap of each side, matched by place in the lap. The lowest row is the time lost to the quicker one, "
    "counted from the line. Point at the chart to read both."
)


def curves(before: Sequence[Curve], after: Sequence[Curve], *, mode: str = "light") -> go.Figure:
    """Locking torque (N.m) against input torque (N.m) of every run, or of both sides as fitted together."""
    figure = go.Figure()
    for side, runs in (("before", before), ("after", after)):
        for name, points in runs:
            _curve(figure, side, f"{side}: {name}" if name else side, points)
    figure.update_xaxes(title="input torque, N.m")
    figure.update_yaxes(title="locking torque, N.m", rangemode="tozero")
    return readable(styled(figure, height=460, mode=mode).update_layout(margin={"t": 60}), mode)


def _curve(figure: go.Figure, side: str, name: str, points: Sequence[dict[str, Any]]) -> None:
    color, dash, band, arrow, _, _ = LOOKS[side]
    stretches = [list(run) for kind, run in groupby(points, key=lambda p: p["kind"]) if kind == "measured"]
    bounds = [p for p in points if p["kind"] == "bound" and p["lower_Nm"] is not None]
    for k, measured in enumerate(stretches):  # no line across a stretch where nothing slipped
        x, y, lower, upper = (
            [p[key] for p in measured] for key in ("input_torque_Nm", "locking_torque_Nm", "lower_Nm", "upper_Nm")
        )
        add_stretch(
            figure,
            x,
            y,
            lower,
            upper,
            line={"color": color, "width": 3, "dash": dash},
            fill=band,
            band={"legendgroup": name, "showlegend": False},
            name=in_a_legend(name),
            legendgroup=name,
            showlegend=k == 0,
            hovertemplate=hover(side, "at %{x:.0f} N.m: %{y:.0f} N.m"),
        )
    if bounds:
        figure.add_scatter(
            x=[p["input_torque_Nm"] for p in bounds],
            y=[p["lower_Nm"] for p in bounds],
            mode="markers",
            marker={"symbol": arrow, "size": 10, "color": color},
            name=f"{in_a_legend(name)}, at least this",
            legendgroup=name,
            showlegend=not stretches,
            hovertemplate=hover(side, "at %{x:.0f} N.m: at least %{y:.0f} N.m"),
        )


def phases(
    before: Sequence[PhaseResult], after: Sequence[PhaseResult], phase: str, key: str, *, mode: str = "light"
) -> go.Figure:
    """`key` of every pass through `phase`, corner by corner, both sides next to each other."""
    label, factor, digits = SHOWN[key]
    sides = {"before": _passes(before, phase, key), "after": _passes(after, phase, key)}
    corners = sorted({(r.corner, r.direction) for found in sides.values() for r in found})
    figure = go.Figure()
    for side, found in sides.items():
        color, _, _, _, symbol, shift = LOOKS[side]
        place = {corner: k + shift for k, corner in enumerate(corners)}
        figure.add_scatter(
            x=[place[r.corner, r.direction] for r in found],
            y=[factor * getattr(r, key) for r in found],
            mode="markers",
            marker={"symbol": symbol, "size": 8, "color": color, "opacity": 0.7},
            name=side,
            customdata=[[r.corner, r.lap] for r in found],
            hovertemplate=hover(side, f"corner %{{customdata[0]}}, lap %{{customdata[1]}}: %{{y:.{digits}f}}"),
        )
        x, y = [], []
        for row in corner_rows(tuple(found)):
            at = place[row.corner, row.direction]
            x += [at - 0.14, at + 0.14, None]
            y += [factor * value if (value := getattr(row, key)) is not None else None] * 2 + [None]
        figure.add_scatter(
            x=x, y=y, mode="lines", line={"color": color, "width": 3}, showlegend=False, hoverinfo="skip"
        )
    corner_axis(figure, corners)
    figure.update_yaxes(title=label)
    if not corners:
        figure.update_xaxes(visible=False).update_yaxes(visible=False)
        say_instead(figure, f"No corner pass has {label.split(',')[0]} in this phase.")
    return readable(styled(figure, height=400, mode=mode), mode)


def _passes(results: Sequence[PhaseResult], phase: str, key: str) -> list[PhaseResult]:
    return [r for r in results if r.phase == phase and r.lap > 0 and getattr(r, key) is not None]


def told(comparison_id: str, kept: Kept, *, fastest: dict[str, str] | None, mode: str) -> Children:
    """Sections of a finished comparison, as `Logbook.comparison` gives it; `fastest` is what `assets/laps.js` takes to
    overlay the fastest laps of both sides, None where a side has no whole lap."""
    result, charts = kept["result"], kept["charts"]
    return [
        _answer(comparison_id, result, has_report="report" in kept),
        html.Section(
            [
                html.H2("Change of the lock curve"),
                chart("change", READ_CHANGE, figure=_drawn(charts["change"], mode), label="change of locking torque"),
                _parameters(result),
            ],
            className="panel",
        ),
        *_laps(fastest),
        _phase_section(result, charts["phases"], mode),
        _events(result),
    ]


def _answer(comparison_id: str, result: dict[str, Any], *, has_report: bool) -> html.Section:
    rows = []
    for side, found in result["sides"].items():
        change, expected = found["change_Nm"], found["predicted_change_Nm"]
        words = (VERDICT_WORDS if expected is None else AGAINST_PARTS_WORDS)[found["verdict"]]
        level, margin = (in_words.number(found[key]) for key in ("before_Nm", "margin_Nm"))
        rows.append([SIDE_WORDS[side], words, level, signed(change["value"]), span(change), signed(expected), margin])
    headings = ["side", "verdict", "before, N.m", "change, N.m", "95 % interval", "parts predict, N.m", "margin, N.m"]
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Did the change take?"),
                    why(HOW_TO_READ_COMPARISON, " ", in_guide("user#before-and-after", "More about the verdicts")),
                ],
                className="bar",
            ),
            html.P(html.Strong(result["answer"][0]), className="answer"),
            # comparisons kept by an earlier version were not tested as a whole
            html.P(result["any_change"]["sentence"]) if "any_change" in result else None,
            html.P(result["answer"][1], className="hint"),
            *[html.P(f"Warning: {w}", className="refusal") for w in result["warnings"]],
            table(headings, rows, words=2),
            html.Div(
                [
                    html.A(
                        "Report (HTML)",
                        href=f"/comparison/{comparison_id}/report.html",
                        className="button quiet",
                        download="",
                    )
                    if has_report
                    else None,
                    html.Button("Print", id="print", className="quiet", **{"aria-label": "Print, or save as PDF"}),
                    html.A(
                        "Result (JSON)",
                        href=f"/comparison/{comparison_id}/result.json",
                        className="button quiet",
                        download="",
                    ),
                ],
                className="buttons",
            ),
        ],
        className="panel",
    )


def _laps(fastest: dict[str, str] | None) -> Children:
    """The fastest laps of both sides over each other, with the time lost along the lap."""
    if fastest is None:
        return []
    screen = html.A("On the run screen", href=fastest["screen"], className="button quiet")
    data = {f"data-{name}": value for name, value in fastest.items() if name != "screen"}
    return [
        html.Section(
            [
                html.Div(
                    [html.H2("Fastest laps overlaid"), why(LAPS_READ), html.Div(id="laps-key"), screen], className="bar"
                ),
                html.Div(id="laps-refusal", className="hint"),
                html.Div(id="laps", className="fill", **data),
            ],
            className="panel laps-panel",
        )
    ]


def _parameters(result: dict[str, Any]) -> html.Div:
    rows = []
    for name, change in result["change"].items():
        label, digits = PARAMETER_NAMES[name]
        expected = signed(result["predicted_change"][name], digits)
        rows.append([label, signed(change["value"], digits), span(change, digits), expected])
    return table(["change of", "measured", "95 % interval", "parts predict"], rows)


def _phase_section(result: dict[str, Any], drawn: dict[str, Any], mode: str) -> html.Section:
    rows = []
    for found in (p for p in result["phase_changes"] if p["corner"] is None):
        cells = []
        for key, (_, factor, digits) in PHASE_KEYS.items():
            cells += [signed(found[key]["value"], digits, factor), span(found[key], digits, factor)]
        passes = f"{found['passes_before']} and {found['passes_after']}"
        rows.append([PHASE_NAMES[found["phase"]], passes, *cells])
    headings = ["phase, all corners", "passes"]
    for heading, _, _ in PHASE_KEYS.values():
        headings += [heading, "95 % interval"]
    parts: Children = [html.H2("Change by corner phase, at matched speed and throttle")]
    if drawn["data"]:
        parts.append(chart("phase-changes", READ_PHASES, figure=_drawn(drawn, mode), label="change by corner phase"))
    else:
        parts.append(html.P("No corner has enough passes on both sides to match.", className="hint"))
    return html.Section([*parts, table(headings, rows)], className="panel")


def _events(result: dict[str, Any]) -> html.Section:
    rows = []
    for e in result["events"]:
        before, after = (f"{e[f'count_{k}']} in {counted(e[f'laps_{k}'], 'lap')}" for k in ("before", "after"))
        times, ends = rate_cells(Interval(**e["rate_ratio"]))
        rows.append(
            [EVENT_WORDS.get(e["kind"], e["kind"]), before, after, times, ends, EVENT_VERDICT_WORDS[e["verdict"]]]
        )
    headings = ["event", "before", "after", "times as often a lap", "95 % interval", "verdict"]
    return html.Section([html.H2("Spins and understeer"), table(headings, rows, words=(0, 5))], className="panel")


def _drawn(drawn: dict[str, Any], mode: str) -> go.Figure:
    """A chart as the analyzer drew it, in the page's colours."""
    return readable(styled(go.Figure(drawn), height=CHART_PX, mode=mode), mode)


def signed(value: float | None, digits: int = 0, factor: float = 1.0) -> str:
    """A change with its sign; none where it rounds to nothing, a dash where there is none."""
    if value is None:
        return "–"
    return in_words.signed(factor * value, digits)


def span(interval: dict[str, Any], digits: int = 0, factor: float = 1.0) -> str:
    """The interval of a change, or why there is none."""
    if interval["lower"] is None or interval["upper"] is None:
        return interval.get("reason") or "–"
    return f"{signed(interval['lower'], digits, factor)} to {signed(interval['upper'], digits, factor)}"
