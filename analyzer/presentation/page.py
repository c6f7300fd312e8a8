"""What every HTML file that halfshaft writes shares: template settings, charts, look, cautions (`page.html`)."""

import json
from typing import Any

import plotly.graph_objects as go
import plotly.io
from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from analyzer import __version__
from analyzer.cautions import CAUTIONS
from analyzer.presentation.figures.theme import CONFIG, repaint


def environment(package: str) -> Environment:
    """Templates of `package`, which may extend `page.html`; text is escaped, unknown names are errors."""
    return Environment(
        loader=ChoiceLoader([PackageLoader(package, "."), PackageLoader("analyzer.presentation", ".")]),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def drawn(figures: dict[str, go.Figure]) -> dict[str, Any]:
    """What `page.html` asks for: charts by the id of their element, how to repaint them, the library, cautions."""
    return {
        "charts": {div: _chart(figure, div) for div, figure in figures.items()},
        "repaint": _script({m: {d: repaint(f, m) for d, f in figures.items()} for m in ("light", "dark")}),
        "plotly": Markup(get_plotlyjs()),
        "cautions": CAUTIONS,
        "version": __version__,
    }


def _chart(figure: go.Figure, div: str) -> Markup:
    return Markup(plotly.io.to_html(figure, full_html=False, include_plotlyjs=False, div_id=div, config=CONFIG))


def _script(value: Any) -> Markup:
    """JSON that is safe inside a script element."""
    return Markup(json.dumps(value).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
