"""The random sessions that the guide quotes: car files wrong within their limits, plain arithmetic on the errors."""

import numpy as np
import pytest
from accuracy.many import HEAD, Off, drawn, row


def test_a_drawn_car_file_is_wrong_but_within_what_it_says():
    cases = [drawn(seed) for seed in range(5000, 5040)]
    for key, limit in (("mass_kg", 0.02), ("cg_height_m", 0.1), ("rear_load_transfer_fraction", 0.1)):
        off = np.array([getattr(c.file, key) / getattr(c.car, key) - 1 for c in cases])
        assert 0.7 * limit < np.abs(off).max() <= limit
        assert off.min() < 0 < off.max()
    assert {c.car.mass_kg for c in cases} == {760, 1000, 1180, 1500}
    assert drawn(5000) == cases[0]


def test_the_summary_leaves_out_what_was_not_measured():
    said = row(
        "all",
        [
            Off(0.10, 1.0, 0.5, 0.3, -0.2, True),
            Off(0.20, 0.9, 0.7, -0.4, None, None),
            Off(None, None, None, None, None, None),
        ],
    )
    assert said == "| all | 2 of 3 | 15 % | 95 % | 60 % | 35 % | -20 % | 20 % | 100 % |"
    assert said.count("|") == HEAD.splitlines()[0].count("|") == HEAD.splitlines()[1].count("|")


@pytest.mark.slow
def test_one_session_comes_out_whole():
    from accuracy.many import errors

    full, least = errors(5001)
    assert full.lock < 0.4 and full.width < 2.0
    assert least.lock is not None
