"""Statistics that a few wild values do not pull along: scatter by medians, Huber's loss, regression by it.

An estimate of scatter from the median absolute deviation is the standard deviation of a normal distribution with that
median: 1/Phi^-1(3/4) times it.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dposv

from analyzer.arrays import FloatArray

NORMAL = 1.4826022185056018  # 1/Phi^-1(3/4)
HUBER_LIMIT = 2.0
CAUCHY_LIMIT = 2.5  # standard deviations at which a residual counts half
LEAST_OWN = 1e-10  # of a column's square, beyond the columns before it: with less in it rounding decides


def median(values: FloatArray) -> float:
    """The median of values (n,), one or more and all finite: `np.median` looks for what is not, which takes as long
    as the rest of it.

    Examples
    --------
    >>> median(np.array([3.0, 1.0, 7.0])), median(np.array([3.0, 1.0, 7.0, 4.0]))
    (3.0, 3.5)
    """
    low, high = (len(values) - 1) // 2, len(values) // 2
    parted = np.partition(values, (low, high))
    return float(parted[low] + parted[high]) / 2


def scatter(values: FloatArray, *, about: float | None = None) -> float:
    """Standard deviation of values (n,), one or more and all finite, by their median absolute deviation.

    Parameters
    ----------
    about : what they scatter about; None is their median.

    References
    ----------
    P. J. Huber, Robust Statistics, 1981, section 5.1 (from memory).

    Examples
    --------
    One wild value of five does nothing:

    >>> round(scatter(np.array([1.0, 2.0, 3.0, 4.0, 100.0])), 3)
    1.483
    """
    return NORMAL * median(np.abs(values - (median(values) if about is None else about)))


def huber(z: FloatArray, limit: float = HUBER_LIMIT) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Huber's loss of standardised residuals.

    Parameters
    ----------
    z : residuals in standard deviations, any shape.
    limit : beyond it the loss rises in a straight line.

    Returns
    -------
    tuple : loss, its slope, and slope over z (the weight, used as curvature), each of the shape of `z`.

    Notes
    -----
    z^2/2 for |z| < k, else k (|z| - k/2).

    References
    ----------
    P. J. Huber, Robust estimation of a location parameter, Ann. Math. Statist. 35, 1964 (from memory).

    Examples
    --------
    A residual of 5 counts as 8 instead of 12.5, and pulls as one of 2:

    >>> [round(float(part), 2) for part in huber(np.array(5.0))]
    [8.0, 2.0, 0.4]
    """
    size = np.abs(z)
    inside = size < limit
    loss = np.where(inside, 0.5 * z * z, limit * (size - 0.5 * limit))
    weight = np.where(inside, 1.0, limit / np.maximum(size, 1e-12))
    return loss, weight * z, weight


def by_huber(z: FloatArray, limit: float = HUBER_LIMIT) -> FloatArray:
    """Weights (n,) of standardised residuals (n,) under Huber's loss: a wild one still pulls, no more than others."""
    return huber(z, limit)[2]


def by_cauchy(z: FloatArray) -> FloatArray:
    """Weights (n,) of standardised residuals (n,) under Cauchy's loss: the wilder one is, the less it pulls."""
    return 1.0 / (1.0 + (z / CAUCHY_LIMIT) ** 2)


@dataclass(frozen=True)
class Regression:
    """A robust regression.

    Attributes
    ----------
    coefficients : (k,).
    residual, weight : (n,) what is left, and how much each row counted for the coefficients.
    information : (k, k) weighted square of the design, with what was believed.
    scatter : standard deviation of what was left before the last step.
    """

    coefficients: FloatArray
    residual: FloatArray
    weight: FloatArray
    information: FloatArray
    scatter: float


def regression(
    design: FloatArray,
    target: FloatArray,
    *,
    pull: Callable[[FloatArray], FloatArray],
    least: float,
    weight: FloatArray | None = None,
    precision: FloatArray | None = None,
    start: FloatArray | None = None,
    rounds: int = 20,
) -> Regression:
    """Least squares whose weights follow from what is left, round after round (iterative weighting).

    Parameters
    ----------
    design : (n, k) columns.
    target : (n,) what they should add up to.
    pull : weight of a standardised residual, `by_huber` or `by_cauchy`.
    least : what is left scatters by this at the least, in the target's unit.
    weight : (n,) of the rows, whatever is left of them; None counts all the same.
    precision : (k, k) of a belief that the coefficients are about zero, over the variance of one row.
    start : (k,) coefficients to begin with; None begins with those of unweighted least squares.
    rounds : of weighing, 1 or more.

    References
    ----------
    P. J. Huber, Robust Statistics, 1981, chapter 7 (from memory).

    Examples
    --------
    A line through five points of which one is wild:

    >>> x = np.arange(5.0)
    >>> found = regression(np.column_stack([x, np.ones(5)]), 2 * x + [0, 0, 9, 0, 0], pull=by_cauchy, least=1e-3)
    >>> [round(float(c), 2) for c in found.coefficients]
    [2.0, 0.0]
    """
    own = np.ones(len(target)) if weight is None else weight
    belief = np.zeros((design.shape[1],) * 2) if precision is None else precision

    def solved(counts: FloatArray, spread: float) -> tuple[FloatArray, FloatArray]:
        weighed = (design * counts[:, None]).T
        information = weighed @ design + spread**2 * belief
        return _solved(information, weighed @ target), information

    coefficients = solved(own, least)[0] if start is None else start
    for _ in range(rounds):
        left = target - design @ coefficients
        spread = max(scatter(left, about=0.0), least)
        counts = own * pull(left / spread)
        coefficients, information = solved(counts, spread)
    return Regression(coefficients, target - design @ coefficients, counts, information, spread)


def _solved(information: FloatArray, right: FloatArray) -> FloatArray:
    """Coefficients (k,) of normal equations (k, k) and (k,); the shortest that solve them where columns say the same.

    Cholesky's factor has on its diagonal what each column has beyond those before it. It takes a twentieth of the time.
    """
    factor, found, failed = dposv(information, right)
    if failed or (np.diag(factor) ** 2 < LEAST_OWN * np.diag(information)).any():
        found = np.linalg.lstsq(information, right, rcond=None)[0]
    coefficients: FloatArray = found.astype(float, copy=False)
    return coefficients
