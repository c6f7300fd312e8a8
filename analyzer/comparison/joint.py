"""Several logs fitted at once: one tyre and one car for all, calibration left-overs by log, a lock curve a side.

What is wrong with the car file or the tyre model is wrong alike in every log, so it cancels in the difference of two
curves; that is why the interval of a change can be narrower than those of the curves it is taken from.

Two things that the two sides have in common are put to use beyond that:

- Where the ramps begin to clamp (hold-off) is tied between the sides: a workshop changes it on purpose (ring springs,
  ramps) or not at all. Left free, it trades against preload and slope and makes both changes look unknown. The logs
  cannot say whether it holds: with and without the tie they fit alike, and a changed ring spring passes for less
  preload and less on drive. So the tie is loosened by as much as the setup files speak of, or dropped by whoever knows.
- Corner passes are resampled as corners, with the passes before and after together: what the model gets wrong in a
  corner it gets wrong on both sides, and that cancels in the difference.
"""

from collections.abc import Hashable
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import (
    MOST_ITERATIONS,
    Evaluation,
    Problem,
    bounded,
    evaluate,
    held,
    newton_step,
    normal_equations,
    slopes,
)
from analyzer.lockcurve.uncertainty import REPLICATES, SEED, model_error, within_holds
from analyzer.vehicle.parameters import Prior

SHARED_GROUPS = ("tyre", "car")
SHARED_NAMES = ("log_yaw_scale",)  # gyro and tracks stay in the car
# Of the variance of what calibration leaves of a sensor's zero, the share that is alike in all runs: how the sensor
# sits in the car, how the car pitches, the circuit's camber. Before and after it cancels. The zeros of repeated
# simulated runs of one car differed by less yet: by a third of the longitudinal variance, 3 % of the lateral.
ALIKE_SHARE = {"long_bias": 0.5, "lat_bias": 0.85, "yaw_bias": 0.75, "steer_offset": 0.5}
CURVE = len(model.NAMES)
HOLD_NAMES = ("drive_hold_Nm", "coast_hold_Nm")
HOLDS = tuple(model.NAMES.index(n) for n in HOLD_NAMES)
SLOPES = tuple(model.NAMES.index(n) for n in ("drive_slope", "coast_slope"))
# Of the hold-off's own prior deviation: wear and heat move it by less, ramps a step steeper with the same ring springs
# by about that much (it goes as the tangent of their angle).
TIE_SHARE = 0.08
# A changed slope is known to a factor, whose logarithm has this standard deviation, and the preload errs the other way,
# by as much as keeps the curve at `PIVOT_SHARE` of the median slipping torque in its place: where the tyre's form is
# wrong, the error differs with what the wheels do. From simulated pairs with a tyre of another form, drive slope 40 and
# 60 % up. A factor widens the interval of a change but makes none of nothing.
SLOPE_CHANGE_LOG_SD = 0.4
PIVOT_SHARE = 0.2


@dataclass(frozen=True)
class JointLog:
    """One log of a comparison.

    Attributes
    ----------
    problem : its samples and priors; priors alike in all logs.
    side : 0 before, 1 after.
    source : logs of one source (laps of one recording) share their calibration left-overs as well.
    clusters : what each of the problem's groups, in rising order, is resampled with (a corner of the circuit).
    """

    problem: Problem
    side: int
    source: Hashable
    clusters: tuple[tuple, ...]


