"""The advice as one HTML file that needs no network."""

from analyzer.advice import words
from analyzer.advice.option import Advice
from analyzer.advice.trade_off import READ, trade_off
from analyzer.presentation import page


def render(advice: Advice) -> str:
    """The report as HTML text; the picture needs coasting in the log, and is left out where there is none."""
    has_both = advice.fitted.outcome["coast_moment_Nm"].value is not None
    return (
        page.environment("analyzer.advice")
        .get_template("advice.html")
        .render(
            advice=advice,
            words=words,
            read=READ,
            **page.drawn({"trade-off": trade_off(advice)} if has_both else {}),
        )
    )
