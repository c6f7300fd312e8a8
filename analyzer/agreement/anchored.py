"""The second lock curve: the same log, with what the setup file states of bench, ring springs and ramps as measured.

The first one never sees the setup file. Where the two contradict each other, the bench or the file is wrong, or the
plates are not what they were.
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyzer.differential.anchors import Anchor, Anchors
from analyzer.lockcurve.anchoring import CurveAnchors
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.fit import Fit, fit
from analyzer.lockcurve.problem import anchored
from analyzer.lockcurve.summarise import summarise
from analyzer.lockcurve.uncertainty import spread

CONTRADICTED = 0.01  # a misfit that chance makes more seldom is told


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
    """The anchored estimate of a fit; None where the setup file states nothing that may anchor it."""
    if not stated.any_stated or not blind.problem.slip_known:
        return None
    taken = curve_anchors(stated)
    fitted = fit(anchored(blind.problem, taken), start=blind.theta)
    drawn = spread(fitted)
    used = [stated.preload, stated.drive_ring_hold, stated.coast_ring_hold, stated.slope_ratio, stated.series_share]
    return AnchoredEstimate(
        lock_curve=summarise(fitted, drawn, largest_torque_Nm=largest_torque_Nm),
        anchors=tuple(anchor for anchor in used if anchor is not None),
        probability=_misfit(blind, taken),
    )


def curve_anchors(stated: Anchors) -> CurveAnchors:
    """What a setup file states, as measurements of the curve."""
    told = lambda anchor: None if anchor is None else (anchor.value, anchor.sd)  # noqa: E731
    share = stated.series_share
    return CurveAnchors(
        preload=told(stated.preload),
        drive_hold=told(stated.drive_ring_hold),
        coast_hold=told(stated.coast_ring_hold),
        slope_ratio=told(stated.slope_ratio),
        larger_rules=0.0 if share is None else share.value,
        larger_rules_sd=0.0 if share is None else share.sd,
    )


def _misfit(blind: Fit, taken: CurveAnchors) -> float:
    """Probability of the anchors' residuals at the blind curve, whose own errors are in their covariance."""
    residual, rows = taken.residuals(blind.curve)
    drawn = spread(blind)
    covariance = rows @ np.cov(drawn.draws[:, drawn.unknowns.curve_slice(0)].T) @ rows.T + np.eye(len(residual))
    return float(stats.chi2.sf(residual @ np.linalg.solve(covariance, residual), len(residual)))