@dataclass(frozen=True)
class Curvature:
    """Shape of the joint loss at the fit; its last 10 parameters are the curves before and after.

    Attributes
    ----------
    data, information : (size, size) curvature of the data's loss, and of the priors'.
    gradients : (groups, size) of each corner pass; `clusters` and `log` say which cluster and log it is of.
    names : (size,) parameter and its group, `("lock_curve", ...)` for the curves.
    """

    data: np.ndarray
    information: np.ndarray
    gradients: np.ndarray
    clusters: tuple[tuple, ...]
    log: np.ndarray
    names: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class JointFit:
    """Result of a joint fit.

    Attributes
    ----------
    logs, thetas, evaluations : the logs, their parameters (P + 5,) and the fit at them, in the same order.
    curves : (2, 5) before and after.
    draws : (k, 2, 5) paired draws of both curves.
    log_draws : (k, P + 5) draws of each log's parameters.
    curvature : of the loss at the fit, for planning.
    largest_torque_Nm : largest input torque.
    torque_span_Nm : input torques at which both sides slipped.
    tie_sd_Nm : how far apart the hold-offs of both sides may be, on drive and on coast, one standard deviation; None
        without a tie.
    """

    logs: tuple[JointLog, ...]
    thetas: tuple[np.ndarray, ...]
    evaluations: tuple[Evaluation, ...]
    curves: np.ndarray
    draws: np.ndarray
    log_draws: tuple[np.ndarray, ...]
    curvature: Curvature
    largest_torque_Nm: float
    torque_span_Nm: tuple[float, float]
    tie_sd_Nm: tuple[float, float] | None


class _Layout:
    """Which entries of the joint parameters are each log's: of all, its side's, its source's, and the curve."""

    def __init__(
        self, logs: tuple[JointLog, ...], *, tie_sd_Nm: tuple[float, float] | None, one_tyre: bool, alike: bool
    ) -> None:
        priors = logs[0].problem.priors
        columns: dict[tuple, int] = {}
        self.index = []
        for log in logs:
            for j, prior in enumerate(priors):
                columns.setdefault(_owner(j, prior, log, one_tyre), len(columns))
        self.size = len(columns) + 2 * CURVE
        # the owner's first entry is the place of its prior
        self.names = [(priors[key[0]].name, priors[key[0]].group) for key in columns]
        self.names += [(name, "lock_curve") for name in (*model.NAMES, *model.NAMES)]
        for log in logs:
            nuisance = [columns[_owner(j, prior, log, one_tyre)] for j, prior in enumerate(priors)]
            curve = len(columns) + CURVE * log.side + np.arange(CURVE)
            self.index.append(np.concatenate([nuisance, curve]).astype(int))
        self.start, diagonal = np.zeros(self.size), np.zeros(self.size)
        for log, entries in zip(logs, self.index, strict=True):
            self.start[entries], diagonal[entries] = log.problem.start, log.problem.information
        self.information = np.diag(diagonal)
        if alike:
            self._tie_left_overs(priors, columns)
        if tie_sd_Nm is not None:
            for hold, deviation in zip(HOLDS, tie_sd_Nm, strict=True):
                tie = 1 / deviation**2
                before, after = self.size - 2 * CURVE + hold, self.size - CURVE + hold
                # one prior for the level, on the side before; the tie is what is known of the other
                self.information[after, after] = tie
                self.information[before, before] += tie
                self.information[before, after] = self.information[after, before] = -tie

    def _tie_left_overs(self, priors: tuple[Prior, ...], columns: dict[tuple, int]) -> None:
        """The logs' left-overs of one sensor as partly one error: covariance a^2 1 1' + diag(sd_k^2 - a^2)."""
        for j, prior in enumerate(priors):
            entries = [column for key, column in columns.items() if key[:2] == (j, "source")]
            if prior.name not in ALIKE_SHARE or len(entries) < 2:
                continue
            variance = 1 / np.diag(self.information)[entries]
            alike = ALIKE_SHARE[prior.name] * variance.min()
            covariance = np.diag(variance - alike) + alike
            self.information[np.ix_(entries, entries)] = np.linalg.inv(covariance)

    def curves(self, theta: np.ndarray) -> np.ndarray:
        """(..., 2, 5) curves of joint parameters (..., size)."""
        return theta[..., -2 * CURVE :].reshape(*theta.shape[:-1], 2, CURVE)

    def prior_loss(self, theta: np.ndarray) -> float:
        off = theta - self.start
        return float(0.5 * off @ self.information @ off)


def _owner(j: int, prior: Prior, log: JointLog, one_tyre: bool) -> tuple:
    """What a nuisance parameter belongs to: the same key, the same parameter."""
    if prior.group == "tyre" and not one_tyre:
        return j, "side", log.side
    if prior.group in SHARED_GROUPS or prior.name in SHARED_NAMES:
        return j, "all"
    return j, "source", log.source


