"""Windows over a series, against `scipy.ndimage`, to the last digit: a throttle held at the very threshold of a phase
decides by it where the phase ends."""

import numpy as np
import pytest
from scipy import ndimage

from analyzer import windows

LENGTHS = (1, 2, 3, 50, 3 * windows.BLOCK + 7)
SIZES = (1, 2, 5, 24, 61)


def series(length: int) -> np.ndarray:
    return np.random.default_rng(length).normal(size=length).cumsum()


def mask(length: int, share: float) -> np.ndarray:
    return np.random.default_rng(length).random(length) < share


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("size", SIZES)
def test_least_and_greatest(length, size):
    values = series(length)
    assert np.array_equal(windows.least(values, size), ndimage.minimum_filter1d(values, size, mode="nearest"))
    assert np.array_equal(windows.greatest(values, size), ndimage.maximum_filter1d(values, size, mode="nearest"))
    held = mask(length, 0.9)
    assert np.array_equal(windows.least(held, size), ndimage.minimum_filter1d(held, size, mode="nearest"))


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("by", [1, 3, 40])
def test_a_mask_widened_and_narrowed(length, by):
    rare, usual = mask(length, 0.05), mask(length, 0.95)
    assert np.array_equal(windows.widened(rare, by), ndimage.binary_dilation(rare, iterations=by))
    kept = ndimage.binary_erosion(usual, iterations=by, border_value=1)
    assert np.array_equal(windows.narrowed(usual, by), kept)


@pytest.mark.parametrize("length", LENGTHS)
def test_runs_with_a_seed(length):
    seeds, usual = mask(length, 0.1), mask(length + 1, 0.7)[:length]
    assert np.array_equal(windows.reached(seeds, usual), ndimage.binary_propagation(seeds & usual, mask=usual))


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize(("mirrored", "mode"), [(False, "nearest"), (True, "reflect")])
def test_mean(length, size, mirrored, mode):
    values = series(length)
    assert np.array_equal(
        windows.mean(values, size, mirrored=mirrored), ndimage.uniform_filter1d(values, size, mode=mode)
    )


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("deviation", [0.5, 6.0, 15.0])
@pytest.mark.parametrize(("mirrored", "mode"), [(False, "nearest"), (True, "reflect")])
def test_gaussian(length, deviation, mirrored, mode):
    values = series(length)
    smooth = windows.gaussian(values, deviation, mirrored=mirrored)
    # wheels of scipy for other processors may fuse a product and a sum
    np.testing.assert_allclose(smooth, ndimage.gaussian_filter1d(values, deviation, mode=mode), rtol=1e-13, atol=1e-13)


@pytest.mark.parametrize("length", LENGTHS)
@pytest.mark.parametrize("size", [1, 3, 24, 33])
def test_median(length, size):
    values = series(max(length, size))
    assert np.array_equal(windows.median(values, size), ndimage.median_filter(values, size=size))
