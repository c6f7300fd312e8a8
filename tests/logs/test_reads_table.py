"""The list of what is read, WHAT_IS_READ.md, is the table that the tests run through."""

from pathlib import Path

from dialects import DIALECTS
from fault_table import FAULTS
from reads_table import END, START, inserted, section

LIST = Path(__file__).with_name("WHAT_IS_READ.md")


def test_every_row_of_both_tables_is_in_the_section():
    text = section()
    assert all(d.words in text for d in DIALECTS) and all(f.words in text for f in FAULTS)


def test_inserting_twice_changes_nothing():
    once = inserted(f"# Title\n\n{START}\nwhat was here\n{END}\n\nMore.\n")
    assert once == inserted(once) and once.startswith("# Title") and once.endswith("More.\n") and "was here" not in once


def test_the_list_holds_the_section_as_it_is_now():
    assert section() in LIST.read_text(encoding="utf-8"), f"run: python tests/logs/reads_table.py {LIST}"
