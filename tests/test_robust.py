"""Robust statistics against scipy's."""

import numpy as np
import pytest
from scipy.optimize import least_squares
from scipy.stats import median_abs_deviation

from analyzer.robust import CAUCHY_LIMIT, HUBER_LIMIT, by_cauchy, by_huber, median, regression, scatter

PULLS = {"huber": (by_huber, HUBER_LIMIT), "cauchy": (by_cauchy, CAUCHY_LIMIT)}


@pytest.fixture
def line():
    rng = np.random.default_rng(5)
    design = np.column_stack([rng.uniform(-3, 3, 80), np.ones(80)])
    target = design @ [1.7, -0.4] + rng.normal(0, 0.2, 80)
    target[rng.choice(80, 9, replace=False)] += rng.uniform(2, 6, 9)
    return design, target


@pytest.mark.parametrize("count", [1, 2, 7, 8])
def test_scatter_is_scipys(count):
    values = np.random.default_rng(count).normal(size=count)
    assert median(values) == pytest.approx(np.median(values))
    assert scatter(values) == pytest.approx(median_abs_deviation(values, scale="normal"))
    centred = median_abs_deviation(values, center=lambda x, axis: np.zeros(()), scale="normal")
    assert scatter(values, about=0.0) == pytest.approx(centred)


@pytest.mark.parametrize("loss", PULLS)
def test_the_coefficients_are_those_of_least_loss(line, loss):
    # scipy's own minimiser of the same loss at the scatter that the weighting ended with
    design, target = line
    pull, limit = PULLS[loss]
    found = regression(design, target, pull=pull, least=1e-9, rounds=100)
    best = least_squares(
        lambda p: design @ p - target, found.coefficients + 0.1, loss=loss, f_scale=limit * found.scatter, xtol=1e-14
    )
    assert found.coefficients == pytest.approx(best.x, abs=1e-6)
    assert found.coefficients == pytest.approx([1.7, -0.4], abs=0.1)
    assert found.residual == pytest.approx(target - design @ found.coefficients)


def test_a_belief_pulls_as_a_row_of_its_precision_would(line):
    # derived: a belief of variance v about zero is one more row, 0 = sqrt(s^2 / v) coefficient, of the weight 1
    design, target = line
    found = regression(design, target, pull=by_huber, least=1e-9, precision=np.diag([25.0, 0.0]), rounds=100)
    root = np.sqrt(found.weight)
    rows = np.vstack([design * root[:, None], [found.scatter * 5.0, 0.0]])
    expected = np.linalg.lstsq(rows, np.append(target * root, 0.0), rcond=None)[0]
    assert found.coefficients == pytest.approx(expected, rel=1e-9)
    assert abs(found.coefficients[0]) < abs(regression(design, target, pull=by_huber, least=1e-9).coefficients[0])


def test_rows_of_no_weight_say_nothing(line):
    design, target = line
    weight = np.ones(len(target))
    weight[:20] = 0.0
    # `least` is over all that is left, so that the scale does not see the rows either
    found = regression(design, np.where(weight > 0, target, 7.0), pull=by_cauchy, least=1e9, weight=weight)
    assert found.coefficients == pytest.approx(np.linalg.lstsq(design[20:], target[20:], rcond=None)[0])
