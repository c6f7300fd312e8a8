"""What stands around each sample of a series: means, medians, least and greatest values over a window.

A window of `size` samples reaches `size // 2` back. `scipy.ndimage` has the same for any number of dimensions (the
tests compare with it), but a tenth of the imports of an analysis was it alone, and its masks are widened by one sample
at a time.
"""

import numpy as np

from analyzer.arrays import AnyArray, BoolArray, FloatArray

REACH_SD = 4.0  # of a Gaussian: beyond it lies 0.006 % of it
BLOCK = 16384  # samples of a sum that stay in a processor's cache


def least(values: AnyArray, size: int) -> AnyArray:
    """(n,) the least value in each window; a window ends where the series does.

    Parameters
    ----------
    values : (n,) numbers or bool, one or more.
    size : samples in a window, from 1.

    Examples
    --------
    >>> least(np.array([3, 1, 2, 5, 4]), 3).tolist()
    [1, 1, 1, 2, 4]
    """
    return _outermost(np.minimum, values, size)


def greatest(values: AnyArray, size: int) -> AnyArray:
    """As `least`, the greatest."""
    return _outermost(np.maximum, values, size)


def _outermost(of: np.ufunc, values: AnyArray, size: int) -> AnyArray:
    found, covered = np.pad(values, (size // 2, (size - 1) // 2), mode="edge"), 1
    while covered < size:  # windows twice as long from two that meet or overlap
        step = min(covered, size - covered)
        found, covered = of(found[:-step], found[step:]), covered + step
    return found


def widened(mask: BoolArray, by: int) -> BoolArray:
    """(n,) where a mask holds, and up to `by` samples on both sides.

    Examples
    --------
    >>> widened(np.array([0, 0, 1, 0, 0, 0], bool), 1).astype(int).tolist()
    [0, 1, 1, 1, 0, 0]
    """
    return greatest(mask, 2 * by + 1)


def narrowed(mask: BoolArray, by: int) -> BoolArray:
    """(n,) where a mask holds from `by` samples before to `by` after, as far as the series goes."""
    return least(mask, 2 * by + 1)


def reached(seeds: BoolArray, mask: BoolArray) -> BoolArray:
    """(n,) the runs of a mask that have a seed in them.

    Examples
    --------
    >>> reached(np.array([0, 1, 0, 0, 0, 0], bool), np.array([1, 1, 0, 1, 1, 0], bool)).astype(int).tolist()
    [1, 1, 0, 0, 0, 0]
    """
    run = np.cumsum(np.diff(mask, prepend=False))  # counts changes, so a run of the mask has one number
    return mask & np.isin(run, run[seeds & mask])


def mean(values: FloatArray, size: int, *, mirrored: bool = False) -> FloatArray:
    """(n,) mean over each window, as a running sum: a window of zeros may leave rounding.

    Parameters
    ----------
    values : (n,), one or more.
    size : samples in a window, from 1.
    mirrored : beyond its ends the series goes on as its mirror image, else level.
    """
    around = _extended(values, size // 2, (size - 1) // 2, mirrored)
    steps = np.empty(len(values))  # of the sum, from window to window
    steps[0] = np.cumsum(around[:size])[-1]
    np.subtract(around[size:], around[:-size], out=steps[1:])
    means: FloatArray = np.cumsum(steps) / size
    return means


def gaussian(values: FloatArray, deviation: float, *, mirrored: bool = False) -> FloatArray:
    """(n,) mean around each sample, weighed by a Gaussian.

    Parameters
    ----------
    values : (n,), one or more.
    deviation : standard deviation of the Gaussian in samples, above 0.
    mirrored : as in `mean`.
    """
    count, reach = len(values), int(REACH_SD * deviation + 0.5)
    weights = np.exp(-0.5 / deviation**2 * np.arange(-reach, reach + 1) ** 2)
    weights /= weights.sum()
    around = _extended(values, reach, reach, mirrored)
    smooth: FloatArray = weights[reach] * around[reach : reach + count]
    for total in (smooth[i : i + BLOCK] for i in range(0, count, BLOCK)):
        here, around = around[: len(total) + 2 * reach], around[len(total) :]
        both = np.empty_like(total)
        for k in range(reach):
            np.add(here[k : k + len(total)], here[2 * reach - k : len(here) - k], out=both)
            both *= weights[k]
            total += both
    return smooth


def _extended(values: FloatArray, before: int, after: int, mirrored: bool) -> FloatArray:
    around: FloatArray = np.pad(np.asarray(values, float), (before, after), mode="symmetric" if mirrored else "edge")
    return around


def median(values: FloatArray, size: int) -> FloatArray:
    """(n,) median of each window (of an even number of values the upper of the middle two); beyond its ends the series
    goes on as its mirror image.

    Parameters
    ----------
    values : (n,), one or more.
    size : samples in a window, from 1; the work grows with it.
    """
    each = np.lib.stride_tricks.sliding_window_view(_extended(values, size // 2, (size - 1) // 2, True), size)
    middle: FloatArray = np.partition(each, size // 2, axis=1)[:, size // 2]
    return middle
