"""The odds of the setup file against other builds as a row of bars."""

from dash import html
from dash.development.base_component import Component

from analyzer.agreement.verdict import Odds
from analyzer.presentation.odds_words import HOW_TO_READ, NAMES, bar, headline, odds_words
from dashboards.parts import table


def odds_bars(found: Odds | None, verdict: str) -> list[Component]:
    """Heading, the odds in a sentence, a bar a build; nothing where nothing else might be fitted."""
    if found is None:
        return []
    rows = [
        [NAMES[one.kind], odds_words(one), _drawn(-bar(one), "against"), _drawn(bar(one), "for")]
        for one in found.against
    ]
    headings = ["instead of the setup file", "odds", "against the file", "for the file"]
    return [
        html.H3("Odds"),
        html.P(headline(found, verdict)),
        html.Div(table(headings, rows, words=(0, 1, 3)), className="file-odds"),
        html.P(HOW_TO_READ, className="read"),
    ]


def _drawn(length: float, side: str) -> html.Span | None:
    return html.Span(className=side, style={"width": f"{100 * length:.0f}%"}) if length > 0 else None
