"""A plan against what comes of it: laps are simulated, and the interval that `compare` then states is looked at."""

import pytest
from comparison.pairs import LAPS, pairing
from sizes import sized

from analyzer.comparison.compared_runs import Run
from analyzer.comparison.comparison import compare_runs
from analyzer.comparison.laps_needed import TOLD_APART, plan
from analyzer.errors import InputError
from analyzer.presentation.comparison_words import why_not_planned

LONGER = 8
CHANGES = ["preload=3%", "preload=40%", "preload=80%", "drive_slope=2%", "coast_slope=2%"]


@pytest.fixture(scope="module")
def pair():
    return pairing(0)


@pytest.fixture(scope="module")
def before(pair):
    return pair.run("before")


@pytest.fixture(scope="module")
def planned(before):
    return dict(zip(CHANGES, plan([Run(before, side=0)], CHANGES), strict=True))


def test_the_planned_interval_comes_true(pair, before, planned):
    """From 4 laps: what 4 and 4 and, in a whole run, 8 and 8 laps then give, on every side, within a third. Planned for
    changes of next to nothing, as there is none; a larger one adds what the tyre's form makes of it."""
    for laps in sized((LAPS,), (LAPS, LONGER)):
        first = before if laps == LAPS else pair.run("before", laps=laps)
        realised = compare_runs([Run(first, side=0), Run(pair.run("same", laps=laps), side=1)])
        for change in ("preload=3%", "drive_slope=2%", "coast_slope=2%"):
            wanted = planned[change]
            found = realised.sides[wanted.side].standard_error_Nm
            assert found == pytest.approx(wanted.standard_error_Nm[laps], rel=0.34), (laps, change)


def test_a_larger_change_needs_fewer_laps(planned):
    assert planned["preload=80%"].laps <= planned["preload=40%"].laps
    assert planned["preload=40%"].change_Nm == pytest.approx(planned["preload=80%"].change_Nm / 2)


def test_enough_is_enough(planned):
    for change in planned.values():
        if change.laps in change.standard_error_Nm:
            assert abs(change.change_Nm) >= TOLD_APART * change.standard_error_Nm[change.laps]
        errors = list(change.standard_error_Nm.values())
        assert errors == sorted(errors, reverse=True)


def test_what_no_number_of_laps_tells_is_said_with_its_reason(planned):
    small = planned["preload=3%"]
    assert small.laps is None
    assert any(word in (why_not_planned(small) or "") for word in ("laps", "run", "alike"))
    assert sum(small.sources.values()) == pytest.approx(1.0)


@pytest.mark.parametrize("text", ["preload", "preload=", "colour=3", "preload=0", "drive_slope=1%%"])
def test_a_change_that_is_none_is_refused(before, text):
    with pytest.raises(InputError, match="is not a change"):
        plan([Run(before, side=0)], [text])
