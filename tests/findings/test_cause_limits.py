"""What verdicts are possible at best, against the normal distribution's table."""

import numpy as np
import pandas as pd
import pytest
from findings.cause_limits import best, by_threshold
from scipy.stats import norm


def test_one_standard_error_from_the_line_half_can_be_told():
    """As many spins one standard error under 1 as over it: wrong Phi(-1 - z) is 3 % at z = 1.881 - 1, right is
    Phi(1 - z) = Phi(0.119) (normal table: 1.881 at 0.97)."""
    x = np.repeat([-0.1, 0.1], 50)
    car, foot, wrong = best(x, np.full(100, 0.1))
    assert wrong <= 0.03
    # both sides need not be equally sure: more of one costs some of the other
    assert (car + foot) / 2 == pytest.approx(norm.cdf(1 - 0.881), abs=0.03)


def test_who_knows_the_share_tells_all_and_who_knows_nothing_none():
    x = np.array([-0.2, -0.15, 0.2, 0.15])
    assert best(x, np.full(4, 0.01))[:2] == pytest.approx((1.0, 1.0))
    assert max(best(x, np.full(4, 50.0))[:2]) < 0.1


def test_the_trade_counts_right_wrong_and_opposite():
    rows = [
        dict(session=1, spin=k, true_share=share, felt=True, copy=name, probability=chance)
        for k, (share, chances) in enumerate([(0.8, (0.9, 0.9, 0.9, 0.1)), (1.2, (0.05, 0.05, 0.05, 0.05))])
        for name, chance in zip(("full", "half", "fifth", "minimum"), chances, strict=True)
    ]
    lines = by_threshold(pd.DataFrame(rows)).splitlines()
    assert "| 0.80 | 0.85 | 50 % | 50.0 % | 1 |" in lines
    assert by_threshold(pd.DataFrame(rows[4:])).splitlines()[-1] == "| 0.80 | 0.90 | 100 % | 0.0 % | 0 |"
