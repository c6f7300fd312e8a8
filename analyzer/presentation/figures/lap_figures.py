"""Where on the lap: the path coloured and sized by inside slip, and one pass through a corner with its phases
shaded.
"""

from typing import Any

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray
from analyzer.findings.rear_axle import rear_axle
from analyzer.phases.phases import Corner
from analyzer.presentation.figures.theme import (
    BLUE,
    FINDING,
    GREEN,
    GREY,
    INK,
    ORANGE,
    SCALE,
    VERMILLION,
    hover,
    largest,
    min_max,
    styled,
)
from analyzer.presentation.words import KIND_NAMES, PHASE_NAMES, place_words

READ_MAP = (
    "How to read it: the path from above, every lap over the first. Colour and size show the inside rear wheel's slip, "
    "in corners only: bright and large is where it ran ahead of the ground. Marks are findings; their shape says which "
    "kind. Numbers are corners."
)
MAP_POINTS = 2500
# the scale never ends below the first, or noise would look like slip, nor above the second, or a full spin would hide
# the others
TOP_PERCENT = (5.0, 30.0)
MATCHED = 200  # points by which two laps are laid over each other
PLOT_PX = (520.0, 300.0)  # about the smaller of the maps on a laptop
SMALLER = 0.5  # and on a phone, as a share of it
PATH_POINTS = 600
DISTANCES_PX = (16.0, 22.0, 28.0, 36.0, 46.0)  # of a number's middle from its apex, the nearest that is free
TO_PATH_PX, TO_NUMBER_PX = 11.0, 18.0
TO_MARK_PX = 23.0  # the ring about a chosen mark and half of two figures
DIRECTIONS = 24
MOST_MARKS = 200  # the worst; lists have the others
SHAPES = {
    "inside_wheel_spin": "x-open",
    "one_wheel_spin": "cross-open",
    "both_wheel_spin": "asterisk-open",
    "coast_understeer": "triangle-up-open",
    "inside_wheel_locking": "square-open",
    "car_lost": "circle-x-open",
    "lock_up_snap": "star-open",
    "chatter": "hash-open",
}
READ_TRACES = (
    "How to read it: the thick lines are the rear wheels, the inside one red, the outside one blue and dashed. A "
    "spinning inside wheel rises above the others; two rear lines in a constant ratio turn as one. Slip above the "
    "dotted line is past the tyre's peak force. The shaded section is a finding."
)
TRACE_POINTS = 700  # a trace, min-max
MARGIN_S = 0.5
FRONT = (("front left", "dot"), ("front right", "dash"))
INSIDE: tuple[str, str] = (VERMILLION, "solid")  # the same in left and in right corners, as on the run screen
OUTSIDE: tuple[str, str] = (BLUE, "dash")


def path_map(analysis: Analysis) -> go.Figure:
    """Scatter of x and y (m); colour and size are the inside slip (%), grey where no inside wheel can be named."""
    signals = analysis.signals
    rear = rear_axle(signals, analysis.axle, analysis.car)
    slip = np.where(rear.cornering, 100 * rear.inside_slip, np.nan)
    chosen = largest(slip, MAP_POINTS)
    known = chosen[np.isfinite(slip[chosen])]
    known = known[np.argsort(slip[known])]  # the largest are drawn last, on top
    top = float(np.clip(np.percentile(slip[known], 99.5) if len(known) else 0.0, *TOP_PERCENT))
    x, y = drawn_path(analysis)
    figure = go.Figure()
    figure.add_scatter(
        x=x[chosen],
        y=y[chosen],
        mode="lines",
        line={"color": GREY, "width": 1},
        hoverinfo="skip",
        showlegend=False,
    )
    figure.add_scatter(
        x=x[known],
        y=y[known],
        mode="markers",
        name="inside slip",
        showlegend=False,
        customdata=np.column_stack([signals.time_s[known], analysis.laps.number[known], slip[known]]),
        hovertemplate="inside slip %{customdata[2]:.1f} %<br>lap %{customdata[1]:.0f}, %{customdata[0]:.1f} s"
        "<extra></extra>",
        marker={
            "color": slip[known],
            "cmin": 0,
            "cmax": top,
            "colorscale": SCALE,
            "size": 4 + 9 * np.clip(slip[known] / top, 0, 1),
            "line": {"width": 0.6, "color": GREY},  # the scale begins as dark as a dark page
            "colorbar": {
                "ticksuffix": " % slip",  # a title would lie over the axis where the chart is low, on paper
                "nticks": 4,
                "thickness": 12,
                "orientation": "h",
                "x": 0.5,
                "y": 0,
                "yref": "container",
                "yanchor": "bottom",
            },
        },
    )
    mark_findings(figure, analysis, x, y)
    number_corners(figure, analysis, x, y)
    # the plot shrinks to the circuit's shape; the axes do not stretch, or a narrow screen would show a dot
    figure.update_xaxes(visible=False, constrain="domain")
    figure.update_yaxes(visible=False, scaleanchor="x", constrain="domain")
    styled(figure, height=560)
    return figure.update_layout(margin={"b": 110})


