"""Science measures, presentation says: no room that computes makes a sentence for a reader.

Held by three looks: what stands in the source, what the records are, and what is in them. Not looked at: what says what
was wrong with a file or a log (`logs`, `signals`), which is made where it is found; and errors, which end a command.
"""

import ast
import typing
from dataclasses import fields, is_dataclass

import pytest
from made_analysis import Made, made_analysis, made_prediction
from made_findings import made_evidence, made_finding
from test_imports import ROOT, within

from analyzer.findings.evidence import KINDS
from analyzer.findings.finding import FindingGroup
from analyzer.logbook.analysis_files import CLASSES

ROOMS = (
    "advice",
    "agreement",
    "comparison",
    "differential",
    "findings",
    "knowledge",
    "lockcurve",
    "phases",
    "planning",
    "vehicle",
)
LEAST_WORDS = 3
NAMES = {"kind", "verdict", "by_side", "digest"}  # what a record may work out as text: no reader's words
# why a number is not there, in a few words, and which laps; a record keeps these beside its figures
BESIDE_FIGURES = {
    ("Interval", "reason"),
    ("Unmeasured", "reason"),
    ("Chatter", "reason"),
    ("Window", "laps"),
    ("CoastUndersteer", "laps"),
    ("LockCurveEstimate", "method"),
    ("LeftOut", "reason"),
}


def sentences(source: str) -> list[str]:
    """Texts that end as sentences do; docstrings and what is raised do not count."""
    tree = ast.parse(source)
    aside = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Raise | ast.Expr):  # a text that is a statement is a docstring
            whole = isinstance(node, ast.Raise) or isinstance(node.value, ast.Constant)
            aside |= set(map(id, ast.walk(node))) if whole else set()
        if isinstance(node, ast.JoinedStr):
            aside |= set(map(id, node.values))
    found = []
    for node in ast.walk(tree):
        if id(node) in aside:
            continue
        parts = node.values if isinstance(node, ast.JoinedStr) else [node]
        if isinstance(node, ast.JoinedStr | ast.Constant):
            text = "".join(str(p.value) if isinstance(p, ast.Constant) else "N" for p in parts)
            if text.rstrip().endswith((".", "!", "?")) and len(text.split()) >= LEAST_WORDS:
                found.append(text)
    return found


SOURCES = [p for room in ROOMS for p in sorted((ROOT / "analyzer" / room).rglob("*.py"))]


def test_there_is_something_to_look_at():
    assert len(SOURCES) > 40
    assert len(sentences((ROOT / "analyzer/presentation/finding_words.py").read_text("utf-8"))) > 20


@pytest.mark.parametrize("path", SOURCES, ids=lambda p: p.relative_to(ROOT).as_posix())
def test_no_room_of_science_makes_a_sentence(path):
    assert not sentences(path.read_text("utf-8"))


def test_a_sentence_is_seen_and_a_docstring_or_an_error_is_none():
    aside = (
        'def f(x):\n    """What it does, in words."""\n    if x:\n        raise Wrong(f"{x} is too large. Halve it.")\n'
    )
    assert not sentences(aside)
    said = sentences(aside + '    return f"It fades by {x} " "in the run."\n')
    assert said == ["It fades by N in the run."]


RECORDS = [kind for kind in (*CLASSES.values(), FindingGroup) if is_dataclass(kind)]
OF_SCIENCE = [k for k in RECORDS if any(within(k.__module__, f"analyzer.{room}") for room in ROOMS)]


@pytest.mark.parametrize("kind", OF_SCIENCE, ids=lambda k: k.__name__)
def test_a_record_works_out_names_and_no_words(kind):
    texts = set()
    for name, found in vars(kind).items():
        if isinstance(found, property) and found.fget is not None:
            hint = typing.get_type_hints(found.fget).get("return")
            texts |= {name} if str in (hint, *typing.get_args(hint)) else set()
    assert texts <= NAMES


def test_records_hold_names_and_figures_and_no_sentences():
    analysis = made_analysis(Made(), predicted=made_prediction(preload=360.0))
    every = (analysis, [made_finding(made_evidence(kind)) for kind in KINDS])
    seen = set()

    def look(value):
        if is_dataclass(value) and not isinstance(value, type):
            seen.add(type(value))
            for field in fields(value):
                inner = getattr(value, field.name)
                if type(value) in OF_SCIENCE and (type(value).__name__, field.name) not in BESIDE_FIGURES:
                    held = [inner] if isinstance(inner, str) else inner if isinstance(inner, tuple) else []
                    assert not [t for t in held if isinstance(t, str) and " " in t], (type(value), field.name, inner)
                look(inner)
        elif isinstance(value, list | tuple):
            for inner in value:
                look(inner)
        elif isinstance(value, dict):
            look(list(value.values()))

    look(every)
    assert {"Finding", "Explanation", "Diagnosis", "LockTrend", "SetupContradicted"} <= {k.__name__ for k in seen}
