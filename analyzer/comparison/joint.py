"""Runs before and after fitted at once, and how sure that is: draws of all parameters, and what the form of the tyre
curve gets wrong.

Corner passes are resampled as corners, with the passes before and after together: what the model gets wrong in a
corner it gets wrong on both sides, and that cancels in the difference.

Runs before and after fitted at once: one tyre and one car, calibration left-overs by log, a lock curve a side.

What is wrong with the car file or the tyre model is wrong the same way in every log, so it cancels in the difference
of two curves; that is why the interval of a change can be narrower than those of the curves it is taken from. What
the sides have in common beyond that is put to use in `lockcurve.unknowns` (hold-offs, left-overs) and the draws
(corners).

Where the ramps begin to clamp (hold-off) is tied between the sides: a workshop changes it on purpose (ring springs,
ramps) or not at all. Left free, it trades against preload and slope and makes both changes look unknown. The logs
cannot say whether it holds: with and without the tie they fit equally well, and a changed ring spring passes for
less preload and less on drive. So the tie is loosened by as much as the setup files speak of, or dropped by whoever
knows.
"""

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from scipy.special import ndtri, stdtrit

from analyzer.arrays import FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit, fit
from analyzer.lockcurve.problem import LogPart, hold_sd_Nm, joined
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, Spread, model_error, within_holds
from analyzer.lockcurve.unknowns import CURVE, unknowns
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import Prior

SLOPES = tuple(model.NAMES.index(n) for n in ("drive_slope", "coast_slope"))
# A changed slope is known to a factor, whose logarithm has this standard deviation, and the preload errs the other way,
# by as much as keeps the curve at `PIVOT_SHARE` of the median slipping torque in its place: where the tyre's form is
# wrong, the error differs with what the wheels do. From simulated pairs with a tyre of another form, drive slope 40 and
# 60 % up. A factor widens the interval of a change but makes none of nothing.
SLOPE_CHANGE_LOG_SD = 0.4
PIVOT_SHARE = 0.2
# Of the hold-off's own prior deviation: wear and heat move it by less, ramps a step steeper with the same ring springs
# by about that much (it goes as the tangent of their angle).
TIE_SHARE = 0.08
# Where the ramps begin to clamp is the same before and after but for the tie, so a change hangs little on how far off
# both may be; with more, steeper ramps are not told that are told with this (tests/comparison)
HOLD_SHARE = 0.6  # of the deviation that a session alone has
LEAST_RANGE_Nm = 100.0
# what a pass is resampled with: its course and corner (on one side only, where sides are not paired), or itself
Cluster: TypeAlias = tuple[Hashable, int, int | str | None]


def joint_draws(
    theta: FloatArray, influence: FloatArray, clusters: tuple[Cluster, ...], prior: FloatArray
) -> FloatArray:
    """Draws of the unknowns: corners resampled whole, both sides together, and beliefs redrawn, as in
    `lockcurve.uncertainty`.

    Parameters
    ----------
    theta : (size,) where the fit ended.
    influence : (passes, size) what each pass moves the unknowns by.
    clusters : (passes,) what each pass is resampled with; passes of one cluster are drawn together.
    prior : (beliefs, size) what one standard deviation of each belief moves them by.

    Returns
    -------
    ndarray : (k, size), k = `REPLICATES`; the same for the same arguments.
    """
    rng = np.random.default_rng(SEED)
    names = list(dict.fromkeys(clusters))
    member = np.array([names.index(c) for c in clusters])
    count = len(names)
    times = rng.multinomial(count, np.full(count, 1 / count), size=REPLICATES)
    sampling = (times - 1)[:, member] @ influence * few_corners(count)
    return theta + sampling + rng.standard_normal((REPLICATES, len(prior))) @ prior


def few_corners(count: int) -> float:
    """How much wider than the normal distribution Student's t is over `count` corners, at 97.5 %.

    Parameters
    ----------
    count : of clusters, not of passes; 1 counts as 2.

    References
    ----------
    Cameron, Gelbach and Miller, Rev. Econ. Stat. 90, 2008 (few clusters; from memory).

    Examples
    --------
    >>> round(few_corners(8), 2)
    1.21
    """
    return float(stdtrit(max(count - 1, 1), 0.975) / ndtri(0.975))


def form_error(fitted: FloatArray, slipping_torque_Nm: FloatArray) -> FloatArray:
    """What the form of the tyre curve gets wrong, alike on both sides, and of a changed slope besides.

    Parameters
    ----------
    fitted : (2, 5) curves before and after.
    slipping_torque_Nm : (n,) input torques of the slipping samples of both.

    Returns
    -------
    ndarray : (k, 2, 5) to be added to the curves, paired.
    """
    error = np.empty((REPLICATES, 2, CURVE))
    for side in (0, 1):  # the same seed: the same error of the tyre
        rng = np.random.default_rng(SEED + 1)
        error[:, side] = model_error(
            fitted[side], slipping_torque_Nm=slipping_torque_Nm, rng=rng, replicates=REPLICATES
        )
    rng = np.random.default_rng(SEED + 2)
    for slope, sign in zip(SLOPES, (1.0, -1.0), strict=True):
        on_side = sign * slipping_torque_Nm[sign * slipping_torque_Nm > 0]
        off = np.expm1(SLOPE_CHANGE_LOG_SD * rng.standard_normal(REPLICATES)) * (fitted[1, slope] - fitted[0, slope])
        error[:, 1, slope] += off
        error[:, 1, 0] -= PIVOT_SHARE * off * (np.median(on_side) if len(on_side) else 0.0)
    return error


