"""Censored likelihood of locking torques, with its slopes.

A slipping sample measures: residual M_observed - M(T), Huber loss (robust), Gaussian near zero.
A locked sample bounds: the capacity is at least |M_observed|, loss -log Phi((M(T) - |M_observed|)/sd), the censored
part of a Tobit model (Tobin, Econometrica 26, 1958; Wooldridge, Econometric Analysis, ch. 17).
"""

import numpy as np
from scipy.special import log_ndtr

HUBER_LIMIT = 2.0


def huber(z: np.ndarray, limit: float = HUBER_LIMIT) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) loss, slope and weight (slope over z, used as curvature) of standardised residuals (n,)."""
    size = np.abs(z)
    inside = size < limit
    loss = np.where(inside, 0.5 * z * z, limit * (size - 0.5 * limit))
    weight = np.where(inside, 1.0, limit / np.maximum(size, 1e-12))
    return loss, weight * z, weight


def censored(z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(n,) loss -log Phi(z), slope and curvature of standardised margins (n,), capacity minus bound."""
    log_tail = log_ndtr(z)
    mills = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_tail)
    return -log_tail, -mills, mills * (mills + z)
