"""One pass through a corner: wheel speeds, slips, throttle and steer, with the phases shaded."""

import numpy as np
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from analyzer.analysis import Analysis
from analyzer.findings.rear_axle import rear_axle
from analyzer.phases.segments import Corner
from analyzer.presentation.figures.theme import BLUE, FINDING, GREEN, GREY, ORANGE, PURPLE, VERMILLION, min_max, styled
from analyzer.presentation.words import PHASE_NAMES

READ = (
    "How to read it: the thick lines are the rear wheels. A spinning inside wheel rises above the others; two rear "
    "lines in a constant ratio turn as one. Slip above the dotted line is past the tyre's peak force. Red marks a "
    "finding."
)
POINTS = 700  # a trace, min-max
MARGIN_S = 0.5
WHEELS = (
    ("front left", GREY, "dot", 1.5),
    ("front right", GREY, "dash", 1.5),
    ("rear left", BLUE, "solid", 2.5),
    ("rear right", VERMILLION, "dash", 2.5),
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
        row: int, name: str, values: np.ndarray, color: str, dash: str, width: float, second: bool = False
    ) -> None:
        kept = min_max(values, POINTS)
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

    for column, (name, color, dash, width) in enumerate(WHEELS):
        speed = 3.6 * signals.wheel_speed_m_s[window, column]
        if np.isfinite(speed).any():
            line(1, name, speed, color, dash, width)
    rear = rear_axle(signals, analysis.axle, analysis.car)
    left = corner.direction == "left"
    axle = analysis.axle
    inside, outside = (axle.slip_left, axle.slip_right) if left else (axle.slip_right, axle.slip_left)
    line(2, "inside rear slip", 100 * inside[window], PURPLE, "solid", 2.0)
    line(2, "outside rear slip", 100 * outside[window], GREEN, "dash", 2.0)
    if np.isfinite(rear.peak_slip):
        figure.add_hline(y=100 * rear.peak_slip, line={"dash": "dot", "color": GREY}, row=2, col=1)
    line(3, "throttle", 100 * signals.throttle[window], GREEN, "solid", 1.5)
    steer = np.degrees(signals.steer_rad[window]) * analysis.car.steering_ratio
    line(3, "steering wheel", steer, ORANGE, "dash", 2.0, second=True)
    _shade(figure, analysis, corner)
    for found in analysis.findings:
        if (found.corner, found.lap) == (corner.number, corner.lap):
            figure.add_vrect(x0=found.start_s, x1=found.end_s, layer="below", **FINDING)
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


def _shade(figure: go.Figure, analysis: Analysis, corner: Corner) -> None:
    """Alternate shades with the phase's name on top: told apart by label, not by colour."""
    time = analysis.signals.time_s
    for k, phase in enumerate(corner.phases):
        start, stop = float(time[phase.start]), float(time[min(phase.stop, len(time) - 1)])
        figure.add_vrect(
            x0=start, x1=stop, fillcolor=GREY, opacity=0.16 if k % 2 else 0.06, line_width=0, layer="below"
        )
        figure.add_annotation(
            x=(start + stop) / 2,
            y=1.0,
            yref="paper",
            yanchor="bottom",
            yshift=13 * (k % 2),  # on two lines, or neighbours overlap on paper and on a phone
            text=PHASE_NAMES[phase.name],
            showarrow=False,
            font={"size": 11},
        )
