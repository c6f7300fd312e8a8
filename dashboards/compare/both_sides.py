"""Before and after in one picture: lock curves over each other, and a phase of every corner side by side."""

from collections.abc import Sequence
from itertools import groupby
from typing import Any

import plotly.graph_objects as go

from analyzer.analysis import PhaseResult
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
from analyzer.presentation.result_tables import corner_rows
from dashboards.parts import readable

READ_CURVES = (
    "How to read it: blue solid lines are the runs before, green dotted ones the runs after, with 95 % bands. Filled "
    "arrowheads (before) and open ones (after) mean 'at least this': nothing slipped there. Right is drive, left is "
    "coast. Bands that overlap do not mean that nothing changed: errors common to "
    "both runs widen them, and cancel in 'Compare'."
)
READ_PHASES = (
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
