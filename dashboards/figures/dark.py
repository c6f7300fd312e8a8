"""The palette's blue is too deep for a dark page: charts that are shown there get a lighter one."""

import plotly.graph_objects as go

from analyzer.presentation.figures.theme import BLUE

BLUE_ON_DARK = "#7cc0ee"


def readable(figure: go.Figure, mode: str) -> go.Figure:
    """The figure, with the deep blue of lines, marks and bars lightened in dark mode."""
    if mode == "dark":
        for trace in figure.data:
            for name in ("line", "marker", "error_y"):
                part = getattr(trace, name, None)
                if part is not None and isinstance(part.color, str) and part.color == BLUE:
                    part.color = BLUE_ON_DARK
    return figure
