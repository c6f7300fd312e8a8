"""How many laps a change of a given size needs to be told apart, from logs of the car as it is.

The logs stand in for both sides. With n laps a side instead of the m there are, the data's curvature H and the scatter
S of corner passes grow by n/m while the priors' information L stays, so the change c = a'theta will have the variance

    a' H_n^-1 [ (n/m) S + L ] H_n^-1 a + form error,     H_n = (n/m) H + L,

as `compare` will state it. A change is told apart at 95 % with 80 % power when it is 1.96 + 0.84 standard errors large.
S is the scatter of passes about their corner's mean: what a corner always does is the same before and after.
"""

import re
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from analyzer.arrays import FloatArray
from analyzer.comparison.compared_runs import Run
from analyzer.comparison.joint import (
    SLOPE_CHANGE_LOG_SD,
    Cluster,
    JointFit,
    few_corners,
    fit_jointly,
    form_error,
    slipping_torque_Nm,
)
from analyzer.comparison.sides import MARGIN_SHARE, interval, least_margin_Nm, level_Nm, side_torques
from analyzer.comparison.together import corner_matches, joint_logs, joint_priors
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval
from analyzer.lockcurve.unknowns import CURVE, HOLD_OFF, Owner
from analyzer.vehicle.car import Car

SIDE_OF = {"preload": "preload", "drive_slope": "drive", "coast_slope": "coast"}
LEAST_LAPS = 2  # one lap shows no scatter
MOST_LAPS = 60
SHOWN_LAPS = (2, 4, 8, 16, 32)
TOLD_APART = float(ndtri(0.975) + ndtri(0.80))  # 2.80 standard errors
NO_CHANGE = float(ndtri(0.95) + ndtri(0.90))  # two one-sided tests at 5 %, 80 % power at no change


@dataclass(frozen=True)
class PlannedChange:
    """One change that somebody wants to see.

    Attributes
    ----------
    parameter : `preload`, `drive_slope` or `coast_slope`; `size` as it was asked for.
    side : the side of the verdict it shows on.
    level : the parameter now, with its interval.
    change_Nm : what it makes of the side's locking torque (N.m).
    laps : a side, before and after each; None when no number of up to 60 is enough.
    held_by : what keeps any number of laps from being enough, as in `sources`; None where one is, and where nothing can
        be planned, for the axle slips too little on the side.
    passes : corner passes in so many laps.
    no_change_laps : laps a side after which `no_change` can be said if nothing changed; None as above.
    margin_Nm : a change smaller than this does not matter.
    standard_error_Nm : laps -> standard error of the change.
    sources : what the error of the longest plan is made of, name -> share of its variance, largest first.
    """

    parameter: str
    size: str
    side: str
    level: Interval
    change_Nm: float | None
    laps: int | None
    held_by: str | None
    passes: int | None
    no_change_laps: int | None
    margin_Nm: float
    standard_error_Nm: dict[int, float]
    sources: dict[str, float]


def plan(runs: list[Run], changes: list[str]) -> tuple[PlannedChange, ...]:
    """Plan for each of `changes`, such as `preload=20%`, `preload=25` (N.m) or `drive_slope=0.1`.

    Parameters
    ----------
    runs : of the car as it is; their `side` is not looked at.

    Returns
    -------
    tuple : one for each of `changes`, in their order.

    Raises
    ------
    InputError : a change is not written like that.
    CannotTell : the rear axle never slipped.
    """
    asked = [_parsed(text) for text in changes]
    matches = corner_matches(runs)
    now = joint_logs([replace(r, side=0) for r in runs], matches, paired=True)
    if not any(log.part.slipping.any() for log in now):
        raise CannotTell(
            "the rear axle never slipped in these logs, so they do not show how far a change would scatter. Give runs "
            "with tighter corners or more throttle in them."
        )
    later = tuple(replace(log, part=replace(log.part, owner=Owner(1, ("later", log.part.owner.source)))) for log in now)
    joint = fit_jointly((*now, *later), car=runs[0].analysis.car, priors=joint_priors(runs))
    laps = sum(r.lap_count for r in runs)
    car = runs[0].analysis.car
    return tuple(_planned(joint, *one, laps=laps, car=car) for one in asked)


def _parsed(text: str) -> tuple[str, str]:
    match = re.fullmatch(r"\s*(\w+)\s*=\s*([+-]?\d+(?:\.\d+)?)\s*(%?)\s*", text)
    if match is None or match[1] not in SIDE_OF or float(match[2]) == 0:
        raise InputError(
            f"--change: {text!r} is not a change; write preload=20% or preload=25 (N.m), drive_slope=0.1, or "
            "coast_slope=30%."
        )
    return match[1], match[2] + match[3]


