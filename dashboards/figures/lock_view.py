"""The lock plot of the report with, on top, the chosen corner pass, another run, or the setup being typed."""

from dataclasses import replace

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.phases.segments import Corner
from analyzer.presentation.figures.lock_plot import lock_plot, measured_stretches, stretch_columns
from analyzer.presentation.figures.theme import (
    GREEN,
    INK,
    PREDICTED_BAND,
    VERMILLION,
    add_band,
    add_stretch,
    hover,
    in_a_legend,
    say_instead,
    styled,
)
from dashboards.figures.dark import readable

MOST_TALL = 2.5  # the typed setup's curve may stretch the first view by this


def lock_view(
    analysis: Analysis,
    *,
    chosen: Corner | None = None,
    other: Analysis | None = None,
    predicted: PredictedLockCurve | None = None,
    mode: str = "light",
) -> go.Figure:
    """Lock plot; `predicted` replaces what the run was analysed with."""
    figure = lock_plot(analysis if predicted is None else replace(analysis, predicted=predicted))
    if other is not None:
        _other(figure, other, other.recording.name)
    if chosen is not None:
        _pass(figure, analysis, chosen, mode)
    _readable_range(figure, analysis, predicted)
    styled(figure, height=480, mode=mode)
    # small, pale samples are told apart in the legend only at one size
    return readable(figure.update_layout(margin={"t": 90}, legend={"itemsizing": "constant"}), mode)


def predicted_only(predicted: PredictedLockCurve, torque_Nm: np.ndarray, *, mode: str = "light") -> go.Figure:
    """The predicted curve with its band, when there is no run to lay it over."""
    figure = go.Figure()
    if predicted.kind != "spool":
        lower, upper = predicted.band_Nm(torque_Nm)
        add_band(figure, torque_Nm, lower, upper, fill=PREDICTED_BAND, name="its 95 % band")
        figure.add_scatter(
            x=torque_Nm,
            y=predicted.locking_torque_Nm(torque_Nm),
            mode="lines",
            name="parts say",
            line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
            hovertemplate=hover("parts say", "at %{x:.0f} N.m: %{y:.0f} N.m"),
        )
    else:
        say_instead(figure, "A spool never slips: it has no lock curve.")
        figure.update_xaxes(range=[float(torque_Nm.min()), float(torque_Nm.max())])
    figure.update_xaxes(title="input torque, N.m")
    figure.update_yaxes(title="locking torque, N.m", rangemode="tozero", showticklabels=predicted.kind != "spool")
    return styled(figure, height=480, mode=mode)


def _pass(figure: go.Figure, analysis: Analysis, corner: Corner, mode: str) -> None:
    where = np.arange(corner.start, corner.stop)
    axle = analysis.axle
    good = analysis.signals.valid[where] & ~axle.braked[where] & np.isfinite(axle.torque_difference_Nm[where])
    where = where[good]
    where = where[:: max(1, len(where) // 400)]
    figure.add_scatter(
        x=axle.input_torque_Nm[where],
        y=np.abs(axle.torque_difference_Nm[where]),
        mode="lines+markers",
        name=f"corner {corner.number}, lap {corner.lap}",
        line={"color": INK[mode], "width": 1},
        marker={"symbol": "diamond-open", "size": 7, "color": INK[mode]},
        customdata=np.column_stack(
            [np.full(len(where), corner.number), np.full(len(where), corner.lap), analysis.signals.time_s[where]]
        ).tolist(),
        hovertemplate="corner %{customdata[0]:.0f}, lap %{customdata[1]:.0f}, %{customdata[2]:.2f} s<br>"
        "input %{x:.0f} N.m, transfer %{y:.0f} N.m<extra></extra>",
    )


def _other(figure: go.Figure, other: Analysis, name: str) -> None:
    for k, points in enumerate(measured_stretches(other.lock_curve.points)):
        add_stretch(
            figure,
            *stretch_columns(points),
            line={"color": GREEN, "width": 3, "dash": "dot"},
            fill="rgba(0,158,115,0.2)",
            band={"legendgroup": name, "showlegend": False},
            name=in_a_legend(name),
            legendgroup=name,
            showlegend=k == 0,
            hovertemplate=hover(name, "at %{x:.0f} N.m: %{y:.0f} N.m"),
        )


def _readable_range(figure: go.Figure, analysis: Analysis, predicted: PredictedLockCurve | None) -> None:
    """The first view leaves out single far samples and the far end of a steep setup; zooming out shows them."""
    torque = np.array([p.input_torque_Nm for p in analysis.lock_curve.points])
    usable = analysis.signals.valid & ~analysis.axle.braked & (analysis.axle.locked | analysis.axle.slipping)
    height = np.abs(analysis.axle.torque_difference_Nm[usable])
    height = height[np.isfinite(height)]
    curve = [p.upper_Nm or p.lower_Nm or 0.0 for p in analysis.lock_curve.points]
    top = 1.15 * max(*curve, float(np.percentile(height, 99.5)) if len(height) else 0.0, 50.0)
    if predicted is not None and predicted.kind != "spool":
        top = min(max(top, 1.1 * float(predicted.locking_torque_Nm(torque).max())), MOST_TALL * top)
    figure.update_xaxes(range=[1.25 * float(torque.min()), 1.05 * float(torque.max())])
    figure.update_yaxes(range=[-0.02 * top, top])  # a curve at zero is seen above the axis
