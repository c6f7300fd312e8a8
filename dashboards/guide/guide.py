"""The guide as pages of the dashboard: one Markdown source, /guide/<page>, and which section helps with which page."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from itertools import pairwise

import flask
from jinja2 import Environment, PackageLoader, StrictUndefined
from markdown_it import MarkdownIt
from markdown_it.renderer import RendererHTML
from markdown_it.token import Token
from markdown_it.utils import EnvType, OptionsDict
from markupsafe import Markup

from analyzer import __version__
from analyzer.cautions import CAUTIONS
from dashboards.guide.blocks import block, symbols
from dashboards.guide.reference import add_reference

PAGES = {
    "user": "Guide",
    "glossary": "Glossary",
    "measured": "How well it works",
    "theory": "Theory",
    "python": "In Python",
}


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
