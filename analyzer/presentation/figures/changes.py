"""What a change does: of the lock curve and by corner between runs, and what builds trade off against each other."""

from typing import Any

import plotly.graph_objects as go

from analyzer.advice.choice import Advice, Option
from analyzer.comparison.comparison import Comparison
from analyzer.comparison.phase_changes import PhaseChange
from analyzer.presentation.advice_words import shown
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
    reach,
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
READ = (
    "How to read it: each mark is one build. Left is less spin under power; lower resists turning in less. The square "
    "is what is fitted now. Numbered stars are advised. Lettered diamonds are the best trade-offs, named in the table: "
    "no other build is better both ways. Bars are 95 %. Small circles are the other builds: hover for their parts, "
    "double-click for those higher up."
)
HEAD_ROOM = 1.15  # above the marks that have a name; a shelf can lock the entry ten times as hard


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
            name="between these: too small to matter",
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
    corners = sorted({(p.corner, p.direction) for p in by_corner if p.corner is not None and p.direction is not None})
    for k, (phase, (symbol, color)) in enumerate(PHASE_MARKS.items()):
        of_phase = [p for p in by_corner if p.phase == phase]
        if of_phase:
            _marks(figure, of_phase, corners, (k - 2) * APART, symbol, color)
    figure.add_hline(y=0, line={"color": GREY, "width": 2})
    corner_axis(figure, corners)
    figure.update_yaxes(title="change of transfer torque, N.m")
    return styled(figure, height=420)


def _marks(
    figure: go.Figure,
    rows: list[PhaseChange],
    corners: list[tuple[int, str]],
    shift: float,
    symbol: str,
    color: str,
) -> None:
    values = [p.transfer_torque_Nm for p in rows]
    places: dict[tuple[int | None, str | None], int] = {corner: k for k, corner in enumerate(corners)}
    figure.add_scatter(
        x=[places[p.corner, p.direction] + shift for p in rows],
        y=[i.value for i in values],
        error_y={
            "type": "data",
            "symmetric": False,
            "array": [reach(i.upper, i.value) for i in values],
            "arrayminus": [reach(i.value, i.lower) for i in values],
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


def trade_off(advice: Advice) -> go.Figure:
    """Spin time (s, both kinds) against mean moment against the turn while coasting (N.m), a mark for each build."""
    figure = go.Figure()
    named = [pair for pair in shown(advice) if pair[1].outcome["coast_moment_Nm"].value is not None]
    fitted, advised = named[:1], [(m, o) for m, o in named[1:] if o.rank is not None]
    letters = [(m, o) for m, o in named[1:] if o.rank is None]
    taken = [o for _, o in named]
    others = [("", o) for o in advice.options if o.outcome["coast_moment_Nm"].value is not None and o not in taken]
    _build_marks(figure, others, name="other builds", symbol="circle-open", color=GREY, size=6, bars=False)
    _build_marks(figure, letters, name="best trade-offs", symbol="diamond", color=BLUE, size=11)
    _build_marks(figure, fitted, name="as fitted", symbol="square", color=VERMILLION, size=14)
    _build_marks(figure, advised, name="advised", symbol="star", color=ORANGE, size=16)
    figure.update_xaxes(title="spin under power, s", range=_range(taken, "spin_s"))
    figure.update_yaxes(title="off-throttle moment against the turn, N.m", range=_range(taken, "coast_moment_Nm"))
    return styled(figure, height=520)


def _range(options: list[Option], name: str) -> list[float]:
    """From a little under zero to above the highest mark that has a name, with its bar."""
    found = [o.outcome[name] for o in options]
    ends = [v for i in found for v in (i.value, i.lower, i.upper) if v is not None]
    highest, lowest = max(1.0, *ends), min(0.0, *ends)
    return [lowest - 0.04 * highest, HEAD_ROOM * highest]


def _build_marks(
    figure: go.Figure,
    marked: list[tuple[str, Option]],
    *,
    name: str,
    symbol: str,
    color: str,
    size: int,
    bars: bool = True,
) -> None:
    """Marks of one kind with their letter or number; bars where the build was drawn."""
    if not marked:
        return
    options = [o for _, o in marked]
    figure.add_scatter(
        x=[o.outcome["spin_s"].value for o in options],
        y=[o.outcome["coast_moment_Nm"].value for o in options],
        mode="markers+text",
        text=[mark for mark, _ in marked],
        textposition="top right",
        marker={"symbol": symbol, "size": size, "color": color},
        error_x=_bars(options, "spin_s", color) if bars else None,
        error_y=_bars(options, "coast_moment_Nm", color) if bars else None,
        customdata=[o.build.label for o in options],
        hovertemplate=hover(name, "%{customdata}<br>%{x:.1f} s of spin, %{y:.0f} N.m"),
        name=name,
    )


def _bars(options: list[Option], name: str, color: str) -> dict[str, Any]:
    """Asymmetric 95 % bars; none where a build was not drawn."""
    found = [o.outcome[name] for o in options]
    return {
        "type": "data",
        "symmetric": False,
        "array": [reach(i.upper, i.value) for i in found],
        "arrayminus": [reach(i.value, i.lower) for i in found],
        "color": color,
        "thickness": 1,
        "width": 3,
    }
