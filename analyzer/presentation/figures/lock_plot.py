"""Transfer torque against input torque with the lock curves, and the lock over the run."""

import math
from collections.abc import Sequence
from itertools import groupby

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray, IntArray
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.findings.lock_trend import TEN_MINUTES_S, LockTrend
from analyzer.lockcurve.estimate import CurvePoint
from analyzer.presentation.figures.theme import (
    BLUE,
    GREEN,
    GREY,
    MEASURED_BAND,
    ORANGE,
    PREDICTED_BAND,
    SKY,
    VERMILLION,
    add_band,
    add_stretch,
    hover,
    styled,
)

READ = (
    "How to read it: circles are samples with slipping plates; they scatter around the lock curve. Triangles are "
    "samples with a locked axle; the curve lies above them or a little below, for plates stick harder than they slip. "
    "The blue line with its band is measured. It stops where nothing slipped; filled arrowheads mean 'at least this' "
    "there. Right is drive, left is coast."
)
READ_PREDICTED = "The dashed line is what the parts predict."
READ_ANCHORED = "Green with dotted limits is the same measurement anchored by what the setup file states."
SAMPLES = 1500  # of each kind


def how_to_read(analysis: Analysis) -> str:
    """Of the lines that are drawn, what each is."""
    predicted = READ_PREDICTED if analysis.predicted is not None and analysis.predicted.kind != "spool" else ""
    anchored = READ_ANCHORED if analysis.anchored is not None else ""
    return " ".join(filter(None, (READ, predicted, anchored)))


def lock_plot(analysis: Analysis) -> go.Figure:
    """|T_inside - T_outside| (N.m) of samples against T_in (N.m), curves and bounds over them."""
    figure = go.Figure()
    axle = analysis.axle
    usable = analysis.signals.valid & ~axle.braked & np.isfinite(axle.torque_difference_Nm)
    where = _corner_of_samples(analysis)
    for name, mask, symbol, color in (
        ("locked sample", axle.locked, "triangle-up-open", ORANGE),
        ("slipping sample", axle.slipping, "circle", SKY),
    ):
        _samples(figure, analysis, where, name, np.flatnonzero(usable & mask), symbol, color)
    points = analysis.lock_curve.points
    _measured(figure, points)
    _bounds(figure, [p for p in points if p.kind == "bound" and p.lower_Nm is not None])
    if analysis.anchored is not None:
        _anchored(figure, analysis.anchored.lock_curve.points)
    if analysis.predicted is not None and analysis.predicted.kind != "spool":
        _predicted(figure, analysis.predicted, np.array([p.input_torque_Nm for p in points]))
    figure.update_xaxes(title="input torque, N.m")
    figure.update_yaxes(title="torque moved across, N.m", rangemode="tozero")
    return styled(figure, height=520)


def _corner_of_samples(analysis: Analysis) -> IntArray:
    """(n, 2) corner and lap of each sample, 0 outside corners."""
    where = np.zeros((len(analysis.signals.time_s), 2), dtype=int)
    for corner in analysis.corners:
        where[corner.start : corner.stop] = corner.number, corner.lap
    return where


