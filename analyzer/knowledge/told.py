"""What one run tells of its car: the information in its fit about the unknowns that are the car's own.

With c the car's unknowns and s all others (the differential's curve, the log's own zeros and scales), the fit's loss is

    L(c, s) + 1/2 (c - c0)' P^-1 (c - c0),

where the prior (c0, P) of c is the car file's and any car's, and everything the run itself says is in L. With H the
curvature of L alone and s taken out (Schur),

    D = H_cc - H_cs H_ss^-1 H_sc,        D (c_run - c) = P^-1 (c - c0)   at the fitted c,

D is the posterior's precision less the prior's: what the run would say of c had nobody known anything. Its passes
scatter, and what it measures as a whole may err, by more than D knows: with G the passes' pulls, R the run's beliefs of
s, and A = (1, -H_cs H_ss^-1), the slopes of L after s is taken out scatter by

    S = A (G'G + R'R) A'.

Where S is larger than D, the run counts for less: J = D (D + max(S - D, 0))^-1 D, by direction. It never counts for
more than D. A run that says nothing has D = 0 and J = 0.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.unknowns import ALL

LEAST_TOLD = 1e-9  # of the prior's precision; less is rounding


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
    information: np.ndarray
    weighted: np.ndarray
    prior: np.ndarray
    prior_sd: np.ndarray


def told_by(fit: Fit) -> Told:
    """What a fit that knew of no other run tells of its car."""
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


def _cautious(told: np.ndarray, pulls: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """J and J D^-1 of curvature D (p, p) and pulls (k, p), in units of the prior."""
    size, turned = np.linalg.eigh((told + told.T) / 2)
    kept = size > LEAST_TOLD
    root = turned[:, kept] * np.sqrt(size[kept])
    whiten = turned[:, kept] / np.sqrt(size[kept])
    scatter, along = np.linalg.eigh((pulls @ whiten).T @ (pulls @ whiten))
    factor = (along / np.maximum(scatter, 1.0)) @ along.T
    return root @ factor @ root.T, root @ factor @ whiten.T
