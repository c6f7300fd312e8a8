"""Measurement errors from residuals: derived, and on a simulated smooth session."""

import numpy as np
import pytest

from analyzer.lockcurve.weights import ASSUMED_PASSES, COMMON, shown


def passes(means, rows=10):
    return np.repeat(means, rows), np.repeat(np.arange(len(means)), rows)


def test_many_passes_tell_the_error_and_none_leaves_it_assumed():
    rng = np.random.default_rng(5)
    means = 0.4 * rng.standard_normal(400)
    assert shown(*passes(means)) == pytest.approx(COMMON * 0.4, rel=0.1)
    assert shown(np.empty(0), np.empty(0, int)) == pytest.approx(1.0)
    # derived: two passes of 0.1 among three assumed ones of 1 / COMMON
    square = (2 * 0.01 + ASSUMED_PASSES / COMMON**2) / (2 + ASSUMED_PASSES)
    assert shown(*passes([0.1, -0.1])) == pytest.approx(COMMON * np.sqrt(square))


def test_what_averages_out_within_a_pass_does_not_count():
    noise = np.tile([1.0, -1.0], 500)
    assert shown(noise, np.repeat(np.arange(50), 20)) < 0.3
    nothing = COMMON * np.sqrt(ASSUMED_PASSES / COMMON**2 / (100 + ASSUMED_PASSES))
    assert shown(np.zeros(1000), np.repeat(np.arange(100), 10)) == pytest.approx(nothing)


def test_one_pass_that_went_wrong_does_not_speak_for_the_others():
    means = 0.3 * np.array([1.0, -1.0] * 15)
    spoilt = means.copy()
    spoilt[3] = 40.0
    assert shown(*passes(spoilt)) < 1.25 * shown(*passes(means))
