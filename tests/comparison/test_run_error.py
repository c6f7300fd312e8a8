"""Means over phases by running sums are the means of each phase's own rows."""

import numpy as np

from analyzer.comparison.together import _Means


def test_means_are_those_of_each_phases_own_rows():
    # phases may touch, share a row, leave a hole between them, or hold no row
    spans = [slice(3, 9), slice(8, 12), slice(12, 13), slice(20, 30), slice(30, 30)]
    values = np.random.default_rng(0).standard_normal((2, 40))
    means = _Means.of(spans, 40)
    assert set(means.rows) == {*range(3, 13), *range(20, 30)}
    found = means(values[:, means.rows])
    wanted = np.transpose([values[:, s].mean(axis=1) for s in spans[:-1]])
    np.testing.assert_allclose(found[:, :-1], wanted, rtol=1e-12)
    assert (found[:, -1] == 0).all()
