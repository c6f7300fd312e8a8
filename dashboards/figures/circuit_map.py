"""The path from above, coloured by a chosen quantity, with the findings as marks whose shape says the kind."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.findings.finding import Finding
from analyzer.presentation.figures.path_map import mark_findings, number_corners
from analyzer.presentation.figures.theme import GREY, INK, SCALE, largest, styled
from dashboards.figures.once import path_of
from dashboards.figures.quantities import ALL, MAP_LABELS, QUANTITIES

READ = (
    "How to read it: the path from above, every lap over the first. Brighter and larger is more of the chosen "
    "quantity (of many laps, the most there), thin grey is where it cannot be told. Marks are findings, of very many "
    "the worst; their shape says which, the ring is the one chosen. Numbers are corners. Click a mark or the path "
    "to go there."
)
POINTS = 2500
MOST_LAPS = 12  # drawn each by itself
PLACES = 1200  # of a lap, beyond that many laps
HEIGHT_PX = 410  # so that list and map are on one screen of 1280 x 720


def circuit_map(analysis: Analysis, key: str, *, chosen: Finding | None = None, mode: str = "light") -> go.Figure:
    """Scatter of x and y (m); customdata starts with the sample's log time (s) everywhere and ends,
    on marks, with the finding's index."""
    quantity = QUANTITIES[key]
    if quantity.mapped is None:
        raise ValueError(f"'{key}' has no one value a sample that a map could show")
    values = quantity.mapped(analysis, ALL)
    known = _most(analysis, values)
    known = known[np.isfinite(values[known])]
    known = known[np.argsort(values[known])]
    top = float(np.percentile(values[known], 99.5)) if len(known) else 1.0
    low = min(0.0, float(np.percentile(values[known], 0.5))) if len(known) else 0.0
    if quantity.map_top is not None:
        top = float(np.clip(top, *quantity.map_top))
    x, y = path_of(analysis)
    unit = MAP_LABELS[key].rpartition(", ")[2]
    figure = go.Figure()
    line = _line(analysis)
    figure.add_scatter(
        x=x[line], y=y[line], mode="lines", line={"color": GREY, "width": 1}, hoverinfo="skip", showlegend=False
    )
    share = np.clip((values[known] - low) / ((top - low) or 1.0), 0, 1)
    figure.add_scatter(
        x=x[known],
        y=y[known],
        mode="markers",
        showlegend=False,
        customdata=np.column_stack(
            [analysis.signals.time_s[known], analysis.laps.number[known], values[known]]
        ).tolist(),
        hovertemplate=f"{MAP_LABELS[key]}: %{{customdata[2]:.{quantity.digits}f}}<br>"
        "lap %{customdata[1]:.0f}, %{customdata[0]:.1f} s<extra></extra>",
        marker={
            "color": values[known],
            "cmin": low,
            "cmax": top,
            "colorscale": SCALE,
            "size": 4 + 8 * share,
            "line": {"width": 0.6, "color": GREY},  # the scale begins as dark as a dark page
            "colorbar": {
                # a title would lie over the bar; the control above says what is shown
                "ticksuffix": f" {unit}" if unit else "",
                "thickness": 10,
                "nticks": 6,
                "orientation": "h",  # beside the map it would leave a phone no map
                "x": 0.5,
                "y": 0,
                "yref": "container",
                "yanchor": "bottom",
            },
        },
    )
    mark_findings(figure, analysis, x, y, mode=mode)
    if chosen is not None and chosen.is_placed:
        k = int(np.searchsorted(analysis.signals.time_s, chosen.start_s).clip(max=len(x) - 1))
        figure.add_scatter(
            x=[x[k]],
            y=[y[k]],
            mode="markers",
            name="chosen finding",
            showlegend=False,
            hoverinfo="skip",
            marker={"symbol": "circle-open", "size": 26, "color": INK[mode], "line": {"width": 3}},
        )
    number_corners(figure, analysis, x, y)
    # the axes do not stretch to the screen's shape, or a narrow one would show a dot
    look = {"ticksuffix": " m", "showgrid": False, "zeroline": False, "nticks": 5, "constrain": "domain"}
    figure.update_xaxes(**look)
    figure.update_yaxes(scaleanchor="x", **look)
    styled(figure, height=HEIGHT_PX, mode=mode)
    return figure.update_layout(margin={"t": 40, "r": 10, "l": 55, "b": 66})


def _most(analysis: Analysis, values: np.ndarray) -> np.ndarray:
    """Samples to colour: of few laps the largest of every short stretch of time; of many, where each lap would get a
    handful of points, the largest of all laps at every place of the lap."""
    if len(analysis.laps.bounds) <= MOST_LAPS:
        return largest(values, POINTS)
    place = np.full(len(values), -1)
    distance = analysis.signals.distance_m
    for start, stop in analysis.laps.bounds:
        lap = distance[start:stop] - distance[start]
        place[start:stop] = (PLACES * lap / (lap[-1] or 1.0)).astype(int).clip(max=PLACES - 1)
    told = np.flatnonzero((place >= 0) & np.isfinite(values))
    return pd.Series(values[told], index=told).groupby(place[told]).idxmax().to_numpy()


def _line(analysis: Analysis) -> slice:
    """Samples that draw the path: of many laps one whole lap, of few all."""
    bounds = analysis.laps.bounds
    start, stop = bounds[0] if len(bounds) > MOST_LAPS else (0, len(analysis.signals.time_s))
    return slice(start, stop, max(1, (stop - start) // POINTS))
