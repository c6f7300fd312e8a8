"""The trade-off as a picture: time in spins against the off-throttle moment against the turn."""

import plotly.graph_objects as go

from analyzer.advice.options import Advice, Option
from analyzer.presentation.advice_words import shown
from analyzer.presentation.figures.theme import BLUE, GREY, ORANGE, VERMILLION, hover, styled

READ = (
    "How to read it: each mark is one build. Left is less spin under power; lower resists turning in less. The square "
    "is what is fitted now. Numbered stars are advised. Lettered diamonds are the best trade-offs, named in the table: "
    "no other build is better both ways. Bars are 95 %. Small circles are the other builds: hover for their parts, "
    "double-click for those higher up."
)
HEAD_ROOM = 1.15  # above the marks that have a name; a shelf can lock the entry ten times as hard


def trade_off(advice: Advice) -> go.Figure:
    """Spin time (s, both kinds) against mean moment against the turn while coasting (N.m), a mark for each build."""
    figure = go.Figure()
    named = [pair for pair in shown(advice) if pair[1].outcome["coast_moment_Nm"].value is not None]
    fitted, advised = named[:1], [(m, o) for m, o in named[1:] if o.rank is not None]
    letters = [(m, o) for m, o in named[1:] if o.rank is None]
    taken = [o for _, o in named]
    others = [("", o) for o in advice.options if o.outcome["coast_moment_Nm"].value is not None and o not in taken]
    _marks(figure, others, name="other builds", symbol="circle-open", color=GREY, size=6, bars=False)
    _marks(figure, letters, name="best trade-offs", symbol="diamond", color=BLUE, size=11)
    _marks(figure, fitted, name="as fitted", symbol="square", color=VERMILLION, size=14)
    _marks(figure, advised, name="advised", symbol="star", color=ORANGE, size=16)
    figure.update_xaxes(title="spin under power, s", range=_range(taken, "spin_s"))
    figure.update_yaxes(title="off-throttle moment against the turn, N.m", range=_range(taken, "coast_moment_Nm"))
    return styled(figure, height=520)


def _range(options: list[Option], name: str) -> list[float]:
    """From a little under zero to above the highest mark that has a name, with its bar."""
    found = [o.outcome[name] for o in options]
    highest = max(1.0, *(i.value if i.upper is None else i.upper for i in found))
    lowest = min(0.0, *(i.value if i.lower is None else i.lower for i in found))
    return [lowest - 0.04 * highest, HEAD_ROOM * highest]


def _spin(option: Option) -> float:
    return option.outcome["spin_s"].value


def _moment(option: Option) -> float:
    return option.outcome["coast_moment_Nm"].value


def _marks(
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
        x=[_spin(o) for o in options],
        y=[_moment(o) for o in options],
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


def _bars(options: list[Option], name: str, color: str) -> dict:
    """Asymmetric 95 % bars; none where a build was not drawn."""
    found = [o.outcome[name] for o in options]
    return {
        "type": "data",
        "symmetric": False,
        "array": [0.0 if i.upper is None else i.upper - i.value for i in found],
        "arrayminus": [0.0 if i.lower is None else i.value - i.lower for i in found],
        "color": color,
        "thickness": 1,
        "width": 3,
    }
