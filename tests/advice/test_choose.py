"""Order, front and refusals on planted outcomes: (spin, inside, both, moment, share, snap) of each build."""

import numpy as np

from analyzer.advice import choice as choose
from analyzer.advice.evaluate import NAMES, anchored


def table(*rows):
    """Outcomes of builds given as (inside spin s, both spin s, coast moment N.m); the first is what is fitted."""
    out = np.zeros((len(rows), len(NAMES)))
    for k, (inside, both, moment) in enumerate(rows):
        out[k, NAMES.index("spin_s")] = inside + both
        out[k, NAMES.index("inside_spin_s")] = inside
        out[k, NAMES.index("both_spin_s")] = both
        out[k, NAMES.index("coast_moment_Nm")] = moment
    return out


def test_the_front_is_what_nothing_betters_both_ways():
    found = choose.front(table((10, 0, 100), (5, 0, 150), (5, 0, 200), (2, 0, 150), (2, 1, 140), (12, 0, 90)))
    assert found.tolist() == [True, False, False, True, True, True]


def test_what_keeps_the_entry_comes_before_what_cures_more():
    of = table((10, 0, 100), (0, 0, 300), (3, 0, 105), (9.5, 0, 100))
    assert choose.order(("spin",), of, np.array([0, 1, 1, 1])) == [2, 1]


def test_among_equal_cures_the_fewest_parts_win():
    of = table((10, 0, 100), (0.2, 0, 80), (1.0, 0, 100), (6, 0, 60))
    assert choose.order(("spin",), of, np.array([0, 2, 1, 1])) == [2, 1, 3]


def test_the_entry_alone_may_not_cost_spin():
    of = table((1, 0, 300), (6, 0, 50), (1.1, 0, 200), (1, 0, 290))
    assert choose.order(("entry",), of, np.array([0, 1, 1, 1])) == [2, 1]


def test_for_both_nothing_may_get_worse():
    of = table((5, 0, 300), (0, 0, 400), (1, 0, 200), (4.9, 0, 295))
    assert choose.order(("spin", "entry"), of, np.array([0, 1, 1, 1])) == [2]


def test_spinning_both_wheels_is_no_cure_of_spinning_one():
    of = table((5, 0, 100), (0, 6, 100))
    assert choose.order(("spin",), of, np.array([0, 1])) == []


def test_builds_that_only_add_parts_are_not_named_again():
    changed = [frozenset(), frozenset("a"), frozenset("ab"), frozenset("b"), frozenset("bc"), frozenset("d")]
    assert choose.unlike([1, 2, 3, 4, 5], changed) == [1, 3, 5]


def test_an_interval_that_holds_none_is_no_improvement():
    rng = np.random.default_rng(3)
    sure, unsure = 10 - np.abs(rng.normal(5, 1, 200)), 10 + rng.normal(-0.5, 1, 200)
    drawn = np.array([table((10, 0, 100), (a, 0, 100), (b, 0, 100)) for a, b in zip(sure, unsure, strict=True)])
    assert choose.improves(("spin",), drawn).tolist() == [False, True, False]
    chance = choose.sure_of(("spin",), drawn)
    assert chance[1] > 0.95 and chance[2] < 0.2


def test_with_many_builds_the_best_and_the_front_are_drawn_and_the_fitted_one_is_first():
    rng = np.random.default_rng(5)
    of = table((10, 0, 100), *rng.uniform([0, 0, 50], [12, 0.1, 300], (300, 3)))
    changes = rng.integers(1, 4, 301)
    chosen = choose.to_be_drawn(("spin",), of, changes)
    assert chosen[0] == 0 and len(set(chosen)) == len(chosen) <= choose.DRAWN
    assert choose.order(("spin",), of, changes)[0] in chosen


def test_spin_times_are_tied_to_the_log():
    replayed = table((5, 0, 100), (0, 0, 100), (2.5, 0, 100), (7, 1, 100))
    tied = anchored(replayed, table((8, 0.5, 90))[0])
    assert tied[:, NAMES.index("inside_spin_s")].tolist() == [8, 0, 4, 10]
    assert tied[:, NAMES.index("both_spin_s")].tolist() == [0.5, 0.5, 0.5, 1.5]
    # a replay that shows next to nothing of the logged spin cures next to nothing of it
    blind = anchored(table((0.1, 0, 100), (0, 0, 100)), table((8, 0, 90))[0])
    assert blind[1, NAMES.index("inside_spin_s")] == 8 - 0.1 * 2
