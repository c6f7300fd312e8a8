"""The guide's fenced blocks: equations, worked numbers, figures of the code, priors; Markdown in, HTML out.

    ```eq                       an equation; F_x and v^2 are set as sub- and superscript
    ```worked NAME title        lines `symbol = value unit`, those that follow from the others after `=> `
    ```figures                  lines `module:NAME = value unit : what it is`
    ```priors                   lines `name = start sd deviation : what it is`
    ```measured COMMAND         what the command printed: rows of a Markdown table, and lines of text
    ```keys module:Class table  nothing: the keys of a TOML table are told by the model that reads it

Each value goes into the page with the figures that it is recomputed from as `data-` attributes: the tests read the page
as it is served, compute every number again from the package and compare (tests/dashboards/test_guide.py).
"""

import re
from html import escape

from dashboards.guide.keys import HEADS, key_tables

SUBSCRIPT = re.compile(r"(?<![\w.:])([A-Za-zΑ-ω]{1,2}\d?)_([A-Za-zΑ-ω0-9]+)(?![\w(])")
SUPERSCRIPT = re.compile(r"\^(-?\d+)")
WORKED = re.compile(r"^(=> )?(.+?) = (-?[\d.]+)(?: (.+))?$")
FIGURE = re.compile(r"^([\w.]+):([\w.]+) = (-?[\d.]+)(?: ([^:]+))? : (.+)$")
PRIOR = re.compile(r"^(\w+) = (-?[\d.]+) sd ([\d.]+) : (.+)$")


def symbols(text: str) -> str:
    """HTML of a text with symbols such as F_x and v^2."""
    return SUPERSCRIPT.sub(r"<sup>\1</sup>", SUBSCRIPT.sub(r"<i>\1</i><sub>\2</sub>", escape(text)))


def block(info: str, text: str) -> str:
    """HTML of a fenced block.

    Raises
    ------
    ValueError : a line of a block of numbers is not written as it must be.
    """
    kind, _, rest = info.partition(" ")
    lines = [line for line in text.splitlines() if line.strip()]
    match kind:
        case "eq":
            return f'<pre class="equation" tabindex="0">{symbols(text.rstrip())}</pre>\n'
        case "worked":
            name, _, title = rest.partition(" ")
            return _worked(name, title, lines)
        case "figures":
            return _table(("what", "value", "in the code (analyzer)"), [_figure(line) for line in lines])
        case "priors":
            return _table(("parameter", "what", "starts at", "one standard deviation"), [_prior(ln) for ln in lines])
        case "measured":
            return _measured(rest, lines)
        case "keys":
            place, _, name = rest.partition(" ")
            return "".join(_keys(name, rows) for name, rows in key_tables(place, name))
    return f'<pre tabindex="0"><code>{escape(text)}</code></pre>\n'


def _measured(command: str, lines: list[str]) -> str:
    """A table that a command printed, and the command."""
    rows = [[cell.strip() for cell in line.strip("|").split("|")] for line in lines if line.startswith("|")]
    body = ["<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in row) + "</tr>" for row in rows[2:]]
    said = "".join(f"<p>{escape(line)}</p>" for line in lines if not line.startswith("|"))
    table = _table(tuple(map(escape, rows[0])), body) if rows else ""
    return f"{table}{said}<p>Measured by <code>{escape(command)}</code>.</p>\n"


def _parts(pattern: re.Pattern[str], line: str) -> tuple[str, ...]:
    found = pattern.match(line)
    if found is None:
        raise ValueError(f"the guide has a line that cannot be read: {line!r}")
    return tuple(part or "" for part in found.groups())


def _worked(name: str, title: str, lines: list[str]) -> str:
    rows = []
    for line in lines:
        follows, symbol, value, unit = _parts(WORKED, line)
        role = "follows" if follows else "given"
        data = f'data-worked="{name}" data-role="{role}" data-symbol="{escape(symbol)}" data-value="{value}"'
        rows.append(
            f'<tr class="{role}" {data}><td>{"so" if follows else ""}</td><td>{symbols(symbol)}</td>'
            f"<td>{value} {symbols(unit)}</td></tr>"
        )
    return f'<table class="worked"><caption>{symbols(title)}</caption>{"".join(rows)}</table>\n'


def _figure(line: str) -> str:
    module, name, value, unit, what = _parts(FIGURE, line)
    data = f'data-figure="{module}:{name}" data-value="{value}"'
    place = f"<code>{module.removeprefix('analyzer.')}</code><br><code>{name}</code>"
    return f"<tr {data}><td>{symbols(what)}</td><td>{value} {symbols(unit)}</td><td>{place}</td></tr>"


def _prior(line: str) -> str:
    name, start, deviation, what = _parts(PRIOR, line)
    data = f'data-prior="{name}" data-start="{start}" data-deviation="{deviation}"'
    return f"<tr {data}><td><code>{name}</code></td><td>{symbols(what)}</td><td>{start}</td><td>{deviation}</td></tr>"


def _keys(name: str, rows: list[tuple[str, ...]]) -> str:
    cells = ["<tr>" + "".join(f"<td>{cell}</td>" for cell in row) + "</tr>" for row in rows]
    return f"<p><code>[{name}]</code></p>\n" + _table(HEADS, cells)


def _table(heads: tuple[str, ...], rows: list[str]) -> str:
    head = "".join(f"<th>{text}</th>" for text in heads)
    return f'<div class="wide"><table><thead><tr>{head}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>\n'
