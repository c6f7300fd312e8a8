"""What changed, side by side (preload, what the ramps add on drive and on coast) and as a whole; and whether it
matters.

The sides are judged by quantities that the logs know. Preload, slope and hold-off of one run trade against each
other; the change of locking torque at no input torque, and the change of what the ramps add to it, mean over the
input torques at which both sides slipped, are told much better than any of the three.

What matters is what the driver can feel: locking torque is a moment against the turn, which the front tyres pay for.
A change below a fifth of what the findings call understeer of the differential, 0.6 % of the front tyres' side force
at 1 g, is a few tenths of a degree at the steering wheel.

"No change" is a claim of its own, and the absence of a proof of change is not one. It is said only when the change
lies within a margin of what nobody would act on: two one-sided tests at 5 %, that is the 90 % interval inside the
margin.

References
----------
Schuirmann, "A comparison of the two one-sided tests procedure and the power approach for assessing the equivalence of
average bioavailability", J. Pharmacokinetics and Biopharmaceutics 15, 1987 (the two one-sided tests; from memory).

Did anything change: the lock curves of both sides tested for equality as a whole.

With d the change of the three levels that the logs know (preload; what the ramps add on drive and on coast) and V
their covariance, d' V^-1 d is chi-squared of as many degrees of freedom if nothing changed (Wald). The covariance
has tyre, car and sensors in it and what of their errors both sides share has cancelled. What a *changed* slope is
unsure of is left out, for it is nothing where nothing changed.

The three sides are then judged under this one: a side is said to have changed only where the whole is (closed
testing), so that three looks do not make three chances of a false alarm.

References
----------
Marcus, Peritz and Gabriel, "On closed testing procedures with special reference to ordered analysis of variance",
Biometrika 63, 1976 (from memory).
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import chdtrc

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.comparison.joint import JointFit
from analyzer.differential.predicted import NORMAL_95, PredictedLockCurve
from analyzer.findings.coast_understeer import LEAST_FRONT_SHARE
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval
from analyzer.vehicle.car import Car

SIDES = ("preload", "drive", "coast")
MARGIN_SHARE = 0.20  # of the level before: the smallest step that shops' springs and ramps come in; common practice
MARGIN_OF_UNDERSTEER = 0.2  # of what the findings call understeer of the differential, a share of the front side force
LEAST_SPAN_SHARE = 0.05  # of the largest torque: a side on which both runs slipped over less says nothing
STEPS = 20
SURE = 0.05
LEAST_SHARE = 1e-8  # of the largest variance: less is rounding
CHANGED = ("stronger", "weaker")
INSIDE = 1.645  # standard errors to either end of a 90 % interval: two one-sided tests at 5 %


@dataclass(frozen=True)
class SideChange:
    """Change of locking torque on one side (N.m): preload at no input torque; drive and coast what the ramps add to
    it, mean over the input torques at which both sides slipped.

    Attributes
    ----------
    change_Nm : after minus before, 95 %.
    before_Nm : the level before; None where nothing can be said.
    expected_Nm : from the setup files, or None.
    margin_Nm : a change smaller than this does not matter.
    verdict : `as_predicted`, `stronger`, `weaker`, `no_change`, `cannot_tell`.
    standard_error_Nm : of the change.
    torque_Nm : (n,) the input torques that the mean is over; (1,) zero for the preload.
    """

    change_Nm: Interval
    before_Nm: float | None
    expected_Nm: float | None
    margin_Nm: float
    verdict: str
    standard_error_Nm: float | None
    torque_Nm: FloatArray


def least_margin_Nm(car: Car) -> float:
    """Change of locking torque (N.m) that nobody would act on, whatever the level.

    Notes
    -----
    M = N 2 R/t with the moment N = share * m g (front weight share) L, which takes `share` of the front side force at
    1 g.
    """
    front_N = car.mass_kg * STANDARD_GRAVITY_M_S2 * car.front_weight_fraction
    moment = MARGIN_OF_UNDERSTEER * LEAST_FRONT_SHARE * front_N * car.wheelbase_m
    return moment * 2 * car.rear_rolling_radius_m / car.rear_track_m


def side_torques(side: str, joint: JointFit) -> FloatArray | None:
    """Input torques that a side's mean is over.

    Parameters
    ----------
    side : one of `SIDES`.

    Returns
    -------
    ndarray : (n,) in N.m, from next to no torque outwards; (1,) zero for the preload. None where both runs slip over
        too little of the side.
    """
    if side == "preload":
        return np.array([0.0])
    low, high = joint.torque_span_Nm
    end = max(high, 0.0) if side == "drive" else min(low, 0.0)
    if abs(end) < LEAST_SPAN_SHARE * joint.largest_torque_Nm:
        return None
    return np.linspace(0.0, end, STEPS + 1)[1:]


def level_Nm(side: str, curves: FloatArray, torque_Nm: FloatArray) -> FloatArray:
    """What a side is judged by: M at no input torque for `preload`, else the mean of what the ramps add to it.

    Parameters
    ----------
    side : one of `SIDES`.
    curves : (..., 5).
    torque_Nm : (n,) that the mean is over, as `side_torques` gives them; not looked at for `preload`.

    Returns
    -------
    ndarray : (...,) in N.m.
    """
    flat = curves.reshape(-1, curves.shape[-1])[:, :, None]
    at_zero = model.locking_torque_Nm(flat, np.array([0.0]))[:, 0]
    level = at_zero if side == "preload" else model.locking_torque_Nm(flat, torque_Nm).mean(axis=1) - at_zero
    return level.reshape(curves.shape[:-1])


def side_change(
    side: str,
    joint: JointFit,
    *,
    car: Car,
    before: PredictedLockCurve | None,
    after: PredictedLockCurve | None,
) -> SideChange:
    """The change on one side with its verdict.

    Parameters
    ----------
    before, after : predicted from the setup files; both or neither.
    side : one of `SIDES`.
    joint : fit of both sides.
    car : for what nobody would act on.
    """
    torque = side_torques(side, joint)
    floor = least_margin_Nm(car)
    if torque is None:
        nothing = Interval(None, None, None, "the runs do not both slip on this side")
        return SideChange(nothing, None, None, floor, "cannot_tell", None, np.array([]))
    levels = level_Nm(side, joint.curves, torque)
    draws = level_Nm(side, joint.draws, torque)
    draws = draws[:, 1] - draws[:, 0]
    margin = max(MARGIN_SHARE * float(levels[0]), floor)
    expected, expected_sd = _expected(side, before, after, torque)
    moved = float(levels[1] - levels[0])
    change = interval(moved, draws)
    found = verdict(moved, draws, expected=expected, expected_sd=expected_sd, margin=margin)
    return SideChange(change, float(levels[0]), expected, margin, found, float(np.std(draws)), torque)


def interval(value: float, draws: FloatArray) -> Interval:
    """A value with the 95 % interval of its draws, widened to hold the value itself where it lies outside.

    Parameters
    ----------
    draws : (k,).
    """
    lower, upper = np.percentile(draws, [2.5, 97.5])
    return Interval(value, float(min(lower, value)), float(max(upper, value)))


def _expected(
    side: str, before: PredictedLockCurve | None, after: PredictedLockCurve | None, torque: FloatArray
) -> tuple[float | None, float]:
    """Predicted change and its standard deviation (N.m): errors of friction and the like are common to both files, so
    the change is as uncertain, relatively, as the curve of which it is a part. Where neither file says where the
    preload springs sit, each place is as likely as the other, the same before and after."""
    if before is None or after is None or "spool" in (before.kind, after.kind):
        return None, 0.0
    shared = [place for place in before.series_shares if place in after.series_shares]
    pairs = [(before.placed(at), after.placed(at)) for at in shared] or [(before, after)]
    changes = [_predicted_level(side, b, torque) - _predicted_level(side, a, torque) for a, b in pairs]
    share = 0.0
    for curve in (curve for pair in pairs for curve in pair):
        low, high = (float(b.mean()) for b in curve.band_Nm(torque))
        share = max(share, np.log(high / low) / (2 * NORMAL_95) if 0 < low < high < np.inf else 0.0)
    expected = float(np.mean(changes))
    return expected, float(np.hypot(share * abs(expected), np.std(changes)))


def _predicted_level(side: str, curve: PredictedLockCurve, torque: FloatArray) -> float:
    at_zero = curve.locking_torque_Nm(np.array([0.0]))[0]
    return float(at_zero if side == "preload" else (curve.locking_torque_Nm(torque) - at_zero).mean())


def verdict(value: float, draws: FloatArray, *, expected: float | None, expected_sd: float, margin: float) -> str:
    """One of `as_predicted`, `stronger`, `weaker`, `no_change`, `cannot_tell`.

    Parameters
    ----------
    value, draws : the change and its draws (k,).
    expected, expected_sd : predicted change and its standard deviation; None without a prediction: no change.
    margin : what does not matter.

    Notes
    -----
    Within the margin of the expectation (90 % interval): `no_change` when the expectation itself does not matter,
    `as_predicted` when it does. Else `stronger` or `weaker` when the 95 % interval of change minus expectation excludes
    zero; `as_predicted` when the expectation matters, lies in the interval and no change does not.
    """
    target = expected or 0.0
    matters = abs(target) >= margin
    if np.all(np.abs(np.percentile(draws - target, [5, 95])) < margin):
        return "as_predicted" if matters else "no_change"
    half = np.hypot(1.0, expected_sd / max(float(np.std(draws)), 1e-9))  # the expectation's own error widens it
    lower, upper = (value - target + half * (p - value) for p in np.percentile(draws, [2.5, 97.5]))
    if lower > 0 or upper < 0:
        return "stronger" if lower > 0 else "weaker"
    alone = np.percentile(draws, [2.5, 97.5])
    if matters and (alone[0] > 0 or alone[1] < 0):
        return "as_predicted"
    return "cannot_tell"


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

    def changes(curves: FloatArray) -> FloatArray:
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
