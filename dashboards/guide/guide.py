"""The guide as pages of the dashboard.

Tables of the keys of a TOML file, made from the model that reads the file.

The guide's fenced blocks: equations, worked numbers, figures of the code, priors; Markdown in, HTML out.

    ```eq                       an equation; F_x and v^2 are set as sub- and superscript
    ```worked NAME title        lines `symbol = value unit`, those that follow from the others after `=> `
    ```figures                  lines `module:NAME = value unit : what it is`
    ```priors                   lines `name = start sd deviation : what it is`
    ```measured COMMAND         what the command printed: rows of a Markdown table, and lines of text
    ```keys module:Class table  nothing: the keys of a TOML table are told by the model that reads it

Each value goes into the page with the figures that it is recomputed from as `data-` attributes: the tests read the
page as it is served, compute every number again from the package and compare (tests/dashboards/test_guide.py).

The reference of the library as a page: /guide/reference, made by pdoc from the docstrings of what it exports.

The guide as pages of the dashboard: one Markdown source, /guide/<page>, and which section helps with which page.
"""

import re
import types
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from html import escape
from importlib import import_module, resources
from itertools import groupby, pairwise
from typing import Any, Literal, Union, get_args, get_origin

import flask
import pdoc.doc
import pdoc.render
from jinja2 import Environment, PackageLoader, StrictUndefined
from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markdown_it.utils import EnvType, OptionsDict
from markupsafe import Markup
from pydantic.fields import FieldInfo

import analyzer
from analyzer import __version__
from analyzer.in_words import CAUTIONS
from analyzer.settings_file import Settings

WORD_OF_A_FILE = re.compile(r"\w+_\w+")
HEADS = ("key", "allowed", "left out", "what")
SUBSCRIPT = re.compile(r"(?<![\w.:])([A-Za-zΑ-ω]{1,2}\d?)_([A-Za-zΑ-ω0-9]+)(?![\w(])")
SUPERSCRIPT = re.compile(r"\^(-?\d+)")
WORKED = re.compile(r"^(=> )?(.+?) = (-?[\d.]+)(?: (.+))?$")
FIGURE = re.compile(r"^([\w.]+):([\w.]+) = (-?[\d.]+)(?: ([^:]+))? : (.+)$")
PRIOR = re.compile(r"^(\w+) = (-?[\d.]+) sd ([\d.]+) : (.+)$")
_SECTION = re.compile(r"^(Parameters|Returns|Raises|Attributes|Notes|Examples|References)\n-{3,}\n", re.MULTILINE)
_ENTRY = re.compile(r"^(\*{0,2}\w[\w, *.]*?) : (?=\S)", re.MULTILINE)
PAGES = {
    "user": "Guide",
    "glossary": "Glossary",
    "measured": "How well it works",
    "theory": "Theory",
    "python": "In Python",
}


def key_tables(place: str, table_name: str) -> Iterator[tuple[str, list[tuple[str, ...]]]]:
    """(name of a TOML table, rows of HTML cells under `HEADS`) of the model `module:Class`, inner tables after it."""
    module, _, name = place.partition(":")
    return _tables(getattr(import_module(module), name), table_name)


def _tables(model: type[Settings], table_name: str) -> Iterator[tuple[str, list[tuple[str, ...]]]]:
    inner = {key: table for key, field in model.model_fields.items() if (table := _table_of(field.annotation))}
    yield table_name, [_row(key, field) for key, field in model.model_fields.items() if key not in inner]
    for key, table in inner.items():
        yield from _tables(table, f"{table_name}.{key}")


def _table_of(annotation: object) -> type[Settings] | None:
    """The model of a key that is a table of its own."""
    return next((kind for kind in _kinds(annotation) if isinstance(kind, type) and issubclass(kind, Settings)), None)


def _kinds(annotation: object) -> tuple[object, ...]:
    """What a key may be, without None."""
    union = get_origin(annotation) in (Union, types.UnionType)
    return tuple(k for k in (get_args(annotation) if union else (annotation,)) if k is not type(None))


def _row(key: str, field: FieldInfo) -> tuple[str, ...]:
    what, _, silent = (field.description or "").partition("; default ")
    if field.is_required():
        left_out = "needed"
    elif field.default is None:
        left_out = silent or "not told"
    else:
        left_out = str(field.default)
    return f"<code>{key}</code>", _allowed(field), marked(left_out), marked(what)


def marked(text: str) -> str:
    """HTML of a text, words of the file as code."""
    return WORD_OF_A_FILE.sub(r"<code>\g<0></code>", escape(text))


def _allowed(field: FieldInfo) -> str:
    words = [word for kind in _kinds(field.annotation) if get_origin(kind) is Literal for word in get_args(kind)]
    if words:
        return ", ".join(f"<code>{word}</code>" for word in words)
    limits = {
        name: getattr(limit, name) for limit in field.metadata for name in ("ge", "gt", "le") if hasattr(limit, name)
    }
    if "le" not in limits:
        return "words"
    low = f"{limits['ge']:g} to" if "ge" in limits else f"over {limits['gt']:g}, up to"
    return f"{low} {limits['le']:g}"


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
            return _measured(rest, text.splitlines())
        case "keys":
            place, _, name = rest.partition(" ")
            return "".join(_keys(name, rows) for name, rows in key_tables(place, name))
    return f'<pre tabindex="0"><code>{escape(text)}</code></pre>\n'


