"""What a run tells of its car, and how such words add up.

What one run tells of its car: the information in its fit about the unknowns that are the car's own.

With c the car's unknowns and s all others (the differential's curve, the log's own zeros and scales), the fit's loss
is

    L(c, s) + 1/2 (c - c0)' P^-1 (c - c0),

where the prior (c0, P) of c is the car file's and any car's, and everything the run itself says is in L. With H the
curvature of L alone and s taken out (Schur),

    D = H_cc - H_cs H_ss^-1 H_sc,        D (c_run - c) = P^-1 (c - c0)   at the fitted c,

D is the posterior's precision less the prior's: what the run would say of c had nobody known anything. Its passes
scatter, and what it measures as a whole may err, by more than D knows: with G the passes' pulls, R the run's beliefs
of s, and A = (1, -H_cs H_ss^-1), the slopes of L after s is taken out scatter by

    S = A (G'G + R'R) A'.

Where S is larger than D, the run counts for less: J = D (D + max(S - D, 0))^-1 D, by direction. It never counts for
more than D. A run that says nothing has D = 0 and J = 0.

Information of runs put together: J and J times the value, for unknowns in one order.

What wanders by Q between runs is known to (J^-1 + Q)^-1 = (1 + J Q)^-1 J, which needs no inverse of J: where a run
says nothing, nothing comes of it. Q = 0 leaves J; an unknown with an infinite Q is taken out (Schur).
"""

from collections.abc import Collection, Iterable
from dataclasses import dataclass

import numpy as np
from scipy import special

from analyzer.arrays import BoolArray, FloatArray
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.unknowns import ALL

LEAST_TOLD = 1e-9  # of the prior's precision; less is rounding
LEAST_KNOWN = 1e-12  # of what an unknown has by itself, where others hold all of it
LEAST_SAID = 0.1  # of what is known without the run, by direction; less cannot contradict it


@dataclass(frozen=True)
class Told:
    """Information of one run about its car.

    Attributes
    ----------
    names : (p,) of the unknowns.
    information : (p, p) J, without any prior.
    weighted : (p,) J times what the run says of them.
    prior, prior_sd : (p,) c0 and the deviations, what was known of any such car before.
    """

    names: tuple[str, ...]
    information: FloatArray
    weighted: FloatArray
    prior: FloatArray
    prior_sd: FloatArray


def told_by(fit: Fit) -> Told:
    """What a fit that knew of no other run tells of its car.

    Parameters
    ----------
    fit : of one run, blind: without `with_knowledge`, and without anchors of the setup file.

    Returns
    -------
    Told : about the columns that are all logs', p of them.
    """
    made = fit.problem.unknowns
    car = np.array([i for i, column in enumerate(made.columns) if column.owner == ALL and not column.adds])
    rest = np.setdiff1d(np.arange(made.count), car)
    # row i is the belief of column i before the log is looked at; all others are the run's own
    sd = 1 / np.array([made.rows[i, i] for i in car])
    prior = made.targets[car] * sd
    curvature = fit.hessian.copy()
    curvature[car, car] -= 1 / sd**2
    take_out = np.linalg.solve(curvature[np.ix_(rest, rest)], curvature[np.ix_(rest, car)])
    told = curvature[np.ix_(car, car)] - curvature[np.ix_(car, rest)] @ take_out
    own = made.believed.copy()
    own[car] = False
    pulls = np.vstack([fit.group_gradients, made.rows[own]])
    pulls = pulls[:, car] - pulls[:, rest] @ take_out
    pull_of_prior = (fit.theta[car] - prior) / sd  # P^-1 (c - c0), times sd
    information, of_pull = _cautious(told * np.outer(sd, sd), pulls * sd)
    weighted = information @ (fit.theta[car] / sd) + of_pull @ pull_of_prior
    return Told(
        names=tuple(made.columns[i].name for i in car),
        information=information / np.outer(sd, sd) / fit.problem.widened**2,
        weighted=weighted / sd / fit.problem.widened**2,
        prior=prior,
        prior_sd=sd,
    )