def fit_jointly(
    logs: tuple[JointLog, ...],
    *,
    tied: bool = True,
    tie_sd_Nm: tuple[float, float] | None = None,
    one_tyre: bool = True,
    alike: bool = True,
) -> JointFit:
    """Fit all logs at once.

    Parameters
    ----------
    logs : of both sides.
    tied : tie the hold-offs of both sides; False leaves each free.
    tie_sd_Nm : how far apart they may be, on drive and on coast, one standard deviation; None: as far as wear, heat and
        another ramp angle take them.
    one_tyre : the same tyre on both sides; otherwise each side has its own.
    alike : what calibration leaves of the sensors is partly one error (`ALIKE_SHARE`); not on another circuit.
    """
    tie_sd = None
    if tied:
        usual = float(TIE_SHARE * logs[0].problem.hold_sd_Nm)
        tie_sd = tie_sd_Nm or (usual, usual)
    layout = _Layout(logs, tie_sd_Nm=tie_sd, one_tyre=one_tyre, alike=alike)
    return _result(logs, layout, *_minimise(logs, layout), tie_sd_Nm=tie_sd)


def _minimise(logs: tuple[JointLog, ...], layout: _Layout) -> tuple[np.ndarray, list[Evaluation]]:
    """Levenberg-Marquardt as in `lockcurve.fit`, over all logs."""
    problems = [log.problem for log in logs]
    theta = layout.start.copy()
    states: list[np.ndarray | None] = [None] * len(logs)
    damping = 1e-2
    for _ in range(MOST_ITERATIONS):
        now = [evaluate(p, theta[i], s, None) for p, i, s in zip(problems, layout.index, states, strict=True)]
        loss = _data_loss(logs, layout, theta, now) + layout.prior_loss(theta)
        hessian, gradient, _ = _assemble(logs, layout, theta, now, per_group=False)
        blocked = np.zeros(layout.size, bool)
        for problem, entries in zip(problems, layout.index, strict=True):
            blocked[entries] |= held(problem, theta[entries], gradient[entries])
        states = [e.solution.state for e in now]
        for _ in range(12):
            trial = theta + newton_step(hessian, gradient, damping, blocked)
            for problem, entries in zip(problems, layout.index, strict=True):
                trial[entries] = bounded(problem, trial[entries])
            there = [
                evaluate(p, trial[i], s, (e.sd, e.trust))
                for p, i, s, e in zip(problems, layout.index, states, now, strict=True)
            ]
            trial_loss = _data_loss(logs, layout, trial, there) + layout.prior_loss(trial)
            if trial_loss < loss:
                break
            damping *= 6
        if trial_loss >= loss:
            break
        theta, states = trial, [e.solution.state for e in there]
        damping = max(damping / 8, 1e-6)
        if loss - trial_loss < 2e-3:
            break
    return theta, [evaluate(p, theta[i], None, None) for p, i in zip(problems, layout.index, strict=True)]


def _data_loss(logs: tuple[JointLog, ...], layout: _Layout, theta: np.ndarray, evaluations: list[Evaluation]) -> float:
    """Every log's loss without its priors, which the layout counts once."""
    total = 0.0
    for log, entries, now in zip(logs, layout.index, evaluations, strict=True):
        off = theta[entries] - log.problem.start
        total += now.loss - 0.5 * float((log.problem.information * off**2).sum())
    return total


def _assemble(
    logs: tuple[JointLog, ...], layout: _Layout, theta: np.ndarray, evaluations: list[Evaluation], *, per_group: bool
) -> tuple[np.ndarray, np.ndarray, list[np.ndarray]]:
    """Curvature, gradient and (on request) each log's gradients by group (groups, size)."""
    hessian = layout.information.copy()
    gradient = layout.information @ (theta - layout.start)
    groups = []
    for log, entries, now in zip(logs, layout.index, evaluations, strict=True):
        problem, own = log.problem, theta[entries]
        h, g, sums = normal_equations(problem, own, now, slopes(problem, own, now), per_group)
        hessian[np.ix_(entries, entries)] += h - np.diag(problem.information)
        gradient[entries] += g - problem.information * (own - problem.start)
        if per_group:
            wide = np.zeros((len(sums), layout.size))
            wide[:, entries] = sums
            groups.append(wide)
    return hessian, gradient, groups


