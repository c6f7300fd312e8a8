"""`SOURCES.md` is complete both ways: every key that a test names is listed, and every listed source is used."""

import re
from pathlib import Path

import dashboards

HERE = Path(__file__).parent
KEPT = (HERE / "SOURCES.md").read_text("utf-8")
KEY = r"\[([A-Z][A-Z0-9]*[A-Z0-9])\]"
LISTED = set(re.findall(rf"^- {KEY}", KEPT, flags=re.MULTILINE))
GUIDE = Path(dashboards.__file__).parent / "guide" / "theory.md"  # what a user reads rests on sources as well


def named() -> dict[str, set[str]]:
    """Key -> the tests, and the guide, that name it. An index such as CASES[SPIN] has no blank before it; what stands
    between backticks is a command."""
    found: dict[str, set[str]] = {}
    for path in (*HERE.rglob("*.py"), GUIDE):
        text = re.sub(r"`[^`\n]*`|^ {4}.*python -m.*$", "", path.read_text("utf-8"), flags=re.MULTILINE)
        for key in re.findall(rf'(?:^|[\s("]){KEY}', text, flags=re.MULTILINE):
            found.setdefault(key, set()).add(path.name)
    return found


def test_every_source_that_a_test_names_is_listed():
    unknown = {key: files for key, files in named().items() if key not in LISTED}
    assert unknown == {}


def test_every_listed_source_is_used():
    assert LISTED - set(named()) == set()
    below = KEPT[KEPT.index("## Measured side") :]  # which check rests on which source
    assert set(re.findall(KEY, below)) <= LISTED


def test_every_source_says_how_its_values_were_had():
    entries = re.split(r"\n(?=- \[|\n|## )", KEPT)
    told = ("read", "recalled", "derived", "common practice", "not recorded", "exact", "computed")
    silent = [e[:40] for e in entries if e.startswith("- [") and not any(word in e.lower() for word in told)]
    assert silent == []
