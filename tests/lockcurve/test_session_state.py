"""What the fit's rows say of every sample."""

import numpy as np
import pytest

from analyzer.lockcurve.session_state import between_rows, nearest_rows


@pytest.mark.parametrize("count", [21, 23, 25])
def test_between_rows_lie_straight_lines_and_nothing_is_known_beside_what_is_not(count):
    rng = np.random.default_rng(4)
    rows = rng.standard_normal(5)
    got = between_rows(rows, 5, count)
    assert got == pytest.approx(np.interp(np.arange(count), np.arange(0, count, 5), rows))
    rows[2] = np.nan
    lost = between_rows(rows, 5, count)
    assert np.flatnonzero(np.isnan(lost)).tolist() == list(range(6, 15))
    assert lost[:6] == pytest.approx(got[:6])


@pytest.mark.parametrize("step, count", [(1, 4), (5, 21), (5, 23), (5, 25), (4, 10)])
def test_flags_are_those_of_the_nearest_row(step, count):
    at = np.arange(0, count, step)
    away = np.abs(at[nearest_rows(step, count)] - np.arange(count))
    assert (away == np.abs(at[:, None] - np.arange(count)).min(axis=0)).all()
