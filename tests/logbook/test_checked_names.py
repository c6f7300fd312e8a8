"""A name from the database passes exactly where `safe_name` would leave it as it is."""

from hypothesis import example, given, settings
from hypothesis import strategies as st

from analyzer.errors import InputError
from analyzer.logbook.folder import LONGEST, checked, safe_name


def passes(name: str) -> bool:
    try:
        return checked(name) == name
    except InputError:
        return False


@settings(max_examples=500, deadline=None)
@given(st.text(alphabet="ab.-_/\\ é1\n:", max_size=LONGEST + 2))
@example("")
@example("a" * LONGEST)
@example("a" * (LONGEST + 1))
@example("../logbook.sqlite")
@example(".hidden")
@example("run.csv\n")
def test_a_name_passes_where_nothing_has_to_be_changed(name):
    assert passes(name) == (safe_name(name) == name)
