"""The command that tells what each constant moves, on a module that is written here."""

import sys
import types

import numpy as np
import pytest
from accuracy import constants

TEXT = """A module whose EXPLAINED has a text."""
SOURCE = f'''"{TEXT}"
EXPLAINED = 3.0
BARE = 2.0
BESIDE = 4.0  # common practice, no source

# of both lines
FIRST = 1
SECOND = 5.0
OWN = 6.0  # its own
AFTER = 7.0
SEED = 11
WORDS = "none"
FLAG = True
'''


def found():
    values: dict = {}
    exec(SOURCE, values)
    return {one.name: one for one in constants._of_module("made", SOURCE, values)}


def test_numbers_are_found_and_who_says_where_they_are_from():
    assert {name: one.origin for name, one in found().items()} == {
        "EXPLAINED": True,
        "BARE": False,
        "BESIDE": True,
        "FIRST": True,
        "SECOND": True,
        "OWN": True,
        "AFTER": False,
    }
    assert found()["SECOND"].value == 5.0


@pytest.mark.parametrize(("value", "factor", "new"), [(10, 0.7, 7), (1, 1.4, 2), (1, 0.7, 0), (2.0, 1.4, 2.8)])
def test_whole_numbers_stay_whole_and_change(value, factor, new):
    assert constants.changed(value, factor) == pytest.approx(new)
    assert isinstance(constants.changed(value, factor), type(value))


def test_a_constant_is_changed_where_it_was_imported_to_and_nowhere_else(monkeypatch):
    names = ("analyzer.made_owner", "analyzer.made_user", "analyzer.made_other")
    owner, user, other = modules = [types.ModuleType(name) for name in names]
    for name, module in zip(names, modules, strict=True):
        module.LIMIT = 2.0
        monkeypatch.setitem(sys.modules, name, module)
    monkeypatch.setattr(constants, "DEFINED", {("analyzer.made_owner", "LIMIT"), ("analyzer.made_other", "LIMIT")})
    constants.with_constant((constants.Constant("analyzer.made_owner", "LIMIT", 2.0, True), 3.0, []))
    assert (owner.LIMIT, user.LIMIT, other.LIMIT) == (3.0, 3.0, 2.0)


def test_what_moved_is_the_most_of_all_logs():
    def answer(value, half, *found):
        value = np.array([np.nan, value])
        return constants.Answer(value, value - half, value + half, frozenset(found))

    before = [answer(100.0, 20.0, "a"), answer(50.0, 10.0)]
    after = [answer(101.0, 20.0, "b"), answer(50.0, 15.0)]
    assert constants.moved(before, after) == constants.Moved(shift=0.05, width=0.5, findings=2)
    assert constants.moved(before, [None, after[1]]) is None
    assert constants.moved([None, before[1]], [None, after[1]]).width == 0.5
