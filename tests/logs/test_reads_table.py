"""The README's list of what is read is the table that the tests run through."""

from pathlib import Path

import pytest
from dialects import DIALECTS
from fault_table import FAULTS
from reads_table import END, START, inserted, section

README = Path(__file__).parents[2] / "README.md"


def test_every_row_of_both_tables_is_in_the_section():
    text = section()
    assert all(d.words in text for d in DIALECTS) and all(f.words in text for f in FAULTS)


def test_inserting_twice_changes_nothing():
    once = inserted(f"# Title\n\n{START}\nwhat was here\n{END}\n\nMore.\n")
    assert once == inserted(once) and once.startswith("# Title") and once.endswith("More.\n") and "was here" not in once


def test_the_readme_holds_the_section_as_it_is_now():
    if not README.exists():
        pytest.skip("no README.md yet")
    assert section() in README.read_text(encoding="utf-8"), "run: python tests/logs/reads_table.py README.md"