def _planned(joint: JointFit, parameter: str, size: str, *, laps: float, car: Car) -> PlannedChange:
    side = SIDE_OF[parameter]
    index = model.NAMES.index("preload_Nm" if parameter == "preload" else parameter)
    curve = joint.curves[0]
    step = float(size.rstrip("%")) * (curve[index] / 100 if size.endswith("%") else 1.0)
    margin = least_margin_Nm(car)
    level = interval(float(curve[index]), joint.draws[:, 0, index])
    torque = side_torques(side, joint)
    if torque is None:
        return PlannedChange(parameter, size, side, level, None, None, None, None, None, margin, {}, {})
    changed = curve.copy()
    changed[index] += step
    levels = level_Nm(side, np.array([curve, changed]), torque)
    change = float(levels[1] - levels[0])
    floor = level_Nm(side, np.array([curve, changed]) + _form(joint, changed), torque)
    form_sd = float(np.std(floor[:, 1] - floor[:, 0]))
    still = level_Nm(side, np.array([curve, curve]) + _form(joint, curve), torque)
    still_sd = float(np.std(still[:, 1] - still[:, 0]))
    margin = max(MARGIN_SHARE * float(levels[0]), margin)
    parts = {n: _variances(joint, side, torque, n / laps) for n in range(LEAST_LAPS, MOST_LAPS + 1)}
    # a slope that did not change is fitted as if it had, a little, and that is known to a factor as well
    factor = 1.0 if side == "preload" else 1.0 + SLOPE_CHANGE_LOG_SD**2
    errors = {n: float(np.sqrt(factor * sum(p.values()) + form_sd**2)) for n, p in parts.items()}
    unchanged = {n: float(np.sqrt(factor * sum(p.values()) + still_sd**2)) for n, p in parts.items()}
    # what the tyre's form makes of a change is a factor: it widens the interval, but not over zero
    enough = next((n for n, sd in unchanged.items() if abs(change) >= TOLD_APART * sd), None)
    passes = len({c for c in joint.clusters if c[-1] != "alone"})
    left = {**parts[MOST_LAPS], "tyre form": still_sd**2}
    last = {**parts[MOST_LAPS], "tyre form": form_sd**2}
    total = sum(last.values())
    return PlannedChange(
        parameter=parameter,
        size=size,
        side=side,
        level=level,
        change_Nm=change,
        laps=enough,
        held_by=None if enough else max(left, key=left.__getitem__),
        passes=None if enough is None else enough * passes,
        no_change_laps=next((n for n, sd in unchanged.items() if margin >= NO_CHANGE * sd), None),
        margin_Nm=margin,
        standard_error_Nm={n: errors[n] for n in SHOWN_LAPS},
        sources={k: v / total for k, v in sorted(last.items(), key=lambda item: -item[1])},
    )


def _form(joint: JointFit, after: FloatArray) -> FloatArray:
    return form_error(np.array([joint.curves[0], after]), slipping_torque_Nm(joint.fit))


def _variances(joint: JointFit, side: str, torque: FloatArray, times: float) -> dict[str, float]:
    """Source -> variance of a side's change (N.m squared) with `times` the laps of the logs on each side."""
    made = joint.fit.problem.unknowns
    weights = np.zeros(made.count)
    weights[made.curve_slice(0)] = -_slope_of_level(side, joint.curves[0], torque)
    weights[made.curve_slice(1)] = _slope_of_level(side, joint.curves[1], torque)
    data = joint.fit.hessian - made.information
    influence = np.linalg.solve(times * data + made.information, weights).astype(float, copy=False)
    corners = len(set(joint.clusters))
    found = {"scatter of corner passes": times * _scatter(joint, influence) * few_corners(corners) ** 2}
    parts = made.rows[made.believed] @ influence
    for row, part in zip(np.flatnonzero(made.believed), parts, strict=True):
        source = _source(joint, int(row))
        found[source] = found.get(source, 0.0) + float(part**2)
    return found


def _source(joint: JointFit, row: int) -> str:
    """What a belief is about: its group, and the parameter where it is about one."""
    made = joint.fit.problem.unknowns
    if made.groups[row] == HOLD_OFF:
        return "hold-off"
    about = np.flatnonzero(made.rows[row])
    names = {made.columns[i].name for i in about if i < len(made.columns)}
    return f"{made.groups[row]}: {names.pop() if len(names) == 1 else 'over the whole session'}"


def _slope_of_level(side: str, curve: FloatArray, torque: FloatArray) -> FloatArray:
    """(5,) derivatives of a side's level by the curve's parameters."""
    steps = 1e-4 * np.eye(CURVE)
    return (level_Nm(side, curve + steps, torque) - level_Nm(side, curve - steps, torque)) / 2e-4


def _scatter(joint: JointFit, influence: FloatArray) -> float:
    """Variance from passes about the mean of their corner, in the laps there are."""
    pull, pass_log, clusters = joint.fit.group_gradients @ influence, joint.pass_log, joint.clusters
    total = 0.0
    for log in np.unique(pass_log):
        mine = np.flatnonzero(pass_log == log)
        by_corner: dict[Cluster, list[float]] = {}
        for g in mine:
            by_corner.setdefault(clusters[g], []).append(pull[g])
        for values in by_corner.values():
            if len(values) > 1:
                total += len(values) * float(np.var(values, ddof=1))
    return total