def _measured(command: str, lines: list[str]) -> str:
    """What a command printed, tables and lines of text as they came, and the command."""
    printed = []
    for is_table, some in groupby(lines, key=lambda line: line.startswith("|")):
        if is_table:
            heads, _, *rows = ([cell.strip() for cell in line.strip("|").split("|")] for line in some)
            body = ["<tr>" + "".join(f"<td>{marked(cell)}</td>" for cell in row) + "</tr>" for row in rows]
            printed.append(_table(tuple(map(escape, heads)), body))
        else:
            printed += [f"<p>{escape(line)}</p>" for line in some if line]
    return f"{''.join(printed)}<p>Measured by <code>{escape(command)}</code>.</p>\n"


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


@cache
def reference() -> str:
    """The page as HTML; it loads nothing."""
    for name in analyzer.__all__:
        getattr(analyzer, name)  # imported when asked for: pdoc looks for them in the module
    pdoc.render.configure(
        docformat="markdown",
        show_source=False,
        search=False,
        footer_text=f"halfshaft {analyzer.__version__}",
    )
    module = pdoc.doc.Module(analyzer)
    _as_markdown(module)
    return pdoc.render.html_module(module, all_modules={"analyzer": module})


def _as_markdown(described: pdoc.doc.Doc[Any]) -> None:
    """Headings and entries of the project's docstrings as Markdown, here and in all members."""
    text = _SECTION.sub(r"**\1**\n\n", described.docstring)
    described.docstring = _ENTRY.sub(r"- **\1**: ", text)
    if isinstance(described, pdoc.doc.Namespace):
        for member in described.members.values():
            _as_markdown(member)


def add_reference(server: flask.Flask) -> None:
    """GET /guide/reference."""
    server.add_url_rule("/guide/reference", "reference", reference)


@dataclass(frozen=True)
class Section:
    """A heading: its level, its address in the page, its words."""

    level: int
    id: str
    words: str


@dataclass(frozen=True)
class Page:
    """One page of the guide as HTML, with its sections in order."""

    title: str
    body: Markup
    sections: tuple[Section, ...]


@cache
def page(name: str) -> Page:
    """The page `name` of PAGES."""
    source = resources.files("dashboards.guide").joinpath(f"{name}.md").read_text("utf-8")
    markdown = _markdown()
    tokens = markdown.parse(source)
    sections = []
    for opening, inside in pairwise(tokens):
        if opening.type == "heading_open":
            found = Section(int(opening.tag[1]), address(inside.content), inside.content)
            opening.attrSet("id", found.id)
            sections.append(found)
    body = markdown.renderer.render(tokens, markdown.options, {})
    return Page(sections[0].words, Markup(body), tuple(sections))


def address(words: str) -> str:
    """Address of a heading in its page, as code hosts make it: lower case, hyphens for blanks, no punctuation."""
    return re.sub(r"[^\w -]", "", words.lower()).replace(" ", "-")


def help_address(pathname: str) -> str:
    """Where the guide speaks of the dashboard's page at `pathname`."""
    match (pathname or "/").strip("/").split("/"):
        case ["run", _, "log"]:
            section = "log-check"
        case ["run", _, "what-if"]:
            section = "what-if-page"
        case ["run", _, "plan"]:
            section = "what-to-do-next"
        case ["run", *_]:
            section = "run-page"
        case ["car", _]:
            section = "knowledge-of-a-car"
        case ["compare"]:
            section = "before-and-after"
        case ["season"]:
            section = "logbook"
        case ["car"]:
            section = "car-file"
        case ["setup"]:
            section = "setup-page"
        case _:
            section = "start-page"
    return f"/guide/user#{section}"


def add_guide(server: flask.Flask) -> None:
    """GET /guide/<page>, and /guide/reference."""
    template = Environment(
        loader=PackageLoader("dashboards.guide", "."), autoescape=True, undefined=StrictUndefined
    ).get_template("page.html")

    @server.get("/guide/<name>")
    def _guide(name: str) -> flask.Response | str:
        if name not in PAGES:
            return flask.Response("There is no such page of the guide.", status=404, mimetype="text/plain")
        return template.render(name=name, page=page(name), pages=PAGES, cautions=CAUTIONS, version=__version__)

    add_reference(server)


def _markdown() -> MarkdownIt:
    """CommonMark and tables; HTML in the source stays text. Links to another .md file go to its page."""
    markdown = MarkdownIt("commonmark", {"html": False}).enable("table")
    for rule in (fence, text, link_open, table_open, table_close):
        markdown.add_render_rule(rule.__name__, rule)
    return markdown


# how markdown-it-py wants its rules: methods of the renderer, by the name of the token that they render
def fence(self: RendererHTML, tokens: Sequence[Token], at: int, options: OptionsDict, env: EnvType) -> str:
    """Equations and numbers."""
    return block(tokens[at].info.strip(), tokens[at].content)


def text(self: RendererHTML, tokens: Sequence[Token], at: int, options: OptionsDict, env: EnvType) -> str:
    """Words, with sub- and superscripts."""
    return symbols(tokens[at].content)


def link_open(self: RendererHTML, tokens: Sequence[Token], at: int, options: OptionsDict, env: EnvType) -> str:
    """A link; to another Markdown file it goes to that file's page."""
    tokens[at].attrSet("href", re.sub(r"\.md(?=#|$)", "", str(tokens[at].attrGet("href"))))
    return self.renderToken(tokens, at, options, env)


def table_open(self: RendererHTML, tokens: Sequence[Token], at: int, options: OptionsDict, env: EnvType) -> str:
    """A table in a box that scrolls on a narrow screen."""
    return '<div class="wide"><table>\n'


def table_close(self: RendererHTML, tokens: Sequence[Token], at: int, options: OptionsDict, env: EnvType) -> str:
    """The end of that box."""
    return "</table></div>\n"
