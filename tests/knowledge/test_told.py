"""What a run tells is its posterior over the prior: put together again they are the fit."""

from types import SimpleNamespace

import numpy as np
import pytest

from analyzer.knowledge.told import told_by
from analyzer.lockcurve import model
from analyzer.lockcurve.unknowns import ALL, Column, Unknowns

CAR, OWN = 3, 2


def linear_fit(rng, *, samples=40, scatter=1.0, curve_sd=10.0):
    """A fit whose residuals are linear in its unknowns: the exact posterior is known (textbook least squares)."""
    columns = (
        *(Column(f"c{i}", ALL, "car") for i in range(CAR)),
        *(Column(f"s{i}", ("log", 0), "acceleration") for i in range(OWN)),
    )
    count = len(columns) + len(model.NAMES)
    sd = np.r_[rng.uniform(0.1, 3, CAR + OWN), np.full(len(model.NAMES), curve_sd)]
    centre = rng.normal(size=count)
    rows = np.diag(1 / sd)
    groups = (*["car"] * CAR, *["acceleration"] * OWN, *["lock_curve"] * len(model.NAMES))
    made = Unknowns(tuple(c.name for c in columns), columns, 1, rows, rows @ centre, groups, centre)
    slopes = rng.normal(size=(samples, count))
    seen = slopes @ rng.normal(centre, sd) + rng.normal(size=samples)
    hessian = slopes.T @ slopes + made.information
    theta = np.linalg.solve(hessian, slopes.T @ seen + made.rows.T @ made.targets)
    # the mean of the passes' squared pulls, where they scatter as the residuals' deviations say
    pulls = scatter * slopes
    return SimpleNamespace(
        problem=SimpleNamespace(unknowns=made, widened=1.0), hessian=hessian, theta=theta, group_gradients=pulls
    )


@pytest.mark.parametrize("seed", range(4))
def test_with_its_prior_it_is_the_posterior(seed):
    fit = linear_fit(np.random.default_rng(seed))
    told = told_by(fit)
    assert told.names == ("c0", "c1", "c2")
    precision = told.information + np.diag(told.prior_sd**-2)
    np.testing.assert_allclose(np.linalg.inv(precision), np.linalg.inv(fit.hessian)[:CAR, :CAR], rtol=1e-3)
    mean = np.linalg.solve(precision, told.weighted + told.prior / told.prior_sd**2)
    np.testing.assert_allclose(mean, fit.theta[:CAR], rtol=1e-3, atol=1e-3)


def test_the_differential_and_the_log_s_own_are_not_in_it():
    told = told_by(linear_fit(np.random.default_rng(1)))
    assert not {*model.NAMES, "s0", "s1"} & set(told.names)


def test_a_run_whose_passes_scatter_twice_as_much_counts_a_quarter():
    calm, wild = (told_by(linear_fit(np.random.default_rng(2), scatter=s, curve_sd=1e6)) for s in (1.0, 2.0))
    size = np.linalg.eigvals(np.linalg.solve(calm.information, wild.information)).real
    assert np.all(size < 0.35) and np.all(size > 0.24)  # what the log believes of its own zeros does not scatter more


def test_a_run_whose_passes_hardly_scatter_counts_no_more():
    calm, tame = (told_by(linear_fit(np.random.default_rng(2), scatter=s)) for s in (1.0, 0.1))
    np.testing.assert_allclose(tame.information, calm.information, rtol=0.02)


def test_a_run_whose_answer_is_half_as_sure_tells_a_quarter_of_the_same():
    """What does not average out in a run (`lockcurve.fit`) does not in what it tells of its car either."""
    fit = linear_fit(np.random.default_rng(2))
    plain = told_by(fit)
    fit.problem.widened = 2.0
    wider = told_by(fit)
    np.testing.assert_allclose(wider.information, plain.information / 4)
    np.testing.assert_allclose(wider.weighted, plain.weighted / 4)


def test_a_log_without_samples_tells_nothing():
    told = told_by(linear_fit(np.random.default_rng(3), samples=0))
    assert not told.information.any() and not told.weighted.any()
