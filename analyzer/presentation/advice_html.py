"""The advice as one HTML file that needs no network."""

from analyzer.advice.option import Advice
from analyzer.presentation import advice_words as words
from analyzer.presentation import page
from analyzer.presentation.figures.trade_off import READ, trade_off


def render(advice: Advice) -> str:
    """The report as HTML text; the picture needs coasting in the log, and is left out where there is none."""
    has_both = advice.fitted.outcome["coast_moment_Nm"].value is not None
    return (
        page.environment("analyzer.presentation")
        .get_template("advice.html")
        .render(
            advice=advice,
            words=words,
            read=READ,
            **page.drawn({"trade-off": trade_off(advice)} if has_both else {}),
        )
    )
