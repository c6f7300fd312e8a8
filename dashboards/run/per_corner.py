"""Corner by corner: the table of what the rear axle did in each phase, and one small chart a corner, a point a lap,
that shows whether it does the same every time.
"""

import math
from typing import TypedDict

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis, PhaseResult
from analyzer.in_words import number
from analyzer.presentation.figures.theme import BLUE, GREY, VERMILLION, hover, say_instead, styled
from analyzer.presentation.tables import CornerRow, corner_rows
from analyzer.presentation.words import PHASE_NAMES
from dashboards.parts import readable

NORMAL_95 = 1.96
HEADINGS = [
    "corner",
    "phase",
    "inside slip, %",
    "outside slip, %",
    "kinematic lock",
    "input, N.m",
    "transfer, N.m",
    "95 % interval",
    "parts predict, N.m",
    "locked, %",
    "",
]
READ_TABLE = (
    "Kinematic lock: 0 rolls free, 1 turns as one. Transfer torque: positive resists the turn, negative turns the "
    "car in. 'Parts predict' is the torque up to which the axle should stay locked. A dash means not clear from this "
    "log."
)
READ_REPEAT = (
    "How to read it: one small chart a corner, one point a lap, numbered below. Level points: it does the same every "
    "lap. Bars are 95 % intervals, crosses what the parts predict. Of more than 30 laps only lines, dashed for "
    "the parts. A missing point means not clear from this log."
)
CHOICES = {  # key of PhaseResult -> (label, factor, digits)
    "inside_slip": ("inside slip, %", 100.0, 1),
    "outside_slip": ("outside slip, %", 100.0, 1),
    "kinematic_lock": ("kinematic lock", 1.0, 2),
    "transfer_torque_Nm": ("transfer torque, size, N.m", 1.0, 0),
    "mean_speed_m_s": ("mean speed, km/h", 3.6, 1),
}
ACROSS = 5
MOST_TICKS = 6
MOST_POINTS = 30  # laps; more points and bars than this are a grey mass, and slow


class CornerLine(TypedDict):
    """A row of the table: its cells, the log time (s) it leads to, and what a screen reader says of it."""

    cells: list[str]
    moment: float | None
    label: str


class CornerTable(TypedDict):
    """The table as `assets/lists.js` draws it; the first `words` columns are text."""

    headings: list[str]
    rows: list[CornerLine]
    words: int


def corner_table(analysis: Analysis, lap: int | None) -> CornerTable:
    """Medians over laps (`lap` None) or one lap, as `assets/lists.js` draws them."""
    results = analysis.phase_results if lap is None else tuple(r for r in analysis.phase_results if r.lap == lap)
    rows: list[CornerLine] = [
        {"cells": _cells(r), "moment": _moment(analysis, r.corner, lap), "label": _label(r)}
        for r in corner_rows(results)
    ]
    return {"headings": HEADINGS, "rows": rows, "words": 2}


def _moment(analysis: Analysis, number: int, lap: int | None) -> float | None:
    """Log time (s) of the apex of the first pass that the row is about."""
    passes = (c for c in analysis.corners if c.number == number and lap in (None, c.lap) and c.lap > 0)
    first = next(passes, None)
    return None if first is None else float(analysis.signals.time_s[first.apex])


def _label(r: CornerRow) -> str:
    return f"show corner {r.corner}, {PHASE_NAMES[r.phase]}"


def _cells(r: CornerRow) -> list[str]:
    return [
        f"{r.corner} {r.direction}",
        PHASE_NAMES[r.phase],
        number(_times(r.inside_slip, 100), 1),
        number(_times(r.outside_slip, 100), 1),
        number(r.kinematic_lock, 2),
        number(r.input_torque_Nm),
        number(r.transfer_torque_Nm),
        _interval(r),
        number(r.predicted_locking_torque_Nm),
        number(_times(r.locked_fraction, 100)),
    ]


def _interval(r: CornerRow) -> str:
    if r.transfer_torque_Nm is None or r.transfer_torque_sd_Nm is None:
        return "–"
    half = NORMAL_95 * r.transfer_torque_sd_Nm
    return f"{number(r.transfer_torque_Nm - half)} to {number(r.transfer_torque_Nm + half)}"


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value


