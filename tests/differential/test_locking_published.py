"""Torque bias ratio and locking effect. Keys in brackets: tests/SOURCES.md."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analyzer.differential.locking import locking_value, torque_bias_ratio

# [J2817] (ratio: 3.1, read; locking effects read in a summary of its table, printed to 0.1 %)
TABLE = [(2.0, 0.333), (3.0, 0.500), (4.0, 0.600), (5.0, 0.667)]


@pytest.mark.parametrize(("ratio", "effect"), TABLE)
def test_locking_effect_of_the_recommended_practice(ratio, effect):
    low, high = torque_bias_ratio([effect - 5e-4, effect + 5e-4])
    assert low < ratio < high


def test_half_lock_is_a_three_quarter_split():
    # [J2817] by its definition: 75/25 of 400 N.m
    s = locking_value(locking_torque_Nm=300 - 100, input_torque_Nm=400)
    assert s == 0.5
    assert torque_bias_ratio(s) == 300 / 100


def test_sixty_per_cent_lock_is_not_sixty_per_cent_more_torque():
    assert torque_bias_ratio(0.6) == pytest.approx(4.0)
    assert torque_bias_ratio(0.6) != pytest.approx(1.6)


def test_no_lock_full_lock_and_no_torque():
    assert torque_bias_ratio(0.0) == 1
    np.testing.assert_array_equal(torque_bias_ratio([1.0, 1.7]), [math.inf, math.inf])
    assert np.isnan(locking_value(locking_torque_Nm=100, input_torque_Nm=0))
    assert np.isnan(torque_bias_ratio(math.nan))


@given(st.floats(0, 0.99), st.floats(1, 5000))
def test_ratio_is_that_of_the_wheel_torques(s, torque):
    slow, fast = torque / 2 * (1 + s), torque / 2 * (1 - s)
    assert torque_bias_ratio(s) == pytest.approx(slow / fast)
    assert locking_value(locking_torque_Nm=slow - fast, input_torque_Nm=-torque) == pytest.approx(s, abs=1e-9)
