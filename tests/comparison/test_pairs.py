"""A few simulated pairs; `PYTHONPATH=tests python -m comparison.pairs 50` runs them all (rates: DEVELOPERS.md)."""

import pytest
from comparison.pairs import PRELOAD_FACTOR, compared, false_alarm, pairing
from sizes import sized

NUMBERS = sized((3, 14), (3, 9, 14))


@pytest.mark.slow
def test_few_pairs_are_told_rightly():
    told = []
    for number in NUMBERS:
        pair = pairing(number)
        found = compared(pair)
        assert not false_alarm(found["same"]), number
        change = found["preload"].sides["preload"].change_Nm
        assert change.lower <= (PRELOAD_FACTOR - 1) * pair.lock.preload_Nm <= change.upper, number
        told.append(found["preload"].sides["preload"].verdict == "stronger")
    assert sum(told) >= len(told) - 1
