"""Traces of a session or of laps laid over each other; only what the screen can show is sent."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis
from analyzer.phases.segments import Corner
from analyzer.report.figures.downsample import min_max
from analyzer.report.figures.theme import BLUE, GREEN, GREY, INK, ORANGE, PURPLE, SKY, VERMILLION, styled
from analyzer.report.words import PHASE_NAMES
from dashboards.figures.dark import readable
from dashboards.figures.quantities import Line, Quantity, chosen_quantity

READ = (
    "How to read it: shaded stretches are the phases of a corner, named on top. Rear wheels that leave each other are "
    "spinning or slipping; two rear lines in one constant ratio turn as one. Drag to zoom, double-click for all; "
    "the cursor shows every value."
)
POINTS = 1500  # at most, a line, in the visible range
MOST_PHASES = 60  # shaded at once; further out only corners are shaded
LOOKS = (
    (BLUE, "solid"),
    (VERMILLION, "dash"),
    (GREEN, "dot"),
    (PURPLE, "dashdot"),
    (ORANGE, "longdash"),
    (SKY, "solid"),
)
ROW_PX = 165


@dataclass(frozen=True)
class View:
    """What is shown: x axis `time` or `distance`; `laps` laid over each other (None: the session in one piece);
    `window` (from, to) on the x axis, None for all."""

    axis: str = "time"
    laps: tuple[int, ...] | None = None
    window: tuple[float, float] | None = None


def traces(analysis: Analysis, keys: Sequence[str], view: View, *, mode: str = "light") -> go.Figure:
    """One row a quantity, with at most POINTS points a line inside the window."""
    quantities = [chosen_quantity(key) for key in keys]
    figure = make_subplots(rows=max(1, len(quantities)), cols=1, shared_xaxes=True, vertical_spacing=0.035)
    for row, quantity in enumerate(quantities, start=1):
        lines = quantity.lines(analysis)
        figure.update_yaxes(title={"text": quantity.label.replace(", ", "<br>"), "font": {"size": 11}}, row=row, col=1)
        for k, line in enumerate(lines):
            if view.laps is None:
                _draw(figure, row, line.name, line, slice(0, len(line.time_s)), 0.0, LOOKS[k], analysis, view, quantity)
                continue
            for j, lap in enumerate(view.laps):
                start, stop = analysis.laps.bounds[lap - 1]
                time = analysis.signals.time_s
                where = slice(*np.searchsorted(line.time_s, [time[start], time[stop - 1]]))
                offset = float(_axis(analysis, view.axis)[start])
                look = (LOOKS[j % len(LOOKS)][0], LOOKS[k][1])
                _draw(figure, row, f"lap {lap}, {line.name}", line, where, offset, look, analysis, view, quantity)
    _shade(figure, analysis, view, mode)
    label = "distance, m" if view.axis == "distance" else "log time, s" if view.laps is None else "time in the lap, s"
    figure.update_xaxes(title=label, row=max(1, len(quantities)), col=1)
    if view.window is not None:
        figure.update_xaxes(range=list(view.window))
    figure.update_layout(hovermode="x unified")
    styled(figure, height=130 + ROW_PX * max(1, len(quantities)), mode=mode)
    figure.update_xaxes(gridcolor=figure.layout.xaxis.gridcolor)
    figure.update_layout(
        margin={"t": 30, "l": 75, "b": 45},
        legend={"y": -0.12, "yanchor": "top"},
        hoverlabel={"bgcolor": "#ffffff" if mode == "light" else "#22262c", "font": {"color": INK[mode]}},
    )
    return readable(figure, mode)


def _axis(analysis: Analysis, axis: str) -> np.ndarray:
    return analysis.signals.distance_m if axis == "distance" else analysis.signals.time_s


def _draw(
    figure: go.Figure,
    row: int,
    name: str,
    line: Line,
    where: slice,
    offset: float,
    look: tuple[str, str],
    analysis: Analysis,
    view: View,
    quantity: Quantity,
) -> None:
    time = line.time_s[where]
    x = time if view.axis == "time" else np.interp(time, analysis.signals.time_s, analysis.signals.distance_m)
    x, values = x - offset, line.values[where]
    if view.window is not None:
        inside = slice(*np.searchsorted(x, view.window))
        # one sample more on each side, so that lines run to the edge
        inside = slice(max(inside.start - 1, 0), inside.stop + 1)
        x, values = x[inside], values[inside]
    kept = min_max(values, POINTS)
    figure.add_scatter(
        x=x[kept],
        y=values[kept],
        name=name,
        mode="lines",
        line={"color": look[0], "dash": look[1], "width": 1.8},
        hovertemplate=f"%{{y:.{quantity.digits}f}}",
        row=row,
        col=1,
    )


def _shade(figure: go.Figure, analysis: Analysis, view: View, mode: str) -> None:
    axis = _axis(analysis, view.axis)
    corners, offset = _visible(analysis, view, axis)
    close = sum(len(c.phases) for c in corners) <= MOST_PHASES
    few = len(corners) <= 3
    for corner in corners:
        parts = [(p.start, p.stop, PHASE_NAMES[p.name]) for p in corner.phases]
        if not close:
            parts = [(corner.start, corner.stop, "")]
        for k, (start, stop, name) in enumerate(parts):
            low, high = float(axis[start]) - offset, float(axis[min(stop, len(axis) - 1)]) - offset
            figure.add_shape(
                type="rect",
                x0=low,
                x1=high,
                y0=0,
                y1=1,
                yref="paper",
                fillcolor=GREY,
                line_width=0,
                opacity=0.20 if k % 2 else 0.08,
                layer="below",
            )
            if few:
                _label(figure, (low + high) / 2, name, mode)
        if not few:
            _label(figure, float(axis[corner.apex]) - offset, str(corner.number), mode)


def _label(figure: go.Figure, x: float, text: str, mode: str) -> None:
    figure.add_annotation(
        x=x, y=1.0, yref="paper", yanchor="bottom", text=text, showarrow=False, font={"size": 11, "color": INK[mode]}
    )


def _visible(analysis: Analysis, view: View, axis: np.ndarray) -> tuple[list[Corner], float]:
    """Corner passes in the window, and what to take off the axis (with laps over each other: those of the first)."""
    offset, corners = 0.0, list(analysis.corners)
    if view.laps:
        offset = float(axis[analysis.laps.bounds[view.laps[0] - 1][0]])
        corners = [c for c in corners if c.lap == view.laps[0]]
    low, high = view.window or (-np.inf, np.inf)
    return [c for c in corners if axis[c.stop - 1] - offset > low and axis[c.start] - offset < high], offset
