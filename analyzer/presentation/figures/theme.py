"""Look of all figures: colours that colour-blind readers tell apart, each doubled by a dash, a shape or a label.

Colours: Okabe and Ito, Color Universal Design (2008). Its yellow is left out, its orange and sky blue are used with a
dash or a shape, because they are weak on white.
"""

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go
from numpy.typing import ArrayLike

from analyzer.arrays import FloatArray, IntArray

BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY = "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#E69F00", "#56B4E9"
GREY = "#8a8f98"
FINDING = {"fillcolor": "rgba(213,94,0,0.12)", "line": {"color": VERMILLION, "width": 1, "dash": "dot"}}  # its stretch
MEASURED_BAND, PREDICTED_BAND = "rgba(0,114,178,0.22)", "rgba(213,94,0,0.12)"  # of blue and of vermillion
SCALE = "Cividis"  # even in lightness, made for colour-blind readers (Nunez, Anderton, Renslow 2018)
CONFIG: dict[str, Any] = {
    "showSendToCloud": False,
    "displaylogo": False,
    "responsive": True,
    "modeBarButtonsToRemove": ["select2d", "lasso2d"],
}
LEGEND_LETTERS = 30
INK = {"light": "#20242a", "dark": "#e3e6ea"}
GRID = {"light": "#e2e5e9", "dark": "#3a3f47"}
AXES = tuple(f"{axis}axis{n}" for axis in "xy" for n in ("", "2", "3", "4"))


def reach(upper: float | None, lower: float | None) -> float:
    """Length of one side of an error bar; 0 where an end is not known."""
    return 0.0 if upper is None or lower is None else upper - lower


def styled(figure: go.Figure, *, height: int, mode: str = "light") -> go.Figure:
    """Apply the common look; `mode` is `light` or `dark`. Backgrounds stay clear, the page gives them."""
    figure.update_layout(
        height=height,
        margin={"l": 60, "r": 20, "t": 40, "b": 50},
        paper_bgcolor="rgba(0,0,0,0)",
        plot_bgcolor="rgba(0,0,0,0)",
        font={"family": "system-ui, sans-serif", "size": 13, "color": INK[mode]},
        legend={"orientation": "h", "yanchor": "bottom", "y": 1.02, "x": 0},
        hoverlabel={"namelength": -1},
    )
    lines = {"gridcolor": GRID[mode], "zerolinecolor": GRID[mode], "linecolor": GRID[mode], "title_font_size": 13}
    figure.update_xaxes(**lines)
    figure.update_yaxes(**lines)
    return figure


def add_band(figure: go.Figure, x: ArrayLike, lower: ArrayLike, upper: ArrayLike, *, fill: str, **look: Any) -> None:
    """Shade between two curves.

    Parameters
    ----------
    x, lower, upper : (n,).
    fill : colour, as plotly writes it.
    **look : what else plotly is to know (name, legend).
    """
    at, low, high = (np.asarray(values, float) for values in (x, lower, upper))
    figure.add_scatter(
        x=np.concatenate([at, at[::-1]]),
        y=np.concatenate([high, low[::-1]]),
        mode="lines",  # or plotly marks the corners of a band of few points
        fill="toself",
        fillcolor=fill,
        line={"width": 0},
        hoverinfo="skip",
        **look,
    )


def in_a_legend(name: str) -> str:
    """A name, of a long one its two ends: a legend that is broader than a phone is cut off."""
    ends = LEGEND_LETTERS // 2
    return name if len(name) <= LEGEND_LETTERS else f"{name[:ends]}…{name[-ends:]}"


def corner_axis(figure: go.Figure, corners: Sequence[tuple[int, str]]) -> None:
    """Corners, (number, direction) each, side by side along x, written short: longer ones run into each other."""
    texts = [f"{number} {direction[:1].upper()}" for number, direction in corners]
    figure.update_xaxes(title="corner (L left, R right)", tickvals=list(range(len(corners))), ticktext=texts)


def hover(name: str, text: str) -> str:
    """A hover text that begins with what it is about; plotly would write that beside the box, in the mark's colour,
    and some of these are pale."""
    return f"{name}<br>{text}<extra></extra>"


def say_instead(figure: go.Figure, text: str) -> None:
    """Words in the middle of a chart that has nothing to draw."""
    figure.add_annotation(x=0.5, y=0.5, xref="paper", yref="paper", showarrow=False, text=text)


def add_stretch(
    figure: go.Figure,
    x: ArrayLike,
    y: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    *,
    line: dict[str, Any],
    fill: str,
    band: dict[str, Any],
    **look: Any,
) -> None:
    """A piece of a curve with its band: a line, or, of one point, of which neither can be drawn, a mark with a bar.

    Parameters
    ----------
    x, y, lower, upper : (n,), n of 1 or more.
    line : of the curve, as plotly has it; its `color` is the mark's as well.
    fill : colour of the band.
    band, **look : what else plotly is to know of the band and of the curve.
    """
    at, value, low, high = (np.asarray(values, float) for values in (x, y, lower, upper))
    if len(at) > 1:
        add_band(figure, at, low, high, fill=fill, **band)
        look |= {"mode": "lines", "line": line}
    else:
        arms = {"array": high - value, "arrayminus": value - low, "color": line["color"]}
        look |= {"mode": "markers", "marker": {"color": line["color"], "size": 6}, "error_y": arms}
    figure.add_scatter(x=at, y=value, **look)


def repaint(figure: go.Figure, mode: str) -> dict[str, str]:
    """Layout changes that turn a drawn figure light or dark, by plotly's dotted names."""
    drawn = figure.layout.to_plotly_json()
    changes = {"font.color": INK[mode]}
    for axis in AXES:
        if axis in drawn:
            changes |= {f"{axis}.{part}": GRID[mode] for part in ("gridcolor", "zerolinecolor", "linecolor")}
    return changes


def min_max(values: FloatArray, points: int) -> IntArray:
    """Indices (sorted, at most about `points`) of `values` (n,): first, last, and each bin's minimum and maximum.

    NaN never wins against a number; a bin of NaN keeps its first sample, so that a gap stays a gap.
    """
    n = len(values)
    if n <= points:
        return np.arange(n)
    bins = max(1, (points - 2) // 2)
    edges = np.linspace(0, n, bins + 1).astype(int)
    known = np.isfinite(values)
    low, high = np.where(known, values, np.inf), np.where(known, values, -np.inf)
    kept = [0, n - 1]
    for start, stop in itertools.pairwise(edges):
        if stop > start:
            kept += [start + int(np.argmin(low[start:stop])), start + int(np.argmax(high[start:stop]))]
    return np.unique(kept)


def largest(values: FloatArray, points: int) -> IntArray:
    """Sorted indices, `points` at most, of each bin's largest value (n,): for colour, where only the peak matters."""
    n = len(values)
    if n <= points:
        return np.arange(n)
    edges = np.linspace(0, n, points + 1).astype(int)
    high = np.where(np.isfinite(values), values, -np.inf)
    return np.array([a + int(np.argmax(high[a:b])) for a, b in itertools.pairwise(edges) if b > a])