def drawn_path(analysis: Analysis) -> tuple[FloatArray, FloatArray]:
    """(x, y) in m, each (n,): as logged with a position, else with every whole lap laid over the first.

    Notes
    -----
    Points at the same share of the lap distance are matched; turn and shift are the least-squares ones (Kabsch, Acta
    Cryst. A32 (1976) 922). Lap shape and length stay as they were. Samples outside whole laps are NaN then.
    """
    signals = analysis.signals
    bounds = analysis.laps.bounds
    if signals.position_source == "position" or not bounds:
        return signals.x_m, signals.y_m
    path = np.column_stack([signals.x_m, signals.y_m])
    drawn = np.full(path.shape, np.nan)
    model = _matched(path, signals.distance_m, *bounds[0])
    for start, stop in bounds:
        lap = _matched(path, signals.distance_m, start, stop)
        turn = _rotation(lap - lap.mean(axis=0), model - model.mean(axis=0))
        drawn[start:stop] = (path[start:stop] - lap.mean(axis=0)) @ turn + model.mean(axis=0)
    return drawn[:, 0], drawn[:, 1]


def _matched(path: FloatArray, distance_m: FloatArray, start: int, stop: int) -> FloatArray:
    at = np.linspace(distance_m[start], distance_m[stop - 1], MATCHED)
    return np.column_stack([np.interp(at, distance_m[start:stop], path[start:stop, k]) for k in (0, 1)])


def _rotation(points: FloatArray, model: FloatArray) -> FloatArray:
    """(2, 2) rotation R that makes points @ R nearest to model; no reflection."""
    left, _, right = np.linalg.svd(points.T @ model)
    flip = np.diag([1.0, np.sign(np.linalg.det(left @ right))])
    turn: FloatArray = left @ flip @ right
    return turn


