"""Compiles the inner loops with numba when it is installed (extra `fast`), and leaves them plain Python otherwise.

The loops are written on scalars and tuples, so that both ways give the same numbers to rounding.
"""

from collections.abc import Callable

try:
    import numba
except ImportError:
    numba = None

IS_COMPILED = numba is not None


def compiled(function: Callable) -> Callable:
    """`function`, compiled on its first call; the result is cached on disk where a folder for it can be written."""
    if numba is None:
        return function
    try:
        return numba.njit(cache=True)(function)
    except RuntimeError:  # a read-only install and no writable home: compile anew in each process
        return numba.njit(function)
