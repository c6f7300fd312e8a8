"""Traces of a session or of laps laid over each other; only what the screen can show is sent."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis
from analyzer.findings.finding import Finding
from analyzer.phases.segments import Corner
from analyzer.presentation.figures.theme import (
    BLUE,
    FINDING,
    GREEN,
    GREY,
    INK,
    ORANGE,
    PURPLE,
    SKY,
    VERMILLION,
    min_max,
    styled,
)
from analyzer.presentation.words import PHASE_NAMES
from dashboards.figures.dark import readable
from dashboards.figures.quantities import Line, Quantity, chosen_quantity

READ = (
    "How to read it: grey stretches are the phases of a corner, named on top; further out whole corners, numbered. "
    "Dotted frames are findings, red is the chosen one. Rear wheels that leave each other are spinning or slipping; "
    "two rear lines in one constant ratio turn as one. Drag to zoom, double-click for all; the cursor tells values."
)
LAP_LEGEND = "legend99"  # beyond those of the rows
POINTS = 1500  # at most, a line, in the visible range
MOST_PHASES = 60  # shaded at once; further out only corners are shaded
MOST_CORNERS = 150  # further out still, nothing is: they would be thinner than a line
LOOKS = (
    (BLUE, "solid"),
    (VERMILLION, "dash"),
    (GREEN, "dot"),
    (PURPLE, "dashdot"),
    (ORANGE, "longdash"),
    (SKY, "solid"),
)
ROW_PX = 165
PX, LETTER_PX = 560, 7  # about, of a chart's width on a tablet and of a letter
GAP_PX = 26  # between rows, for the legend of the lower one


@dataclass(frozen=True)
class View:
    """What is shown: x axis `time` or `distance`; `laps` laid over each other (None: the session in one piece);
    `window` (from, to) on the x axis, None for all."""

    axis: str = "time"
    laps: tuple[int, ...] | None = None
    window: tuple[float, float] | None = None


def traces(
    analysis: Analysis, keys: Sequence[str], view: View, *, chosen: Finding | None = None, mode: str = "light"
) -> go.Figure:
    """One row a quantity, with at most POINTS points a line inside the window; the chosen finding is filled."""
    quantities = [chosen_quantity(key) for key in keys]
    figure = make_subplots(
        rows=max(1, len(quantities)),
        cols=1,
        shared_xaxes=True,
        vertical_spacing=GAP_PX / (ROW_PX * max(1, len(quantities))),
    )
    stretches = _stretches(analysis, view)
    for row, quantity in enumerate(quantities, start=1):
        title = {"text": quantity.label.replace(", ", "<br>"), "font": {"size": 11}}
        figure.update_yaxes(title=title, row=row, col=1)
        for k, line in enumerate(quantity.lines(analysis)):
            for j, stretch in enumerate(stretches):
                color, dash = LOOKS[k] if stretch.lap is None else (LOOKS[j % len(LOOKS)][0], LOOKS[k][1])
                x, values = _points(analysis, line, stretch, view)
                figure.add_scatter(
                    x=x,
                    y=values,
                    name=line.name if stretch.lap is None else f"lap {stretch.lap}, {line.name}",
                    mode="lines",
                    line={"color": color, "dash": dash, "width": 1.8},
                    hovertemplate=f"%{{y:.{quantity.digits}f}}",
                    legend=_legend(row),
                    showlegend=stretch.lap is None,
                    row=row,
                    col=1,
                )
        _limit(figure, quantity, analysis, view, row)
    if view.laps is not None:
        _keys(figure, [[line.name for line in q.lines(analysis)] for q in quantities], view.laps, mode)
    _shade(figure, analysis, view, chosen, mode)
    label = "distance, m" if view.axis == "distance" else "log time, s" if view.laps is None else "time in the lap, s"
    figure.update_xaxes(title=label, exponentformat="none", row=max(1, len(quantities)), col=1)
    if view.window is not None:
        figure.update_xaxes(range=list(view.window))
    # `meta` tells the browser on which axis a zoom is made
    meta = {"along": view.axis, "laps": list(view.laps or ()), "window": list(view.window) if view.window else None}
    figure.update_layout(hovermode="x unified", meta=meta)
    styled(figure, height=130 + ROW_PX * max(1, len(quantities)), mode=mode)
    figure.update_xaxes(gridcolor=figure.layout.xaxis.gridcolor)
    figure.update_layout(
        margin={"t": 66, "l": 75, "b": 45},
        **_legends(figure, len(quantities)),
        hoverlabel={"bgcolor": "#ffffff" if mode == "light" else "#22262c", "font": {"color": INK[mode]}},
    )
    return readable(figure, mode)


def _limit(figure: go.Figure, quantity: Quantity, analysis: Analysis, view: View, row: int) -> None:
    """A dotted level across what is shown, where the quantity has one and the analysis knows it."""
    name, level = (quantity.limit[0], quantity.limit[1](analysis)) if quantity.limit else ("", np.nan)
    if not np.isfinite(level):
        return
    drawn = [trace.x for trace in figure.data if trace.legend == _legend(row) and len(trace.x)]
    ends = view.window or (min(x[0] for x in drawn), max(x[-1] for x in drawn)) if drawn else ()
    line = {"color": GREY, "width": 1.5, "dash": "dot"}
    figure.add_scatter(
        x=list(ends),
        y=[level] * len(ends),
        name=name,
        mode="lines",
        line=line,
        hoverinfo="skip",
        legend=_legend(row),
        row=row,
        col=1,
    )


def _keys(figure: go.Figure, lines: list[list[str]], laps: tuple[int, ...], mode: str) -> None:
    """Of laps over each other: which colour is which lap, and in each row which dash is which line."""
    told = [(f"lap {lap}", LOOKS[j % len(LOOKS)][0], "solid", LAP_LEGEND, 1) for j, lap in enumerate(laps)]
    for row, names in enumerate(lines, start=1):
        told += [(name, INK[mode], LOOKS[k][1], _legend(row), row) for k, name in enumerate(names) if len(names) > 1]
    for name, color, dash, legend, row in told:
        look = {"color": color, "dash": dash, "width": 1.8}
        figure.add_scatter(x=[None], y=[None], mode="lines", name=name, line=look, legend=legend, row=row, col=1)
    place = {"orientation": "h", "x": 0, "xanchor": "left", "y": 1, "yanchor": "bottom", "font": {"size": 11}}
    figure.update_layout({LAP_LEGEND: place})


def _legend(row: int) -> str:
    return "legend" if row == 1 else f"legend{row}"


def _legends(figure: go.Figure, rows: int) -> dict[str, dict]:
    """Layout of one legend a row, right above it; none where one line stands alone under its axis title."""
    layout = {}
    for row in range(1, rows + 1):
        lines = [t for t in figure.data if (t.legend or "legend") == _legend(row) and t.showlegend is not False]
        top = figure.layout["yaxis" if row == 1 else f"yaxis{row}"].domain[1]
        place = {"orientation": "h", "x": 1, "xanchor": "right", "y": top, "yanchor": "bottom"}
        layout[_legend(row)] = {**place, "visible": len(lines) > 1, "font": {"size": 11}, "bgcolor": "rgba(0,0,0,0)"}
    return layout


def _axis(analysis: Analysis, axis: str) -> np.ndarray:
    return analysis.signals.distance_m if axis == "distance" else analysis.signals.time_s


@dataclass(frozen=True)
class _Stretch:
    """What is drawn of a line: log time from, to (s), and what is taken off the axis."""

    lap: int | None
    start_s: float
    stop_s: float
    offset: float


def _stretches(analysis: Analysis, view: View) -> list[_Stretch]:
    """The session, or each chosen lap, as far as it is in the window."""
    time, axis = analysis.signals.time_s, _axis(analysis, view.axis)
    found = []
    for lap in view.laps or (None,):
        first, end = (0, len(time)) if lap is None else analysis.laps.bounds[lap - 1]
        offset = 0.0 if lap is None else float(axis[first])
        low, high = float(time[first]), float(time[end - 1])
        if view.window is not None:
            # a standing car has one distance at many times: from the first to the last of them
            begin, stop = view.window
            ends = (axis.searchsorted(begin + offset, "left"), axis.searchsorted(stop + offset, "right"))
            a, b = (min(int(k), len(time) - 1) for k in ends)
            low, high = max(low, float(time[a])), min(high, float(time[b]))
        found.append(_Stretch(lap, low, high, offset))
    return found


def _points(analysis: Analysis, line: Line, stretch: _Stretch, view: View) -> tuple[np.ndarray, np.ndarray]:
    """x and y of one line, thinned to what can be seen."""
    start, stop = (int(k) for k in np.searchsorted(line.time_s, [stretch.start_s, stretch.stop_s]))
    # in one piece, one sample more on each side, so that lines run to the edge; a lap keeps to itself
    where = slice(max(start - 1, 0), stop + 1) if stretch.lap is None else slice(start, stop)
    values = line.part(where)
    kept = min_max(values, POINTS)
    x = line.time_s[where][kept]
    if view.axis == "distance":
        x = np.interp(x, analysis.signals.time_s, analysis.signals.distance_m)
    return x - stretch.offset, values[kept]


def _shade(figure: go.Figure, analysis: Analysis, view: View, chosen: Finding | None, mode: str) -> None:
    axis = _axis(analysis, view.axis)
    corners, offset = _visible(analysis, view, axis)
    if len(corners) > MOST_CORNERS:
        return
    close = sum(len(c.phases) for c in corners) <= MOST_PHASES
    few = len(corners) <= 3
    shapes, named = [], []
    x0, x1 = view.window or (float(axis[0]), float(axis[-1]))
    for corner in corners:
        parts = [(p.start, p.stop, PHASE_NAMES[p.name]) for p in corner.phases]
        if not close:
            parts = [(corner.start, corner.stop, "")]
        for k, (start, stop, name) in enumerate(parts):
            low, high = float(axis[start]) - offset, float(axis[min(stop, len(axis) - 1)]) - offset
            shapes.append(_band(low, high, 0.20 if k % 2 else 0.08))
            if few:
                named.append(((low + high) / 2, name))
        if not few:
            named.append((float(axis[corner.apex]) - offset, str(corner.number)))
    labels = _named(named, LETTER_PX * (x1 - x0) / PX, mode)
    if close and view.laps is None:
        shapes += _findings(analysis, axis, (x0, x1), chosen)
    # all at once: plotly copies the whole list at every single addition
    figure.update_layout(shapes=shapes, annotations=labels)


def _named(names: list[tuple[float, str]], letter: float, mode: str) -> list[dict]:
    """Labels of (place on the axis, name); a line higher where a name would run into the one before it, and left out
    where it would there too. `letter` is a letter's width on the axis."""
    ends, labels = [-np.inf, -np.inf], []
    for middle, name in sorted(names):
        half = letter * len(name) / 2
        line = next((k for k, end in enumerate(ends) if middle - half >= end), None)
        if line is not None:
            ends[line] = middle + half
            labels.append(_label(middle, name, mode, up=12 * line))
    return labels