def number_corners(figure: go.Figure, analysis: Analysis, x: FloatArray, y: FloatArray) -> None:
    """Write each corner's number beside its apex on a map.

    Parameters
    ----------
    figure : gets annotations.
    x, y : (n,) path of the analysis (m), NaN where nothing is drawn.
    """
    path = np.column_stack([x, y])
    drawn = path[np.isfinite(path).all(axis=1)]
    if not len(drawn):
        return
    sides = np.ptp(drawn, axis=0)
    scale = min(px / side for px, side in zip(PLOT_PX, np.where(sides > 0, sides, 1.0), strict=True))
    line = drawn[:: max(1, len(drawn) // PATH_POINTS)]
    starts = [f.start_s for f in analysis.findings if f.is_placed]
    marks = path[np.searchsorted(analysis.signals.time_s, starts).clip(max=len(path) - 1)]
    marks = marks[np.isfinite(marks).all(axis=1)]
    numbers = np.empty((0, 2))
    seen = set()
    for corner in analysis.corners:
        here = path[corner.apex]
        if corner.number in seen or not np.isfinite(here).all():
            continue
        seen.add(corner.number)
        shift = _free_place(here, drawn.mean(axis=0), scale, ((line, TO_PATH_PX), (marks, TO_MARK_PX)), numbers)
        numbers = np.vstack([numbers, scale * here + shift])
        figure.add_annotation(
            x=here[0], y=here[1], text=str(corner.number), showarrow=False, xshift=shift[0], yshift=shift[1]
        )


def _free_place(
    here: FloatArray,
    centre: FloatArray,
    scale: float,
    obstacles: tuple[tuple[FloatArray, float], ...],
    numbers: FloatArray,
) -> FloatArray:
    """(2,) px from the apex: the nearest place with room on a large and on a small screen, away from the circuit's
    middle if there are several; where none has room, the one with most."""
    angles = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    away = here - centre
    outward = np.cos(angles - np.arctan2(away[1], away[0]))
    best, most = np.zeros(2), -np.inf
    for distance in DISTANCES_PX:
        shifts = distance * np.column_stack([np.cos(angles), np.sin(angles)])
        room = np.min(
            [
                _nearest(at * scale * (points - here), shifts) / needed
                for points, needed in obstacles
                for at in (1.0, SMALLER)
            ]
            + [_nearest(numbers - scale * here, shifts) / TO_NUMBER_PX],
            axis=0,
        )
        free = room >= 1.0
        if free.any():
            chosen: FloatArray = shifts[np.argmax(np.where(free, outward, -np.inf))]
            return chosen
        if room.max() > most:
            best, most = shifts[np.argmax(room)], room.max()
    return best


def _nearest(points: FloatArray, places: FloatArray) -> FloatArray:
    """(places,) distance of each place from the nearest of the points."""
    if not len(points):
        return np.full(len(places), np.inf)
    nearest: FloatArray = np.min(np.linalg.norm(places[:, None, :] - points[None, :, :], axis=2), axis=1)
    return nearest


def mark_findings(figure: go.Figure, analysis: Analysis, x: FloatArray, y: FloatArray, *, mode: str = "light") -> None:
    """Mark findings on a map, a trace a kind, the `MOST_MARKS` worst.

    Customdata of a mark: log time (s), lap, corner and the finding's index.

    Parameters
    ----------
    figure : gets the traces.
    x, y : (n,) path of the analysis (m).
    mode : `light` or `dark`.
    """
    for kind, name in KIND_NAMES.items():
        worst = enumerate(analysis.findings[:MOST_MARKS])
        found = {k: f for k, f in worst if f.kind == kind and f.is_placed}
        if not found:
            continue
        at = np.searchsorted(analysis.signals.time_s, [f.start_s for f in found.values()]).clip(max=len(x) - 1)
        figure.add_scatter(
            x=x[at],
            y=y[at],
            mode="markers",
            name=name,
            marker={
                "symbol": SHAPES[kind],
                "size": 12,
                "color": VERMILLION if "spin" in kind else INK[mode],
                "line": {"width": 2},
            },
            customdata=[[f.start_s, f.lap, f.corner, k] for k, f in found.items()],
            text=[place_words(f) for f in found.values()],
            hovertemplate=hover(name, "%{text}"),
        )


def corner_traces(analysis: Analysis, corner: Corner) -> go.Figure:
    """Three charts over log time (s): wheel speeds (km/h), rear slips (%), throttle (%) with steer (degrees)."""
    signals = analysis.signals
    margin = round(MARGIN_S * signals.rate_hz)
    window = slice(max(corner.start - margin, 0), min(corner.stop + margin, len(signals.time_s)))
    time = signals.time_s[window]
    figure = make_subplots(
        rows=3,
        cols=1,
        shared_xaxes=True,
        vertical_spacing=0.06,
        row_heights=[0.42, 0.29, 0.29],
        specs=[[{}], [{}], [{"secondary_y": True}]],
    )

    def line(
        row: int, name: str, values: FloatArray, color: str, dash: str, width: float, second: bool = False
    ) -> None:
        kept = min_max(values, TRACE_POINTS)
        figure.add_trace(
            go.Scatter(
                x=time[kept],
                y=values[kept],
                name=name,
                mode="lines",
                line={"color": color, "dash": dash, "width": width},
                hovertemplate="%{y:.1f}",
            ),
            row=row,
            col=1,
            secondary_y=second if row == 3 else None,
        )

    left = corner.direction == "left"
    rears = (("inside rear", *INSIDE), ("outside rear", *OUTSIDE))
    wheels = [(name, GREY, dash, 1.5) for name, dash in FRONT]
    wheels += [(*one, 2.5) for one in (rears if left else rears[::-1])]  # rear left, rear right
    for column, (name, color, dash, width) in enumerate(wheels):
        speed = 3.6 * signals.wheel_speed_m_s[window, column]
        if np.isfinite(speed).any():
            line(1, name, speed, color, dash, width)
    rear = rear_axle(signals, analysis.axle, analysis.car)
    axle = analysis.axle
    inside, outside = (axle.slip_left, axle.slip_right) if left else (axle.slip_right, axle.slip_left)
    line(2, "inside rear slip", 100 * inside[window], *INSIDE, 2.0)
    line(2, "outside rear slip", 100 * outside[window], *OUTSIDE, 2.0)
    if np.isfinite(rear.peak_slip):
        figure.add_hline(y=100 * rear.peak_slip, line={"dash": "dot", "color": GREY}, row=2, col=1)
    line(3, "throttle", 100 * signals.throttle[window], GREEN, "solid", 1.5)
    steer = np.degrees(signals.steer_rad[window]) * analysis.car.steering_ratio
    line(3, "steering wheel", steer, ORANGE, "dash", 2.0, second=True)
    shades, names = _phases(analysis, corner)
    for found in analysis.findings:
        if (found.corner, found.lap) == (corner.number, corner.lap):
            shades += _over_all(found.start_s, found.end_s, **FINDING)
    # all at once: one by one, plotly copies those before for each, half the time of a report
    figure.update_layout(shapes=[*figure.layout.shapes, *shades], annotations=names)
    figure.update_yaxes(title="wheel speed, km/h", row=1, col=1)
    figure.update_yaxes(title="slip, %", row=2, col=1)
    figure.update_yaxes(title="throttle, %", row=3, col=1, secondary_y=False)
    figure.update_yaxes(title="steer, deg", row=3, col=1, secondary_y=True, showgrid=False, tickmode="auto", nticks=5)
    figure.update_xaxes(title="log time, s", row=3, col=1)
    figure.update_layout(hovermode="x unified")
    styled(figure, height=640)
    figure.update_yaxes(title_font={"size": 11})  # printed, the charts are low
    figure.update_layout(margin={"t": 100}, legend={"y": 1.09})
    return figure


def _over_all(start_s: float, end_s: float, **look: Any) -> list[dict[str, Any]]:
    """A section of log time shaded in all three charts."""
    along = {"type": "rect", "layer": "below", "x0": start_s, "x1": end_s, "y0": 0, "y1": 1} | look
    return [along | {"xref": f"x{n}", "yref": f"y{n} domain"} for n in ("", 2, 3)]


def _phases(analysis: Analysis, corner: Corner) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Alternate shades, and the phases' names on top: told apart by label, not by colour."""
    time = analysis.signals.time_s
    shades: list[dict[str, Any]] = []
    names: list[dict[str, Any]] = []
    for k, phase in enumerate(corner.phases):
        start, stop = float(time[phase.start]), float(time[min(phase.stop, len(time) - 1)])
        shades += _over_all(start, stop, fillcolor=GREY, opacity=0.16 if k % 2 else 0.06, line={"width": 0})
        names.append(
            {
                "x": (start + stop) / 2,
                "y": 1.0,
                "yref": "paper",
                "yanchor": "bottom",
                "yshift": 13 * (k % 2),  # on two lines, or neighbours overlap on paper and on a phone
                "text": PHASE_NAMES[phase.name],
                "showarrow": False,
                "font": {"size": 11},
            }
        )
    return shades, names
