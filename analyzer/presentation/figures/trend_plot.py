"""Lock over the run, relative to the session's curve."""

import numpy as np
import plotly.graph_objects as go

from analyzer.presentation.figures.theme import BLUE, GREY, VERMILLION, styled
from analyzer.trends.lock_trend import TEN_MINUTES_S, LockTrend

READ = (
    "How to read it: each point is the lock over some laps, in per cent of the whole run's, with its 95 % interval; "
    "the line is the trend. Each corner is compared with itself; tyre and car are held, so tyres that wear or warm "
    "within the run can look like a small trend too."
)


def trend_plot(trend: LockTrend) -> go.Figure:
    """Level of each window (% of the session's) against time (min), and the straight trend through them."""
    figure = go.Figure()
    middle = np.array([(w.start_s + w.end_s) / 2 for w in trend.windows]) / 60
    level, lower, upper = (100 * np.array([getattr(w, n) for w in trend.windows]) for n in ("level", "lower", "upper"))
    figure.add_hline(y=100, line={"color": GREY, "width": 1})
    slope = trend.relative_per_10_min
    if slope.value is not None:
        about = (middle - middle.mean()) * 60 / TEN_MINUTES_S * 100
        figure.add_scatter(
            x=middle,
            y=100 + slope.value * about,
            mode="lines",
            line={"color": VERMILLION, "width": 2.5, "dash": "dash"},
            name="trend",
            hoverinfo="skip",
        )
    figure.add_scatter(
        x=middle,
        y=level,
        error_y={"type": "data", "symmetric": False, "array": upper - level, "arrayminus": level - lower},
        mode="markers",
        marker={"color": BLUE, "size": 9},
        name="lock, % of the whole run's",
        customdata=[w.laps for w in trend.windows],
        hovertemplate="%{customdata}: %{y:.0f} %<extra></extra>",
    )
    figure.update_xaxes(title="log time, min")
    figure.update_yaxes(title="lock, % of the whole run's")
    return styled(figure, height=320)