def _result(
    logs: tuple[JointLog, ...],
    layout: _Layout,
    theta: np.ndarray,
    evaluations: list[Evaluation],
    *,
    tie_sd_Nm: tuple[float, float] | None,
) -> JointFit:
    hessian, _, by_log = _assemble(logs, layout, theta, evaluations, per_group=True)
    inverse = np.linalg.inv(hessian)
    influence = -np.concatenate(by_log) @ inverse
    clusters = tuple(c for log in logs for c in log.clusters)
    prior = -prior_root(layout.information, tuple(layout.names)) @ inverse
    torque = [e.solution.at.input_torque_Nm for e in evaluations]
    slipping = [t[log.problem.slipping] for t, log in zip(torque, logs, strict=True)]
    draws = _draws(theta, influence, clusters, prior)
    fitted = layout.curves(theta)
    curves = within_holds(layout.curves(draws) + form_error(fitted, np.concatenate(slipping)))
    by_side = [np.concatenate([s for s, log in zip(slipping, logs, strict=True) if log.side == k]) for k in (0, 1)]
    both = [np.percentile(s, [3, 97]) if len(s) > 20 else (0.0, 0.0) for s in by_side]
    largest = float(max(np.percentile(t, 99.5) for t in torque))
    return JointFit(
        logs=logs,
        thetas=tuple(theta[i] for i in layout.index),
        evaluations=tuple(evaluations),
        curves=fitted,
        draws=curves,
        log_draws=tuple(draws[:, i] for i in layout.index),
        curvature=Curvature(
            data=hessian - layout.information,
            information=layout.information,
            gradients=np.concatenate(by_log),
            clusters=clusters,
            log=np.repeat(np.arange(len(logs)), [len(g) for g in by_log]),
            names=tuple(layout.names),
        ),
        largest_torque_Nm=max(largest, 100.0),
        torque_span_Nm=(float(max(b[0] for b in both)), float(min(b[1] for b in both))),
        tie_sd_Nm=tie_sd_Nm,
    )


def prior_root(information: np.ndarray, names: tuple[tuple[str, str], ...]) -> np.ndarray:
    """(size, size) square root of the priors' information, its rows independent errors of one standard deviation.

    Preload and slopes have none: their priors, 1000 N.m and 10 wide, only keep the fit regular. Nobody believes them,
    and by what they pull a change towards none is under a hundredth of it.
    """
    believed = np.array([group != "lock_curve" or name in HOLD_NAMES for name, group in names])
    return np.linalg.cholesky(information).T * believed[:, None]


def _draws(theta: np.ndarray, influence: np.ndarray, clusters: tuple[tuple, ...], prior: np.ndarray) -> np.ndarray:
    """(k, size): corners resampled whole, both sides together, and priors redrawn, as in `lockcurve.uncertainty`."""
    rng = np.random.default_rng(SEED)
    names = list(dict.fromkeys(clusters))
    member = np.array([names.index(c) for c in clusters])
    count = len(names)
    times = rng.multinomial(count, np.full(count, 1 / count), size=REPLICATES)
    sampling = (times - 1)[:, member] @ influence * few_corners(count)
    return theta + sampling + rng.standard_normal((REPLICATES, len(prior))) @ prior


def few_corners(count: int) -> float:
    """How much wider than the normal distribution Student's t is over `count` corners, at 97.5 %.

    Examples
    --------
    >>> round(few_corners(8), 2)
    1.21

    References
    ----------
    Cameron, Gelbach and Miller, Rev. Econ. Stat. 90, 2008 (few clusters; from memory).
    """
    return float(stats.t.ppf(0.975, max(count - 1, 1)) / stats.norm.ppf(0.975))


def form_error(fitted: np.ndarray, slipping_torque_Nm: np.ndarray) -> np.ndarray:
    """(k, 2, 5): what the form of the tyre curve gets wrong, alike on both sides, and of a changed slope besides."""
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
