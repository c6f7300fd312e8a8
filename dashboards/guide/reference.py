"""The reference of the library as a page: /guide/reference, made by pdoc from the docstrings of what it exports."""

import re
from functools import cache

import flask
import pdoc.doc
import pdoc.render

import analyzer

_SECTION = re.compile(r"^(Parameters|Returns|Raises|Attributes|Notes|Examples|References)\n-{3,}\n", re.MULTILINE)
_ENTRY = re.compile(r"^(\*{0,2}\w[\w, *.]*?) : (?=\S)", re.MULTILINE)


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


def _as_markdown(described: pdoc.doc.Doc) -> None:
    """Headings and entries of the project's docstrings as Markdown, here and in all members."""
    text = _SECTION.sub(r"**\1**\n\n", described.docstring)
    described.docstring = _ENTRY.sub(r"- **\1**: ", text)
    if isinstance(described, pdoc.doc.Namespace):
        for member in described.members.values():
            _as_markdown(member)


def add_reference(server: flask.Flask) -> None:
    """GET /guide/reference."""
    server.add_url_rule("/guide/reference", "reference", reference)
