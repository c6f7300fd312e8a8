"""Runs before and after fitted at once: one tyre and one car, calibration left-overs by log, a lock curve a side.

What is wrong with the car file or the tyre model is wrong the same way in every log, so it cancels in the difference of
two curves; that is why the interval of a change can be narrower than those of the curves it is taken from. What the
sides have in common beyond that is put to use in `lockcurve.unknowns` (hold-offs, left-overs) and `joint_draws`
(corners).

Where the ramps begin to clamp (hold-off) is tied between the sides: a workshop changes it on purpose (ring springs,
ramps) or not at all. Left free, it trades against preload and slope and makes both changes look unknown. The logs
cannot say whether it holds: with and without the tie they fit equally well, and a changed ring spring passes for less
preload and less on drive. So the tie is loosened by as much as the setup files speak of, or dropped by whoever knows.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.comparison.joint_draws import form_error, joint_draws
from analyzer.lockcurve.fit import Fit, fit
from analyzer.lockcurve.problem import LogPart, hold_sd_Nm, joined
from analyzer.lockcurve.uncertainty import Spread, within_holds
from analyzer.lockcurve.unknowns import unknowns
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import Prior

# Of the hold-off's own prior deviation: wear and heat move it by less, ramps a step steeper with the same ring springs
# by about that much (it goes as the tangent of their angle).
TIE_SHARE = 0.08
# Where the ramps begin to clamp is the same before and after but for the tie, so a change hangs little on how far off
# both may be; with more, steeper ramps are not told that are told with this (tests/comparison)
HOLD_SHARE = 0.6  # of the deviation that a session alone has
LEAST_RANGE_Nm = 100.0


@dataclass(frozen=True)
class JointLog:
    """One log of a comparison.

    Attributes
    ----------
    part : its samples, whose they are (side, source) and what it measures as a whole.
    clusters : what each of its groups, in rising order, is resampled with (a corner of the circuit).
    """

    part: LogPart
    clusters: tuple[tuple, ...]


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
    curves: np.ndarray
    draws: np.ndarray
    spread: Spread
    largest_torque_Nm: float
    torque_span_Nm: tuple[float, float]
    tie_sd_Nm: tuple[float, float] | None

    @property
    def clusters(self) -> tuple[tuple, ...]:
        """Cluster of each corner pass, in the order of the fit's pulls."""
        return tuple(c for log in self.logs for c in log.clusters)

    @property
    def pass_log(self) -> np.ndarray:
        """(passes,) number of the log that each corner pass is of."""
        return np.repeat(np.arange(len(self.logs)), [len(log.clusters) for log in self.logs])


def slipping_torque_Nm(fitted: Fit, side: int | None = None) -> np.ndarray:
    """Input torques (N.m) of the samples that slipped, of one side or of both."""
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
