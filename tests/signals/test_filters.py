"""Filters and splines of our own against scipy's, which take too long to import; peers of the same definition."""

import numpy as np
import pytest
from scipy import interpolate, signal

from analyzer.signals.kinematics import through
from analyzer.signals.timebase import band_pass_sections, both_ways, low_pass, low_pass_sections


def wandering(count, seed=0):
    return 50 + np.cumsum(np.random.default_rng(seed).standard_normal(count))


@pytest.mark.parametrize(("order", "cutoff_hz", "rate_hz"), [(2, 3.0, 100.0), (2, 0.5, 20.0), (4, 8.0, 50.0)])
def test_low_pass_is_the_reference_one(order, cutoff_hz, rate_hz):
    values = wandering(3000)
    sections = signal.butter(order, cutoff_hz, fs=rate_hz, output="sos")
    found = both_ways(low_pass_sections(order, cutoff_hz, rate_hz), values)
    np.testing.assert_allclose(found, signal.sosfiltfilt(sections, values), atol=1e-9)


@pytest.mark.parametrize(("low_hz", "high_hz"), [(6.0, 40.0), (12.0, 20.0)])
def test_band_pass_is_the_reference_one(low_hz, high_hz):
    values = wandering(3000)
    sections = signal.butter(4, [low_hz, high_hz], btype="bandpass", fs=100.0, output="sos")
    found = both_ways(band_pass_sections(4, low_hz, high_hz, 100.0), values)
    np.testing.assert_allclose(found, signal.sosfiltfilt(sections, values), atol=1e-9)


def test_low_pass_takes_columns_and_whole_numbers():
    columns = np.round(np.stack([wandering(500, seed) for seed in (1, 2)], axis=1)).astype(int)
    found = low_pass(columns, cutoff_hz=3.0, rate_hz=100.0)
    sections = signal.butter(2, 3.0, fs=100.0, output="sos")
    np.testing.assert_allclose(found, signal.sosfiltfilt(sections, columns.astype(float), axis=0), atol=1e-9)


def test_a_straight_line_passes_as_it_is_up_to_its_ends():
    line = np.linspace(-3.0, 5.0, 400)
    np.testing.assert_allclose(low_pass(line, cutoff_hz=3.0, rate_hz=100.0)[100:300], line[100:300], atol=1e-6)
    np.testing.assert_allclose(low_pass(np.full(40, 7.0), cutoff_hz=3.0, rate_hz=100.0), 7.0, atol=1e-12)


def test_what_is_not_known_stays_unknown():
    values = wandering(200)
    values[50] = np.nan
    assert np.isnan(low_pass(values, cutoff_hz=3.0, rate_hz=100.0)).any()


@pytest.mark.parametrize("count", [4, 5, 300])
def test_the_spline_is_the_reference_one(count):
    rng = np.random.default_rng(3)
    knots = np.cumsum(rng.uniform(0.05, 0.2, count))
    at = np.linspace(knots[0] - 0.1, knots[-1] + 0.1, 999)
    values = wandering(count, 4)
    np.testing.assert_allclose(
        through(knots, values, at), interpolate.CubicSpline(knots, values)(at), rtol=1e-9, atol=1e-7
    )
