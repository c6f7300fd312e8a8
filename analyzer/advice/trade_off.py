"""The trade-off as a picture: time in spins against the moment that holds against the turn off the throttle."""

import plotly.graph_objects as go

from analyzer.advice.option import Advice, Option
from analyzer.report.figures.theme import BLUE, GREY, ORANGE, VERMILLION, styled

READ = (
    "How to read it: each mark is one build; left is less spin under power, down is less resistance to turning in. "
    "The square is what is fitted now. Numbered stars are advised. Diamonds on the line are the best trade-offs: no "
    "other build of the shelf is better both ways. Bars are 95 %. Small circles are the other builds; hover for their "
    "parts."
)


def trade_off(advice: Advice) -> go.Figure:
    """Spin time (s, both kinds) against mean moment against the turn while coasting (N.m), a mark for each build."""
    figure = go.Figure()
    options = [o for o in advice.options if o.outcome["coast_moment_Nm"].value is not None]
    advised = [o for o in advice.top if o in options]
    front = sorted((o for o in options if o.on_front), key=_spin)
    others = [o for o in options[1:] if not o.on_front and o.rank is None]
    _marks(figure, others, name="other builds", symbol="circle-open", color=GREY, size=6, bars=False)
    figure.add_scatter(
        x=[_spin(o) for o in front],
        y=[_moment(o) for o in front],
        mode="lines",
        line={"color": BLUE, "width": 1.5, "dash": "dot"},
        name="best trade-offs",
        showlegend=False,
        hoverinfo="skip",
    )
    plain = [o for o in front if o.rank is None and o is not advice.fitted]
    _marks(figure, plain, name="best trade-offs", symbol="diamond", color=BLUE, size=11, bars=True)
    _marks(
        figure, options[:1], name="as fitted", symbol="square", color=VERMILLION, size=14, bars=True, text=["as fitted"]
    )
    numbers = [str(o.rank) for o in advised]
    _marks(figure, advised, name="advised", symbol="star", color=ORANGE, size=16, bars=True, text=numbers)
    figure.update_xaxes(title="time in which one or both rear wheels spin under power, s", rangemode="tozero")
    figure.update_yaxes(title="moment against the turn off the throttle, N.m", rangemode="tozero")
    return styled(figure, height=520)


def _spin(option: Option) -> float:
    return option.outcome["spin_s"].value


def _moment(option: Option) -> float:
    return option.outcome["coast_moment_Nm"].value


def _marks(
    figure: go.Figure,
    options: list[Option],
    *,
    name: str,
    symbol: str,
    color: str,
    size: int,
    bars: bool,
    text: list[str] | None = None,
) -> None:
    if not options:
        return
    figure.add_scatter(
        x=[_spin(o) for o in options],
        y=[_moment(o) for o in options],
        mode="markers" if text is None else "markers+text",
        text=text,
        textposition="top right",
        marker={"symbol": symbol, "size": size, "color": color},
        error_x=_bars(options, "spin_s", color) if bars else None,
        error_y=_bars(options, "coast_moment_Nm", color) if bars else None,
        customdata=[o.build.label for o in options],
        hovertemplate="%{customdata}<br>%{x:.1f} s of spin, %{y:.0f} N.m<extra>" + name + "</extra>",
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
