"""What the fit's rows say of every sample."""

import numpy as np
import pytest

from analyzer.lockcurve.session_state import between_rows


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
