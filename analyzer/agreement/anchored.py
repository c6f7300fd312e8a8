"""The second lock curve: the same log, with what the setup file states of bench, ring springs and ramps as measured.

The first one never sees the setup file. Where the two contradict each other, the bench or the file is wrong, or the
plates are not what they were.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc

from analyzer.arrays import FloatArray
from analyzer.differential.anchors import Anchor, Anchors
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.fit import Fit, fit, refit
from analyzer.lockcurve.hold_off import COAST_HOLD, COAST_SLOPE, DRIVE_HOLD, DRIVE_SLOPE, HOLDS
from analyzer.lockcurve.model import LEAST_SLOPE, CurveAnchors, MOST_HOLD_Nm
from analyzer.lockcurve.problem import anchored
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error, spread, summarise
from analyzer.lockcurve.witness import Witness

CONTRADICTED = 0.01  # a misfit that chance makes more seldom is told
SLOPES = np.geomspace(LEAST_SLOPE, 1.0, 12)  # to begin from, each steeper by two fifths than the one before
LEAST_TOLD = 1e-4  # of an anchor's variance: less is rounding, and the log does not know that direction


@dataclass(frozen=True)
class AnchoredEstimate:
    """The anchored lock curve.

    Attributes
    ----------
    lock_curve : with the anchors as measurements.
    anchors : what was taken from the setup file.
    probability : of a misfit as large as this or larger, if log and anchors spoke of the same curve.
    """

    lock_curve: LockCurveEstimate
    anchors: tuple[Anchor, ...]
    probability: float

    @property
    def contradicted(self) -> bool:
        """The log and what the file states can hardly both be right."""
        return self.probability < CONTRADICTED


def anchored_estimate(blind: Fit, stated: Anchors, *, largest_torque_Nm: float) -> AnchoredEstimate | None:
    """The anchored estimate of a fit.

    Parameters
    ----------
    blind : the fit that saw nothing of the setup file; the anchored one starts where it ended.
    stated : what the file states.
    largest_torque_Nm : largest input torque seen, as `uncertainty.summarise` takes it.

    Returns
    -------
    AnchoredEstimate : None where the file states nothing that may anchor it, or the log does not know the slip.
    """
    if not stated.any_stated or not blind.problem.sensors.slip_known:
        return None
    taken = curve_anchors(stated)
    problem, begin = anchored(blind.problem, taken), _nearest_bend(blind, taken)
    fitted = refit(blind, problem) if begin is None else fit(problem, start=begin)
    drawn = spread(fitted)
    used = [stated.preload, stated.drive_ring_hold, stated.coast_ring_hold, stated.slope_ratio, stated.series_share]
    return AnchoredEstimate(
        lock_curve=summarise(fitted, drawn, largest_torque_Nm=largest_torque_Nm),
        anchors=tuple(anchor for anchor in used if anchor is not None),
        probability=_misfit(fitted, taken),
    )


def _nearest_bend(blind: Fit, taken: CurveAnchors) -> FloatArray | None:
    """Unknowns (P,) whose curve bends where the file says, the one by slope that log and anchors like best.

    Where the larger of spring and ramp clamps, the bend lies at h + M0/slope, which is no straight line: from a fit
    that found no slope the way to the right one leads over a bend at 5000 N.m, and a preload that is too small for it.

    Parameters
    ----------
    blind : the fit from the log alone.
    taken : of the setup file.

    Returns
    -------
    ndarray : None where spring and ramp add up, or the fit itself is the better one.
    """
    if not taken.larger_rules:
        return None
    witness, counts = Witness.of(blind), blind.problem.widened**-2  # of an anchor, as a sample's

    def loss(curve: FloatArray) -> float:
        return float(witness.judged(curve)[0].sum() + 0.5 * counts * np.square(taken.residuals(curve)[0]).sum())

    found = [blind.curve]
    for slope in SLOPES:
        curve = blind.curve.copy()
        curve[DRIVE_SLOPE] = slope
        if taken.slope_ratio is not None:
            curve[COAST_SLOPE] = taken.slope_ratio[0] * slope
        for hold, anchor in ((DRIVE_HOLD, taken.drive_hold), (COAST_HOLD, taken.coast_hold)):
            ring = curve[hold] if anchor is None else anchor[0]
            bend = taken.bend_Nm(ring, preload=curve[0], slope=curve[HOLDS[hold]])
            curve[hold] = min(bend, MOST_HOLD_Nm)
        found.append(curve)
    best = min(found, key=loss)
    if best is blind.curve:
        return None
    begin = blind.theta.copy()
    begin[blind.problem.unknowns.curve_slice(0)] = best
    return begin


def curve_anchors(stated: Anchors) -> CurveAnchors:
    """What a setup file states, as measurements of the curve; without a series share rings and preload add up."""

    def told(anchor: Anchor | None) -> tuple[float, float] | None:
        return None if anchor is None else (anchor.value, anchor.sd)

    share = stated.series_share
    return CurveAnchors(
        preload=told(stated.preload),
        drive_hold=told(stated.drive_ring_hold),
        coast_hold=told(stated.coast_ring_hold),
        slope_ratio=told(stated.slope_ratio),
        larger_rules=0.0 if share is None else share.value,
        larger_rules_sd=0.0 if share is None else share.sd,
    )


def _misfit(fitted: Fit, taken: CurveAnchors) -> float:
    """Probability of residuals of the anchors as large as these or larger, if log and anchors spoke of one curve.

    Notes
    -----
    A score test at the anchored fit [RAO1948], with the covariance of the passes. There the curve is one that
    bends; the curve from the log alone may have no slope, and then where it bends means nothing. With R the anchors'
    slopes, H the Hessian with them, J the covariance of the log's and the beliefs' slopes, F of the curve's form:

        A = 1 - R H^-1 R',    cov(r) = A A' + R H^-1 J H^-1 R' + A R F R' A'

    Where the log says nothing r and its covariance vanish, and the direction does not count.
    """
    problem = fitted.problem
    residual, slopes = taken.residuals(fitted.curve)
    made = problem.unknowns
    rows = np.zeros((len(residual), made.count))
    rows[:, made.curve_slice(0)] = slopes
    reached = np.linalg.solve(fitted.hessian, rows.T)  # H^-1 R'
    left = np.eye(len(residual)) - rows @ reached
    slipping = fitted.solution.at.input_torque_Nm[problem.slipping]
    rng = np.random.default_rng(SEED)
    form = np.cov(model_error(fitted.curve, slipping_torque_Nm=slipping, rng=rng, replicates=REPLICATES).T)
    pulls = problem.widened * np.vstack([fitted.group_gradients, made.rows[made.believed]]) @ reached
    covariance = left @ (np.eye(len(residual)) + slopes @ form @ slopes.T) @ left.T + pulls.T @ pulls
    size, direction = np.linalg.eigh(covariance)
    told = size > LEAST_TOLD
    if not told.any():
        return 1.0
    return float(chdtrc(told.sum(), ((direction[:, told].T @ residual) ** 2 / size[told]).sum()))