def _findings(analysis: Analysis, axis: np.ndarray, seen: tuple[float, float], chosen: Finding | None) -> list[dict]:
    """Dotted lines about each finding that has a place, as far as it is seen; red between those of the chosen one."""
    shapes = []
    for found in analysis.findings:
        if not found.is_placed:
            continue
        ends = analysis.signals.time_s.searchsorted([found.start_s, found.end_s]).clip(max=len(axis) - 1)
        low, high = (float(axis[k]) for k in ends)
        if low < seen[1] and high > seen[0]:
            look = FINDING if found == chosen else {**FINDING, "fillcolor": "rgba(0,0,0,0)"}
            shapes.append(_band(low, high, 1.0) | look)
    return shapes


def _band(low: float, high: float, opacity: float) -> dict:
    place = {"type": "rect", "x0": low, "x1": high, "y0": 0, "y1": 1, "yref": "paper", "layer": "below"}
    return {**place, "fillcolor": GREY, "line": {"width": 0}, "opacity": opacity}


def _label(x: float, text: str, mode: str, *, up: float = 0) -> dict:
    place = {"x": x, "y": 1.0, "yref": "paper", "yanchor": "bottom", "yshift": 18 + up, "showarrow": False}
    return {**place, "text": text, "font": {"size": 11, "color": INK[mode]}}


def _visible(analysis: Analysis, view: View, axis: np.ndarray) -> tuple[list[Corner], float]:
    """Corner passes in the window, and what to take off the axis (with laps over each other: those of the first)."""
    offset, corners = 0.0, list(analysis.corners)
    if view.laps:
        offset = float(axis[analysis.laps.bounds[view.laps[0] - 1][0]])
        corners = [c for c in corners if c.lap == view.laps[0]]
    low, high = view.window or (-np.inf, np.inf)
    return [c for c in corners if axis[c.stop - 1] - offset > low and axis[c.start] - offset < high], offset
