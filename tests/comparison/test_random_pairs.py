"""Cars with laps and circles on both sides; `PYTHONPATH=tests python -m comparison.random_pairs 30` runs many (rates in
DEVELOPERS.md)."""

from dataclasses import replace

import pytest
from accuracy.random_sessions import random_car
from comparison import random_pairs
from comparison.random_pairs import SIDE_OF, Told, table, told
from sizes import sized

from analyzer.comparison.compared_runs import conditions
from analyzer.comparison.comparison import compare_runs
from analyzer.comparison.together import corner_matches
from analyzer.presentation.comparison_words import comparison_answer, warnings

KINDS = sized(("same", "ramps"), random_pairs.KINDS)


@pytest.fixture(scope="module")
def runs_of():
    """What a car drove, driven and analysed once for both tests."""
    driven = {}

    def once(car, kind, number, side, manoeuvres):
        key = (car.seed, kind, number, side, manoeuvres)
        if key not in driven:
            driven[key] = drive(car, kind, number, side, manoeuvres)
        return driven[key]

    drive = random_pairs.runs_of
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(random_pairs, "runs_of", once)
        yield once


@pytest.mark.slow
def test_with_circles_a_change_of_ramps_and_of_preload_is_told_on_a_light_car(runs_of):
    found = {one.kind: one for one in told(1, ["laps+circles"], KINDS)}
    assert found["same"].whole != "yes"
    assert not {"stronger", "weaker"} & set(found["same"].verdicts.values())
    for kind in KINDS[1:]:
        assert found[kind].whole == "yes" and found[kind].verdicts[SIDE_OF[kind]] == "stronger"
    assert all(all(one.held.values()) for one in found.values())
    assert any("drive stronger 100 %" in line for line in table(list(found.values())))


@pytest.mark.slow
def test_circles_beside_laps_are_no_other_circuit_and_no_corners(runs_of):
    car = random_car(1)
    before = runs_of(car, "same", 0, 0, ("laps", "circles"))
    after = runs_of(car, "same", 10, 1, ("laps", "circles"))
    runs = [*before, *after]
    assert [run.on_circuit for run in runs] == [True, False, True, False]
    seen = conditions(runs, corner_matches(runs))
    assert not warnings(seen)
    comparison = compare_runs(runs)
    numbers = {phase.corner for phase in comparison.phases} - {None}
    assert numbers <= {corner.number for corner in runs[0].analysis.corners}
    assert comparison_answer(comparison)[1].endswith("laps, circles on both sides.")
    # the same where they were analysed together, as a logbook keeps them
    joined = [replace(one, analysis=replace(one.analysis, others=(two.analysis,))) for one, two in (before, after)]
    assert len(compare_runs(joined).runs) == 4
    # circles on one side only are no change of grip or throttle
    alone = [before[0], *after]
    assert not warnings(conditions(alone, corner_matches(alone)))
    assert comparison_answer(compare_runs(alone))[1].endswith("circles on one side only.")


def test_a_side_that_truly_changed_is_not_told_wrongly():
    one = Told(
        seed=0,
        mass_kg=760.0,
        protocol="laps",
        kind="preload",
        verdicts={"preload": "stronger", "drive": "weaker"},
        whole="yes",
        probability=0.0,
        value_Nm={},
        sd_Nm={},
        margin_Nm={"preload": 20.0, "drive": 20.0},
        truth_Nm={"preload": 30.0, "drive": -21.0},
        held={"drive": True},
    )
    assert "preload stronger 100 %, 1 of 1 beyond the margin; a side told that did not change 0 %" in next(table([one]))
    for untrue in (0.0, 21.0):
        other = replace(one, truth_Nm=one.truth_Nm | {"drive": untrue})
        assert "a side told that did not change 100 %" in next(table([other]))