def _cautious(told: FloatArray, pulls: FloatArray) -> tuple[FloatArray, FloatArray]:
    """J and J D^-1 of curvature D (p, p) and pulls (k, p), in units of the prior."""
    size, turned = np.linalg.eigh((told + told.T) / 2)
    kept = size > LEAST_TOLD
    root = turned[:, kept] * np.sqrt(size[kept])
    whiten = turned[:, kept] / np.sqrt(size[kept])
    scatter, along = np.linalg.eigh((pulls @ whiten).T @ (pulls @ whiten))
    factor = (along / np.maximum(scatter, 1.0)) @ along.T
    return root @ factor @ root.T, root @ factor @ whiten.T


@dataclass(frozen=True)
class Gaussian:
    """Information (p, p) about `names`, and information times value (p,)."""

    names: tuple[str, ...]
    information: FloatArray
    weighted: FloatArray

    @classmethod
    def nothing(cls, names: tuple[str, ...]) -> "Gaussian":
        """What nobody knows: no information about p unknowns."""
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

    def covariance(self) -> FloatArray:
        """(p, p); the information must be of all unknowns, as with a prior it is."""
        scale = 1 / np.sqrt(np.diag(self.information))
        return np.linalg.inv(self.information * np.outer(scale, scale)) * np.outer(scale, scale)

    def mean(self) -> FloatArray:
        """(p,) as `covariance`."""
        return self.covariance() @ self.weighted

    def wandered(self, sd: FloatArray) -> "Gaussian":
        """The same of a run whose unknowns differ from these by a wandering of their own.

        Parameters
        ----------
        sd : (p,) one standard deviation each, 0 or more; an unknown of infinite sd is taken out.

        Notes
        -----
        (1 + J Q)^-1 J, as the module has it; it can be without any inverse of J.
        """
        gone = np.isinf(sd)
        found = self._without(gone)
        between = np.diag(np.where(gone, 0.0, sd) ** 2)
        softer = np.eye(len(sd)) + found.information @ between
        information = np.linalg.solve(softer, found.information)
        return Gaussian(
            self.names,
            (information + information.T) / 2,
            np.linalg.solve(softer, found.weighted).astype(float, copy=False),
        )

    def without(self, names: Collection[str]) -> "Gaussian":
        """The same about the others only: those named keep their place, and nothing is known of them.

        Parameters
        ----------
        names : to be taken out, their part in the others with them (Schur); a name that is none of these p does not
            count.
        """
        return self._without(np.array([name in names for name in self.names], bool))

    def _without(self, out: BoolArray) -> "Gaussian":
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
        """The same with the unknowns as `names`.

        Parameters
        ----------
        names : in the order wanted. Nothing is known of a new one; one of these p that is missing in it is taken out.
        """
        if names == self.names:
            return self
        here = self.without([name for name in self.names if name not in names])
        shared = [name for name in names if name in self.names]
        new, old = [names.index(name) for name in shared], [self.names.index(name) for name in shared]
        found = Gaussian.nothing(names)
        found.information[np.ix_(new, new)] = here.information[np.ix_(old, old)]
        found.weighted[new] = here.weighted[old]
        return found

    def rows(self) -> tuple[FloatArray, FloatArray]:
        """The same as measurements: weights (m, p) over their deviation, and what they should give (m,)."""
        scale = np.sqrt(np.maximum(np.diag(self.information), 1e-300))
        size, turned = np.linalg.eigh(self.information / np.outer(scale, scale))
        kept = size > 1e-9
        root = np.sqrt(size[kept])
        return (turned[:, kept] * root).T * scale, (turned[:, kept] / root).T @ (self.weighted / scale)


def together(parts: Iterable[Gaussian], names: tuple[str, ...]) -> Gaussian:
    """What independent parts say together: the sum of their information.

    Parameters
    ----------
    parts : all about `names`, in that order.
    """
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
