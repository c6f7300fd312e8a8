"""Fewer points that look the same: the smallest and largest of every bin are kept, so no spike is lost."""

import itertools

import numpy as np


def min_max(values: np.ndarray, points: int) -> np.ndarray:
    """Indices (sorted, at most about `points`) of `values` (n,): first, last, and each bin's minimum and maximum.

    NaN never wins against a number; a bin of NaN keeps its first sample, so that a gap stays a gap.
    """
    n = len(values)
    if n <= points:
        return np.arange(n)
    bins = max(1, (points - 2) // 2)
    edges = np.linspace(0, n, bins + 1).astype(int)
    known = np.isfinite(values)
    low, high = np.where(known, values, np.inf), np.where(known, values, -np.inf)
    kept = [0, n - 1]
    for start, stop in itertools.pairwise(edges):
        if stop > start:
            kept += [start + int(np.argmin(low[start:stop])), start + int(np.argmax(high[start:stop]))]
    return np.unique(kept)


def largest(values: np.ndarray, points: int) -> np.ndarray:
    """Sorted indices, `points` at most, of each bin's largest value (n,): for colour, where only the peak matters."""
    n = len(values)
    if n <= points:
        return np.arange(n)
    edges = np.linspace(0, n, points + 1).astype(int)
    high = np.where(np.isfinite(values), values, -np.inf)
    return np.array([a + int(np.argmax(high[a:b])) for a, b in itertools.pairwise(edges) if b > a])
