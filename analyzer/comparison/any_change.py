"""Did anything change: the lock curves of both sides tested for equality as a whole.

With d the change of the three levels that the logs know (preload; what the ramps add on drive and on coast) and V their
covariance, d' V^-1 d is chi-squared of as many degrees of freedom if nothing changed (Wald). The covariance has tyre,
car and sensors in it and what of their errors both sides share has cancelled. What a *changed* slope is unsure of is
left out, for it is nothing where nothing changed.

The three sides are then judged under this one: a side is said to have changed only where the whole is (closed testing),
so that three looks do not make three chances of a false alarm.

References
----------
Marcus, Peritz and Gabriel, "On closed testing procedures with special reference to ordered analysis of variance",
Biometrika 63, 1976 (from memory).
"""

from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyzer.comparison.joint import JointFit
from analyzer.comparison.sides import SIDES, level_Nm, side_torques

SURE = 0.05


@dataclass(frozen=True)
class AnyChange:
    """The test of both sides' lock curves.

    Attributes
    ----------
    probability : of a difference as large as this, or larger, between runs of one differential.
    sides : what of the curve it is about.
    """

    probability: float
    sides: tuple[str, ...]

    @property
    def differs(self) -> bool:
        """The sides are not the same."""
        return self.probability < SURE


def any_change(joint: JointFit) -> AnyChange:
    """Test both sides of a joint fit for equality."""
    torques = {side: side_torques(side, joint) for side in SIDES}
    known = tuple(side for side, torque in torques.items() if torque is not None)
    drawn = joint.spread.unknowns.curves(joint.spread.draws)

    def levels(curves: np.ndarray) -> np.ndarray:
        found = np.stack([level_Nm(side, curves, torques[side]) for side in known], axis=-1)
        return found[..., 1, :] - found[..., 0, :]

    change = levels(joint.curves)
    square = change @ np.linalg.solve(np.cov(levels(drawn).T).reshape(len(known), -1), change)
    return AnyChange(float(stats.chi2.sf(square, len(known))), known)