def _samples(
    figure: go.Figure, analysis: Analysis, where: IntArray, name: str, at: IntArray, symbol: str, color: str
) -> None:
    if not len(at):
        return
    at = at[:: max(1, -(-len(at) // SAMPLES))]
    figure.add_scatter(
        x=analysis.axle.input_torque_Nm[at],
        y=np.abs(analysis.axle.torque_difference_Nm[at]),
        mode="markers",
        name=name,
        marker={"symbol": symbol, "size": 5, "color": color, "opacity": 0.55},
        customdata=np.column_stack(
            [where[at], analysis.signals.time_s[at]]
        ).tolist(),  # a typed array is lost on a click
        hovertemplate=hover(
            name,
            "corner %{customdata[0]:.0f}, lap %{customdata[1]:.0f}, %{customdata[2]:.1f} s<br>"
            "input %{x:.0f} N.m, transfer %{y:.0f} N.m",
        ),
    )


def measured_stretches(points: Sequence[CurvePoint]) -> list[list[CurvePoint]]:
    """The points that were measured, in runs between which nothing slipped, so that no line crosses such a stretch."""
    return [list(run) for kind, run in groupby(points, key=lambda p: p.kind) if kind == "measured"]


def stretch_columns(points: Sequence[CurvePoint]) -> tuple[list[float], list[float], list[float], list[float]]:
    """Input torque, locking torque and its limits (N.m) of points; NaN where there is none."""
    rows = [(p.input_torque_Nm, p.locking_torque_Nm, p.lower_Nm, p.upper_Nm) for p in points]
    x, y, lower, upper = ([math.nan if v is None else v for v in column] for column in zip(*rows, strict=True))
    return x, y, lower, upper


def _measured(figure: go.Figure, points: tuple[CurvePoint, ...]) -> None:
    """The curve and its band where it was measured; neither is drawn across a stretch where nothing slipped."""
    for k, stretch in enumerate(measured_stretches(points)):
        shown = "95 % band" not in {trace.name for trace in figure.data}
        add_stretch(
            figure,
            *stretch_columns(stretch),
            line={"color": BLUE, "width": 3},
            fill=MEASURED_BAND,
            band={"name": "95 % band", "showlegend": shown},
            name="measured lock curve",
            legendgroup="measured",
            showlegend=k == 0,
            hovertemplate=hover("measured", "at %{x:.0f} N.m: %{y:.0f} N.m"),
        )


def _anchored(figure: go.Figure, points: Sequence[CurvePoint]) -> None:
    """The anchored curve: a thin line between thin limits, over the same stretches."""
    for k, stretch in enumerate(measured_stretches(points)):
        x, y, lower, upper = stretch_columns(stretch)
        for values, width, dash in ((y, 2.0, "solid"), (lower, 1.0, "dot"), (upper, 1.0, "dot")):
            main = dash == "solid"
            figure.add_scatter(
                x=x,
                y=values,
                mode="lines",
                line={"color": GREEN, "width": width, "dash": dash},
                name="anchored by the setup file" if main else "its 95 % limits",
                legendgroup="anchored",
                showlegend=main and k == 0,
                hovertemplate=hover("anchored", "at %{x:.0f} N.m: %{y:.0f} N.m"),
            )


def _bounds(figure: go.Figure, points: list[CurvePoint]) -> None:
    if not points:
        return
    figure.add_scatter(
        x=[p.input_torque_Nm for p in points],
        y=[p.lower_Nm for p in points],
        mode="markers",
        marker={"symbol": "arrow-up", "size": 11, "color": BLUE, "line": {"color": GREY, "width": 1}},
        name="at least this (bound)",
        hovertemplate=hover("bound", "at %{x:.0f} N.m: at least %{y:.0f} N.m"),
    )


def _predicted(figure: go.Figure, predicted: PredictedLockCurve, torque: FloatArray) -> None:
    locking = predicted.locking_torque_Nm(torque)
    lower, upper = predicted.band_Nm(torque)
    add_band(figure, torque, lower, upper, fill=PREDICTED_BAND, name="its band", showlegend=False)
    figure.add_scatter(
        x=torque,
        y=locking,
        mode="lines",
        line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
        name="parts predict",
        hovertemplate=hover("parts predict", "at %{x:.0f} N.m: %{y:.0f} N.m"),
    )


READ_TREND = (
    "How to read it: each point is the lock over some laps, as a percentage of the whole run's, with its 95 % "
    "interval; the line is the trend. Each corner is compared with itself. Tyre and car are held fixed, so tyres that "
    "wear or warm up can look like a small trend too."
)


def trend_plot(trend: LockTrend) -> go.Figure:
    """Level of each window (% of the session's) against time (min), and the straight trend through them."""
    figure = go.Figure()
    middle = np.array([(w.start_s + w.end_s) / 2 for w in trend.windows]) / 60
    level, lower, upper = (100 * np.array([getattr(w, n) for w in trend.windows]) for n in ("level", "lower", "upper"))
    figure.add_hline(y=100, line={"color": GREY, "width": 1})
    slope = trend.relative_per_10_min
    if slope.value is not None:
        about = (middle - middle.mean()) * 60 / TEN_MINUTES_S * 100
        figure.add_scatter(
            x=middle,
            y=100 + slope.value * about,
            mode="lines",
            line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
            name="trend",
            hoverinfo="skip",
        )
    figure.add_scatter(
        x=middle,
        y=level,
        error_y={"type": "data", "symmetric": False, "array": upper - level, "arrayminus": level - lower},
        mode="markers",
        marker={"color": BLUE, "size": 9},
        name="lock, % of the whole run's",
        customdata=[w.laps for w in trend.windows],
        hovertemplate="%{customdata}: %{y:.0f} %<extra></extra>",
    )
    figure.update_xaxes(title="log time, min")
    figure.update_yaxes(title="lock, % of the whole run's")
    return styled(figure, height=320)
