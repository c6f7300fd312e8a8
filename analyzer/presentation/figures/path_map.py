"""The path of the session, coloured and sized by inside slip."""

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.findings.rear_axle import rear_axle
from analyzer.presentation.figures.corner_numbers import number_corners
from analyzer.presentation.figures.downsample import largest
from analyzer.presentation.figures.finding_marks import mark_findings
from analyzer.presentation.figures.path_layout import drawn_path
from analyzer.presentation.figures.theme import GREY, SCALE, styled

READ = (
    "How to read it: the path from above, every lap over the first. Colour and size are the inside rear wheel's "
    "slip, in corners only: bright and large is where it ran ahead of the ground. Marks are findings, their "
    "shape says which; numbers are corners."
)
POINTS = 2500
# the scale never ends below the first, or noise would look like slip, nor above the second, or a full spin would hide
# the others
TOP_PERCENT = (5.0, 30.0)


def path_map(analysis: Analysis) -> go.Figure:
    """Scatter of x and y (m); colour and size are the inside slip (%), grey where no inside wheel can be named."""
    signals = analysis.signals
    rear = rear_axle(signals, analysis.axle, analysis.car)
    slip = np.where(rear.cornering, 100 * rear.inside_slip, np.nan)
    chosen = largest(slip, POINTS)
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
    figure.update_xaxes(title="x, m", showgrid=False, zeroline=False, constrain="domain")
    figure.update_yaxes(title="y, m", scaleanchor="x", showgrid=False, zeroline=False, constrain="domain")
    styled(figure, height=560)
    return figure.update_layout(margin={"b": 110})