@dataclass(frozen=True)
class JointLog:
    """One log of a comparison.

    Attributes
    ----------
    part : its samples, whose they are (side, source) and what it measures as a whole.
    clusters : what each of its groups, in rising order, is resampled with (a corner of the circuit).
    """

    part: LogPart
    clusters: tuple[Cluster, ...]


@dataclass(frozen=True)
class JointFit:
    """Result of a joint fit.

    Attributes
    ----------
    logs : in the order of the fit's.
    fit : of all of them.
    curves : (2, 5) before and after.
    draws : (k, 2, 5) paired draws of both curves.
    spread : draws of all unknowns.
    largest_torque_Nm : largest input torque.
    torque_span_Nm : input torques at which both sides slipped.
    tie_sd_Nm : how far apart the hold-offs of both sides may be, on drive and on coast, one standard deviation; None
        without a tie.
    """

    logs: tuple[JointLog, ...]
    fit: Fit
    curves: FloatArray
    draws: FloatArray
    spread: Spread
    largest_torque_Nm: float
    torque_span_Nm: tuple[float, float]
    tie_sd_Nm: tuple[float, float] | None

    @property
    def clusters(self) -> tuple[Cluster, ...]:
        """Cluster of each corner pass, in the order of the fit's pulls."""
        return tuple(c for log in self.logs for c in log.clusters)

    @property
    def pass_log(self) -> IntArray:
        """(passes,) number of the log that each corner pass is of."""
        return np.repeat(np.arange(len(self.logs)), [len(log.clusters) for log in self.logs])


def slipping_torque_Nm(fitted: Fit, side: int | None = None) -> FloatArray:
    """Input torques (n,) (N.m) of the samples that slipped.

    Parameters
    ----------
    side : 0 before, 1 after; None: both.
    """
    problem, torque = fitted.problem, fitted.solution.at.input_torque_Nm
    found = [
        torque[part][problem.slipping[part]]
        for part, owner in zip(problem.parts, problem.owners, strict=True)
        if side is None or owner.side == side
    ]
    return np.concatenate(found)


def fit_jointly(
    logs: Sequence[JointLog],
    *,
    car: Car,
    priors: Sequence[Prior],
    tied: bool = True,
    tie_sd_Nm: tuple[float, float] | None = None,
    tie_preload: tuple[tuple[float, float], tuple[float, float]] = ((0.0, 0.0), (0.0, 0.0)),
    one_tyre: bool = True,
    one_gyro: bool = True,
    alike: bool = True,
) -> JointFit:
    """Fit all logs at once.

    Parameters
    ----------
    logs : of both sides.
    priors : of every log's parameters.
    tied : tie the hold-offs of both sides; False leaves each free.
    tie_sd_Nm : how far apart they may be, on drive and on coast, one standard deviation; None: as far as wear, heat and
        another ramp angle take them.
    tie_preload : as in `unknowns`.
    one_tyre, one_gyro : the same tyre, the same scale of the yaw rate on both sides; otherwise each side has its own.
    alike : what calibration leaves of the sensors is partly one error (`unknowns.ALIKE_SHARE`); not on another circuit.
    """
    hold = HOLD_SHARE * hold_sd_Nm(car)
    tie = (tie_sd_Nm or (TIE_SHARE * hold, TIE_SHARE * hold)) if tied else None
    own = (*(() if one_tyre else ("tyre",)), *(() if one_gyro else ("log_yaw_scale",)))
    # of what drifts within a log, a change of the differential is told apart by matched corners
    parts = [replace(log.part, stretch=np.zeros_like(log.part.stretch)) for log in logs]
    made = unknowns(
        priors,
        [part.owner for part in parts],
        hold_sd_Nm=hold,
        own=own,
        tie_sd_Nm=tie,
        tie_preload=tie_preload,
        alike=alike,
    )
    return _result(tuple(logs), fit(joined(parts, car, made)), tie)


def _result(logs: tuple[JointLog, ...], fitted: Fit, tie_sd_Nm: tuple[float, float] | None) -> JointFit:
    made, problem = fitted.problem.unknowns, fitted.problem
    inverse = np.linalg.inv(fitted.hessian)
    clusters = tuple(c for log in logs for c in log.clusters)
    believed = -made.rows[made.believed] @ inverse
    draws = joint_draws(fitted.theta, -fitted.group_gradients @ inverse, clusters, believed)
    by_side = [slipping_torque_Nm(fitted, side) for side in (0, 1)]
    both = [np.percentile(s, [3, 97]) if len(s) > 20 else (0.0, 0.0) for s in by_side]
    torque = fitted.solution.at.input_torque_Nm
    largest = max(float(np.percentile(torque[part], 99.5)) for part in problem.parts)
    return JointFit(
        logs=logs,
        fit=fitted,
        curves=fitted.curves,
        draws=within_holds(made.curves(draws) + form_error(fitted.curves, np.concatenate(by_side))),
        spread=Spread(draws, {}, made),
        largest_torque_Nm=max(largest, LEAST_RANGE_Nm),
        torque_span_Nm=(float(max(b[0] for b in both)), float(min(b[1] for b in both))),
        tie_sd_Nm=tie_sd_Nm,
    )
