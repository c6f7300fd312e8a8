"""What a comparison says: answer, verdict by side, change of the lock curve, of corner phases, of events."""

from typing import Any

import plotly.graph_objects as go
from dash import html

from analyzer import in_words
from analyzer.in_words import counted
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.comparison_words import (
    AGAINST_PARTS_WORDS,
    EVENT_VERDICT_WORDS,
    EVENT_WORDS,
    HOW_TO_READ,
    VERDICT_WORDS,
    rate_cells,
)
from analyzer.presentation.figures.comparison_plots import READ_CHANGE, READ_PHASES
from analyzer.presentation.figures.theme import styled
from analyzer.presentation.words import PARAMETER_NAMES, PHASE_NAMES
from dashboards.parts import chart, in_guide, readable, table, why

CHART_PX = 400
PHASE_KEYS = {  # key -> (heading, factor, digits)
    "kinematic_lock": ("kinematic lock", 1.0, 2),
    "transfer_torque_Nm": ("transfer torque, N.m", 1.0, 0),
    "inside_slip": ("inside slip, %", 100.0, 1),
}


def told(comparison_id: str, kept: dict[str, Any], *, fastest: dict[str, str] | None, mode: str) -> list:
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
        rows.append([side, words, signed(change["value"]), span(change), signed(expected), found["sentence"]])
    headings = ["side", "verdict", "change, N.m", "95 % interval", "parts predict, N.m", "in words"]
    return html.Section(
        [
            html.Div(
                [
                    html.H2("Did the change take?"),
                    why(HOW_TO_READ, " ", in_guide("user#before-and-after", "More about the verdicts")),
                ],
                className="bar",
            ),
            html.P(result["answer"][0], className="answer"),
            # comparisons kept by an earlier version were not tested as a whole
            html.P(result["any_change"]["sentence"]) if "any_change" in result else None,
            html.P(result["answer"][1], className="hint"),
            *[html.P(f"Warning: {w}", className="refusal") for w in result["warnings"]],
            table(headings, rows, words=(0, 1, 5)),
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


LAPS_READ = (
    "The fastest lap of each side, matched by place in the lap. The lowest row is the time lost to the quicker one, "
    "counted from the line. Point at the chart to read both."
)


def _laps(fastest: dict[str, str] | None) -> list:
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


def _phase_section(result: dict[str, Any], drawn: dict, mode: str) -> html.Section:
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
    parts: list = [html.H2("Change by corner phase, at matched speed and throttle")]
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


def _drawn(drawn: dict, mode: str) -> go.Figure:
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
