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

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from analyzer.comparison.joint import JointFit
from analyzer.comparison.sides import SideChange, level_Nm

SURE = 0.05
LEAST_SHARE = 1e-8  # of the largest variance: less is rounding
CHANGED = ("stronger", "weaker")
INSIDE = 1.645  # standard errors to either end of a 90 % interval: two one-sided tests at 5 %


@dataclass(frozen=True)
class AnyChange:
    """The test of both sides' lock curves.

    Attributes
    ----------
    probability : of a difference as large as this, or larger, between runs of one differential.
    sides : what of the curve it is about.
    within : each of these is shown to have changed by less than matters.
    """

    probability: float
    sides: tuple[str, ...]

    within: bool

    @property
    def verdict(self) -> str:
        """`yes`, `no` (nothing that matters, however sure a smaller change is) or `cannot_tell`."""
        if self.within:
            return "no"
        return "yes" if self.probability < SURE else "cannot_tell"


def any_change(joint: JointFit, sides: Mapping[str, SideChange]) -> AnyChange:
    """Test both sides of a joint fit for equality.

    Parameters
    ----------
    sides : what was found of each.
    """
    told = {side: change for side, change in sides.items() if change.standard_error_Nm is not None}
    drawn = joint.spread.unknowns.curves(joint.spread.draws)

    def changes(curves: np.ndarray) -> np.ndarray:
        levels = np.stack([level_Nm(side, curves, change.torque_Nm) for side, change in told.items()], axis=-1)
        return levels[..., 1, :] - levels[..., 0, :]

    apart = changes(joint.curves)
    size, direction = np.linalg.eigh(np.atleast_2d(np.cov(changes(drawn).T)))
    free = size > LEAST_SHARE * size.max()
    square = float(((direction[:, free].T @ apart) ** 2 / size[free]).sum())
    within = all(
        abs(c.change_Nm.value or 0.0) + INSIDE * (c.standard_error_Nm or 0.0) < c.margin_Nm for c in told.values()
    )
    return AnyChange(float(chdtrc(free.sum(), square)), tuple(told), within and len(told) == len(sides))


def judged_under(found: AnyChange, sides: Mapping[str, SideChange]) -> dict[str, SideChange]:
    """The sides with none said to have changed where the whole is not; what setup files expect is another question."""
    if found.verdict == "yes":
        return dict(sides)
    return {
        side: replace(c, verdict="cannot_tell") if c.expected_Nm is None and c.verdict in CHANGED else c
        for side, c in sides.items()
    }
