"""Faults of a log over time: one row a code, bars where they lie."""

import plotly.graph_objects as go

from analyzer.presentation.figures.theme import BLUE, GREY, ORANGE, VERMILLION, styled
from dashboards.figures.dark import readable

READ = (
    "How to read it: one row a kind of fault, a bar where it lies in the log. Squares are errors, triangles "
    "warnings, circles information. Point at a bar for the sentence."
)
LOOKS = {"error": (VERMILLION, "square"), "warning": (ORANGE, "triangle-up"), "info": (BLUE, "circle")}


def fault_timeline(quality: list[dict], duration_s: float, *, mode: str = "light") -> go.Figure:
    """Bars from start_s to end_s (s) of every entry that has a place in time."""
    figure = go.Figure()
    placed = [q for q in quality if q["start_s"] is not None and q["end_s"] is not None]
    for severity, (color, symbol) in LOOKS.items():
        x, y, text = [], [], []
        for q in (q for q in placed if q["severity"] == severity):
            row = q["code"] if q["channel"] is None else f"{q['code']}, {q['channel']}"
            message = _plain(q["message"])
            x += [q["start_s"], q["end_s"], None]
            y += [_plain(row)] * 2 + [None]
            text += [message, message, ""]
        if x:
            figure.add_scatter(
                x=x,
                y=y,
                text=text,
                name=severity,
                mode="lines+markers",
                line={"color": color, "width": 6},
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1, "color": GREY}},
                hovertemplate="%{text}<br>%{x:.2f} s<extra></extra>",
            )
    rows = len({q["code"] + str(q["channel"]) for q in placed})
    figure.update_xaxes(title="log time, s", range=[0, duration_s])
    figure.update_yaxes(automargin=True)
    return readable(styled(figure, height=140 + 34 * max(rows, 1), mode=mode), mode)


def _plain(text: str) -> str:
    """Charts read a few tags in labels; text from a file must not be one."""
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")
