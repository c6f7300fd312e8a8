"""Findings as marks on a map, whose shape says the kind; what concerns the whole session has no place there."""

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.presentation.figures.theme import INK, VERMILLION, hover
from analyzer.presentation.words import KIND_NAMES, place_words

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


def mark_findings(figure: go.Figure, analysis: Analysis, x: np.ndarray, y: np.ndarray, *, mode: str = "light") -> None:
    """A trace a kind; x and y (n,) in m are the path. Customdata: log time (s), lap, corner and the finding's index."""
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
