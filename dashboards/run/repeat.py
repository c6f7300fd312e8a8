"""One small chart a corner, one point a lap: does it do the same every time."""

import math

import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis, PhaseResult
from analyzer.presentation.figures.theme import BLUE, GREY, VERMILLION, hover, say_instead, styled
from dashboards.parts import readable

READ = (
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
NORMAL_95 = 1.96


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
    value = factor * getattr(result, key)
    return abs(value) if key == "transfer_torque_Nm" else value
