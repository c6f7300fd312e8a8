"""Figures of a comparison: change of the lock curve, and change by corner and phase."""

import plotly.graph_objects as go

from analyzer.comparison.comparison import Comparison
from analyzer.comparison.phase_changes import PhaseChange
from analyzer.presentation.figures.theme import (
    BLUE,
    GREEN,
    GREY,
    MEASURED_BAND,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    add_band,
    corner_axis,
    hover,
    styled,
)
from analyzer.presentation.words import PHASE_NAMES

READ_CHANGE = (
    "How to read it: the change of locking torque at the same input torque, after minus before, with its 95 % band. "
    "Above zero the differential locks more than before. The band is narrow where both sides slipped often; the curve "
    "ends where one of them did not slip. The dashed line is what the parts predict. Right is drive, left is coast."
)
READ_PHASES = (
    "How to read it: change of the torque moved across the axle in each phase of each corner, after minus before, at "
    "matched speed and throttle, with 95 % intervals. Positive: it resists the turn more than before."
)
PHASE_MARKS = {
    "turn_in": ("circle", SKY),
    "mid_corner": ("square", BLUE),
    "power_application": ("diamond", VERMILLION),
    "exit": ("triangle-up", ORANGE),
    "braking": ("x", PURPLE),
}
APART = 0.13  # between the phases of one corner, on an axis of corners one apart


def change_plot(comparison: Comparison) -> go.Figure:
    """Change of locking torque (N.m) against input torque (N.m), with band, zero and what the parts predict."""
    figure = go.Figure()
    torque = comparison.torque_Nm.tolist()
    value, lower, upper = (row.tolist() for row in comparison.locking_change_Nm)
    add_band(figure, torque, lower, upper, fill=MEASURED_BAND, name="95 % band")
    figure.add_scatter(
        x=torque,
        y=value,
        mode="lines",
        line={"color": BLUE, "width": 3},
        name="measured change",
        hovertemplate=hover("measured change", "at %{x:.0f} N.m: %{y:+.0f} N.m"),
    )
    if comparison.expected_locking_change_Nm is not None:
        figure.add_scatter(
            x=torque,
            y=comparison.expected_locking_change_Nm.tolist(),
            mode="lines",
            line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
            name="parts predict",
            hovertemplate=hover("parts predict", "at %{x:.0f} N.m: %{y:+.0f} N.m"),
        )
    margin = comparison.sides["preload"].margin_Nm
    for level in (-margin, margin):
        figure.add_hline(
            y=level,
            line={"color": GREEN, "width": 1.5, "dash": "dot"},
            name="a change between these does not matter",
            showlegend=level == margin,
        )
    figure.add_hline(y=0, line={"color": GREY, "width": 2})
    figure.update_xaxes(title="input torque, N.m")
    figure.update_yaxes(title="change of locking torque, N.m")
    return styled(figure, height=420)


def phase_plot(comparison: Comparison) -> go.Figure:
    """Change of transfer torque (N.m) by corner, one mark a phase."""
    figure = go.Figure()
    by_corner = [p for p in comparison.phases if p.corner is not None and p.transfer_torque_Nm.value is not None]
    corners = sorted({(p.corner, p.direction) for p in by_corner})
    for k, (phase, (symbol, color)) in enumerate(PHASE_MARKS.items()):
        of_phase = [p for p in by_corner if p.phase == phase]
        if of_phase:
            _marks(figure, of_phase, corners, (k - 2) * APART, symbol, color)
    figure.add_hline(y=0, line={"color": GREY, "width": 2})
    corner_axis(figure, corners)
    figure.update_yaxes(title="change of transfer torque, N.m")
    return styled(figure, height=420)


def _marks(figure: go.Figure, rows: list[PhaseChange], corners: list, shift: float, symbol: str, color: str) -> None:
    values = [p.transfer_torque_Nm for p in rows]
    figure.add_scatter(
        x=[corners.index((p.corner, p.direction)) + shift for p in rows],
        y=[i.value for i in values],
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [i.upper - i.value for i in values],
            "arrayminus": [i.value - i.lower for i in values],
            "thickness": 1.5,
            "width": 3,
        },
        mode="markers",
        marker={"symbol": symbol, "size": 9, "color": color},
        name=PHASE_NAMES[rows[0].phase],
        customdata=[[p.corner, p.passes_before, p.passes_after] for p in rows],
        hovertemplate=hover(
            PHASE_NAMES[rows[0].phase],
            "corner %{customdata[0]}: %{y:+.0f} N.m, from %{customdata[1]} and %{customdata[2]} passes",
        ),
    )
