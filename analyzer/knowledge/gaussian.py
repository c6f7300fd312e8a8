"""Information of runs put together: J and J times the value, for unknowns in one order.

What wanders by Q between runs is known to (J^-1 + Q)^-1 = (1 + J Q)^-1 J, which needs no inverse of J: where a run says
nothing, nothing comes of it. Q = 0 leaves J; an unknown with an infinite Q is taken out (Schur).
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from scipy import special

from analyzer.knowledge.told import Told

LEAST_KNOWN = 1e-12  # of what an unknown has by itself, where others hold all of it
LEAST_SAID = 0.1  # of what is known without the run, by direction; less cannot contradict it


@dataclass(frozen=True)
class Gaussian:
    """Information (p, p) about `names`, and information times value (p,)."""

    names: tuple[str, ...]
    information: np.ndarray
    weighted: np.ndarray

    @classmethod
    def nothing(cls, names: tuple[str, ...]) -> "Gaussian":
        """What nobody knows."""
        return cls(names, np.zeros((len(names), len(names))), np.zeros(len(names)))

    @classmethod
    def said(cls, told: Told) -> "Gaussian":
        """What a run says by itself."""
        return cls(told.names, told.information, told.weighted)

    @classmethod
    def prior(cls, told: Told) -> "Gaussian":
        """What was known before any run."""
        return cls(told.names, np.diag(told.prior_sd**-2), told.prior * told.prior_sd**-2)

    def __add__(self, other: "Gaussian") -> "Gaussian":
        return Gaussian(self.names, self.information + other.information, self.weighted + other.weighted)

    def __sub__(self, other: "Gaussian") -> "Gaussian":
        return Gaussian(self.names, self.information - other.information, self.weighted - other.weighted)

    def covariance(self) -> np.ndarray:
        """(p, p); the information must be of all unknowns, as with a prior it is."""
        scale = 1 / np.sqrt(np.diag(self.information))
        return np.linalg.inv(self.information * np.outer(scale, scale)) * np.outer(scale, scale)

    def mean(self) -> np.ndarray:
        """(p,) as `covariance`."""
        return self.covariance() @ self.weighted

    def wandered(self, sd: np.ndarray) -> "Gaussian":
        """The same of a run whose unknowns differ from these by `sd` (p,)."""
        gone = np.isinf(sd)
        found = self._without(gone)
        between = np.diag(np.where(gone, 0.0, sd) ** 2)
        softer = np.eye(len(sd)) + found.information @ between
        information = np.linalg.solve(softer, found.information)
        return Gaussian(self.names, (information + information.T) / 2, np.linalg.solve(softer, found.weighted))

    def without(self, names: Collection[str]) -> "Gaussian":
        """The same about the others only."""
        return self._without(np.array([name in names for name in self.names], bool))

    def _without(self, out: np.ndarray) -> "Gaussian":
        if not out.any():
            return self
        one = self.information
        scale = 1 / np.sqrt(np.where(np.diag(one) > 0, np.diag(one), 1.0))
        scaled = one * np.outer(scale, scale)
        inside = scaled[out][:, out] + LEAST_KNOWN * np.eye(out.sum())
        share = np.zeros_like(one)
        share[:, out] = np.linalg.solve(inside, scaled[out]).T
        share[out] = np.eye(len(one))[out]
        information = (scaled - share @ scaled) / np.outer(scale, scale)
        information[:, out] = 0.0
        return Gaussian(self.names, information, (self.weighted * scale - share @ (self.weighted * scale)) / scale)

    def in_order(self, names: tuple[str, ...]) -> "Gaussian":
        """The same with the unknowns as `names`; nothing is known of a new one, a missing one is taken out."""
        if names == self.names:
            return self
        here = self.without([name for name in self.names if name not in names])
        shared = [name for name in names if name in self.names]
        new, old = [names.index(name) for name in shared], [self.names.index(name) for name in shared]
        found = Gaussian.nothing(names)
        found.information[np.ix_(new, new)] = here.information[np.ix_(old, old)]
        found.weighted[new] = here.weighted[old]
        return found

    def rows(self) -> tuple[np.ndarray, np.ndarray]:
        """The same as measurements: weights (m, p) over their deviation, and what they should give (m,)."""
        scale = np.sqrt(np.maximum(np.diag(self.information), 1e-300))
        size, turned = np.linalg.eigh(self.information / np.outer(scale, scale))
        kept = size > 1e-9
        root = np.sqrt(size[kept])
        return (turned[:, kept] * root).T * scale, (turned[:, kept] / root).T @ (self.weighted / scale)


def together(parts: Iterable[Gaussian], names: tuple[str, ...]) -> Gaussian:
    """What independent parts say together."""
    found = Gaussian.nothing(names)
    for part in parts:
        found = found + part
    return found


def misfit(said: Gaussian, known: Gaussian) -> float:
    """Probability that chance sets a run as far from what is known without it, or further.

    Parameters
    ----------
    said : by the run alone.
    known : without it, prior included, for a run of its own wandering.

    Notes
    -----
    With m, C of what is known and J, h of the run, u = h - J m has the covariance J + J C J if both speak of one car.
    In coordinates where C is 1 and J is diagonal, a_i, the sum of u_i^2/(a_i + a_i^2) is chi-square; directions of
    which the run hardly says anything (a_i under `LEAST_SAID`) do not count.
    """
    covariance = known.covariance()
    root = np.linalg.cholesky(covariance)
    size, turned = np.linalg.eigh(root.T @ said.information @ root)
    off = turned.T @ (root.T @ (said.weighted - said.information @ (covariance @ known.weighted)))
    tell = size > LEAST_SAID
    if not tell.any():
        return 1.0
    return float(special.chdtrc(tell.sum(), (off[tell] ** 2 / (size[tell] + size[tell] ** 2)).sum()))