def repeat(analysis: Analysis, key: str, phase: str, *, mode: str = "light") -> go.Figure:
    """Grid of `key` by lap for `phase`."""
    label = CHOICES[key][0]
    by_corner: dict[int, list[PhaseResult]] = {}
    for r in analysis.phase_results:
        if r.phase == phase and r.lap > 0 and getattr(r, key) is not None:
            by_corner.setdefault(r.corner, []).append(r)
    corners = sorted(by_corner)
    rows = max(1, math.ceil(len(corners) / ACROSS))
    figure = make_subplots(
        rows=rows,
        cols=ACROSS,
        shared_yaxes="all",
        horizontal_spacing=0.02,
        vertical_spacing=0.36 / rows,
        subplot_titles=[f"corner {c}" for c in corners],
    )
    for k, corner in enumerate(corners):
        place = {"row": k // ACROSS + 1, "col": k % ACROSS + 1}
        if key == "transfer_torque_Nm":
            _parts_say(figure, by_corner[corner], place)
        _passes(figure, by_corner[corner], key, place, showlegend=k == 0)
    laps = max((r.lap for passes in by_corner.values() for r in passes), default=1)
    figure.update_xaxes(dtick=math.ceil(laps / MOST_TICKS), range=[0.5, laps + 0.5])
    styled(figure, height=120 + 150 * rows, mode=mode)
    axes = figure.select_xaxes(), figure.select_yaxes()
    grid = figure.layout.xaxis.gridcolor
    for axis in (*axes[0], *axes[1]):
        axis.update(gridcolor=grid, zerolinecolor=grid)
    figure.update_layout(legend={"y": 1.0 + 0.3 / rows}, margin={"t": 80, "b": 30})
    figure.update_annotations(font={"size": 12})
    if not corners:
        figure.update_xaxes(visible=False).update_yaxes(visible=False)
        say_instead(
            figure, f"No corner pass has {label.split(',')[0]} in this phase; choose another phase or quantity."
        )
    return readable(figure, mode)


def _parts_say(figure: go.Figure, passes: list[PhaseResult], place: dict[str, int]) -> None:
    """What the parts would lock with, where there is a setup file."""
    told = [r.predicted_locking_torque_Nm for r in passes]
    if all(value is None for value in told):
        return
    figure.add_scatter(
        x=[r.lap for r in passes],
        y=told,
        mode="markers" if len(passes) <= MOST_POINTS else "lines",
        marker={"symbol": "x-thin", "size": 8, "line": {"width": 2, "color": VERMILLION}},
        line={"color": VERMILLION, "width": 1.5, "dash": "dash"},
        name="parts predict",
        showlegend="parts predict" not in {trace.name for trace in figure.data},
        hovertemplate="parts predict %{y:.0f} N.m<extra></extra>",
        **place,
    )


def _passes(figure: go.Figure, passes: list[PhaseResult], key: str, place: dict[str, int], *, showlegend: bool) -> None:
    """One corner's values by lap; of a few laps each a point, of a torque with its interval."""
    label, factor, digits = CHOICES[key]
    few = len(passes) <= MOST_POINTS
    spread = None
    if key == "transfer_torque_Nm":
        spread = {
            "type": "data",
            "visible": few,
            "array": [NORMAL_95 * (r.transfer_torque_sd_Nm or 0.0) for r in passes],
            "color": GREY,
            "thickness": 1.2,
        }
    figure.add_scatter(
        x=[r.lap for r in passes],
        y=[_shown(r, key, factor) for r in passes],
        mode="lines+markers" if few else "lines",
        marker={"size": 7, "color": BLUE},
        line={"width": 1, "color": BLUE},
        error_y=spread,
        name=label,
        showlegend=showlegend,
        hovertemplate=hover(label, f"lap %{{x}}: %{{y:.{digits}f}}"),
        **place,
    )


def _shown(result: PhaseResult, key: str, factor: float) -> float:
    """The value drawn: the torque's size, because what the parts predict has no direction."""
    value: float = factor * getattr(result, key)
    return abs(value) if key == "transfer_torque_Nm" else value
