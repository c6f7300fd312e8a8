"""From predicted lock curves to those that the replay uses: what the logs say about the fitted parts carries over.

Friction, wear and heat make a differential lock more or less than its parts say. The parts' figures are what is known
beforehand, the measured curve is what the log adds, and all three sides are weighed at once: a log knows the sum of
preload and ramps where the packs slipped far better than how it splits, and plate friction is the same in all of it.

    level of a side = parts say x exp(x),   x = x_0 + A z,   z standard normal, one for each independent cause
    least  |z|^2 + mean over logs (measured - levels)' S^-1 (measured - levels),   S from the draws of the fit

The mean, not the sum: tyre, car file and what the ring springs hold off err alike in all logs of a car, and make 95 %
of S (`analyze --budget`), so three logs that agree know hardly more than one.

Every build is then taken to be off by the same factors. Where the log is `STRONG` (10) times likelier if the parts are
not what the file says, its figures get `UNFORESEEN_LOG_SD` more of doubt. Another part than the fitted one adds its own
tolerance.
"""

from dataclasses import dataclass
from math import log

import numpy as np

from analyzer.advice.shelf import Build, Builds
from analyzer.agreement.diagnose import STRONG
from analyzer.arrays import FloatArray, IntArray
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval

SIDES = ("preload", "drive", "coast")
LEAST_LEVEL_SD_Nm = 1.0  # no log knows a level better
UNFORESEEN_LOG_SD = 0.5  # of all sides alike, and of each by itself: other plates, rings put in the wrong way round
TOLD = 0.8  # of the parts' own standard deviation: a log that leaves more adds next to nothing
LARGEST_LOG = 2.5  # of a factor: e^2.5 = 12
ITERATIONS, SETTLED = 40, 1e-6
SEED = 20261125


@dataclass(frozen=True)
class SideCalibration:
    """What the fitted parts do over what their figures say, on one side: `ratio`, its draws (b,), where it comes from
    (`log`, `bench`, or None where the figures stand as they are) and whether the log contradicts the setup file."""

    ratio: Interval
    draws: FloatArray
    source: str | None
    contradicted: bool


@dataclass(frozen=True)
class MeasuredCurve:
    """Of one log.

    Attributes
    ----------
    curves : (1 + k, 5) lock curves, the fit's, then its draws.
    torque_Nm : lowest and highest input torque at which the packs slipped.
    measured : the sides that it measures; others it only bounds, or does not see.
    """

    curves: FloatArray
    torque_Nm: tuple[float, float]
    measured: tuple[str, ...]


def standardised(draws: FloatArray) -> FloatArray:
    """Draws of a standard normal with the mean and the variance that they should have; so few of them would lean to one
    side.

    Parameters
    ----------
    draws : (b, ...), b of 2 or more.
    """
    scaled: FloatArray = (draws - draws.mean(axis=0)) / draws.std(axis=0)
    return scaled


def interval_of(draws: FloatArray) -> tuple[float, float]:
    """95 % interval of some tens of draws (b,); the usual percentiles of so few are too narrow.

    References
    ----------
    Hyndman and Fan, Sample quantiles in statistical packages, The American Statistician 50 (1996), definition 8.
    """
    low, high = np.percentile(draws, [2.5, 97.5], method="median_unbiased")
    return float(low), float(high)


def curve_parameters(curve: PredictedLockCurve) -> FloatArray:
    """(5,) of a plate's predicted curve, in the order of `lockcurve.model.NAMES`; what it does not have is 0."""
    return np.array([getattr(curve, name) or 0.0 for name in model.NAMES])


@dataclass(frozen=True)
class _Levels:
    """Of one log: `side` (m,) place in SIDES, levels by the parts (m,) and measured (1 + k, m), S^-1 (m, m)."""

    side: IntArray
    parts_Nm: FloatArray
    measured_Nm: FloatArray
    precision: FloatArray

    @classmethod
    def of(cls, log: MeasuredCurve, parts: FloatArray, *, logs: int) -> "_Levels":
        """One of so many `logs`, whose draws scatter by as much more as it counts less, so that the mean of all
        scatters as one."""
        low, high = log.torque_Nm
        ends = {"preload": 1.0, "drive": max(high, 0.0), "coast": min(low, 0.0)}
        side = [i for i, name in enumerate(SIDES) if name in log.measured]

        def at(curves: FloatArray) -> FloatArray:
            return np.column_stack([_level(curves, SIDES[i], ends[SIDES[i]]) for i in side])

        measured = at(log.curves)
        spread = np.cov(measured[1:], rowvar=False).reshape(len(side), len(side))
        precision = np.linalg.inv(spread + LEAST_LEVEL_SD_Nm**2 * np.eye(len(side)))
        measured[1:] = measured[0] + np.sqrt(logs) * (measured[1:] - measured[0])
        return cls(np.array(side), at(parts[None])[0], measured, precision / logs)


def _level(curves: FloatArray, side: str, end_Nm: float) -> FloatArray:
    """(k,) preload, or what the ramps add in the mean from no torque to `end_Nm`, of curves (k, 5)."""
    if side == "preload":
        return curves[:, 0]
    torque = np.linspace(0.0, end_Nm, 21)[1:]
    added: FloatArray = (model.locking_torque_Nm(curves[:, :, None], torque) - curves[:, :1]).mean(axis=1)
    return added


def calibrate(*, logs: list[MeasuredCurve], builds: Builds, bench_sd: float, draws: int) -> dict[str, SideCalibration]:
    """Side -> calibration.

    Parameters
    ----------
    bench_sd : relative standard deviation of the bench reading.
    draws : how many; each log has at least as many of its curve.
    logs : what each measures; one that measures no side says nothing.
    builds : the shelf, for what the fitted parts say and how sure that is.
    """
    beforehand, causes = _by_the_parts(builds, bench_sd)
    telling, parts = [each for each in logs if each.measured], curve_parameters(builds.installed.curve)
    levels = [_Levels.of(each, parts, logs=len(telling)) for each in telling]
    fitted = _weighed(levels, beforehand, causes)
    doubted = np.hstack([causes, UNFORESEEN_LOG_SD * np.column_stack([np.ones(3), np.eye(3)])])
    other = _weighed(levels, beforehand, doubted)
    contradicted = other.log_evidence - fitted.log_evidence > log(STRONG)
    if contradicted:
        fitted, causes = other, doubted
    middles = standardised(np.random.default_rng(SEED).standard_normal((draws, causes.shape[1])))
    if draws > causes.shape[1]:  # few draws also lean together; then causes of equal size would seem to cancel
        middles = middles @ np.linalg.inv(np.linalg.cholesky(np.corrcoef(middles, rowvar=False))).T
    drawn = np.array(
        [_weighed(levels, beforehand, causes, draw=b, middle=z).log_factor for b, z in enumerate(middles, start=1)]
    )
    drawn += fitted.log_factor - drawn.mean(axis=0)
    own_sd = np.sqrt((causes**2).sum(axis=1))
    return {
        side: _side(
            side,
            value=float(np.exp(fitted.log_factor[i])),
            draws=np.exp(drawn[:, i]),
            source="log" if drawn[:, i].std() < TOLD * own_sd[i] else "bench" if _has_bench(side, builds) else None,
            contradicted=contradicted,
        )
        for i, side in enumerate(SIDES)
    }


def _has_bench(side: str, builds: Builds) -> bool:
    return side == "preload" and builds.bench_ratio is not None


def _by_the_parts(builds: Builds, bench_sd: float) -> tuple[FloatArray, FloatArray]:
    """x_0 (3,) and A (3, 4): logarithms of the factors, and what each cause does to them: plate friction, the preload's
    own source, drive and coast ramps. A bench has felt the friction that is in the preload."""
    spread, before = builds.installed.curve.spread, np.zeros(3)
    friction, source = spread.preload_friction, spread.preload_source
    if builds.bench_ratio is not None:
        before[0], friction, source = log(builds.bench_ratio), 0.0, bench_sd
    causes = [
        [friction, source, 0.0, 0.0],
        [spread.slope_friction, 0.0, spread.drive_thrust, 0.0],
        [spread.slope_friction, 0.0, 0.0, spread.coast_thrust],
    ]
    return before, np.array(causes)


@dataclass(frozen=True)
class _Weighed:
    """Factors (3,) that suit parts and logs best, as logarithms, and how likely the logs are (Laplace)."""

    log_factor: FloatArray
    log_evidence: float


def _weighed(
    logs: list[_Levels],
    beforehand: FloatArray,
    causes: FloatArray,
    *,
    draw: int = 0,
    middle: FloatArray | None = None,
) -> _Weighed:
    """The best factors by Gauss-Newton: of what was measured, or of a draw of it, and of a draw of what was known, z
    about `middle` in place of about 0."""
    count = causes.shape[1]
    middle = np.zeros(count) if middle is None else middle
    z = middle
    for _ in range(ITERATIONS):
        factor = np.exp(np.clip(beforehand + causes @ z, -LARGEST_LOG, LARGEST_LOG))
        curvature, gradient, cost = np.eye(count), z - middle, float(((z - middle) ** 2).sum())
        for seen in logs:
            levels = seen.parts_Nm * factor[seen.side]
            slope = levels[:, None] * causes[seen.side]
            off = seen.measured_Nm[draw] - levels
            curvature = curvature + slope.T @ seen.precision @ slope
            gradient = gradient - slope.T @ seen.precision @ off
            cost += float(off @ seen.precision @ off)
        step = np.linalg.solve(curvature, -gradient)
        step /= max(1.0, np.abs(causes @ step).max())  # a factor of e at most
        z = z + step
        if np.abs(step).max() < SETTLED:
            break
    factor = np.clip(beforehand + causes @ z, -LARGEST_LOG, LARGEST_LOG)
    return _Weighed(factor, -0.5 * (cost + float(np.linalg.slogdet(curvature)[1])))


def _side(side: str, *, value: float, draws: FloatArray, source: str | None, contradicted: bool) -> SideCalibration:
    low, high = interval_of(draws)
    return SideCalibration(Interval(value, min(low, value), max(high, value)), draws, source, contradicted)


def curves_of(builds: tuple[Build, ...], calibration: dict[str, SideCalibration], draws: int) -> FloatArray:
    """Lock curves of all builds, best estimate and draws.

    Parameters
    ----------
    builds : the first is what is fitted.
    calibration : of each side, with at least as many draws.
    draws : how many.

    Returns
    -------
    ndarray : (1 + draws, builds, 5), the best estimate first.

    Notes
    -----
    side of a build = parts say x ratio x exp(sum of its parts' errors - those of the fitted parts, which the ratio
    already holds). The same part has the same error in every build, and friction is the plates' for all three sides.
    """
    rng = np.random.default_rng(SEED)
    error: dict[tuple[str, str], FloatArray] = {}

    def drawn(what: str, part: str) -> FloatArray:
        if (what, part) not in error:
            error[what, part] = np.concatenate([[0.0], standardised(rng.standard_normal(draws))])
        return error[what, part]

    def sides_of(build: Build) -> FloatArray:
        """(3, 1 + draws) log errors of preload, drive, coast."""
        spread, chosen = build.curve.spread, build.choice
        friction, rings = drawn("friction", chosen["plate_stack"]), chosen["ramp_rings"]
        return np.array(
            [
                spread.preload_friction * friction + spread.preload_source * drawn("cone", chosen["cone_spring"]),
                spread.slope_friction * friction + spread.drive_thrust * drawn("drive ramp", rings),
                spread.slope_friction * friction + spread.coast_thrust * drawn("coast ramp", rings),
            ]
        )

    fitted = sides_of(builds[0])
    ratio = np.array([np.concatenate([[calibration[s].ratio.value], calibration[s].draws]) for s in SIDES])
    curves = np.empty((1 + draws, len(builds), 5))
    for k, build in enumerate(builds):
        factor = ratio * np.exp(sides_of(build) - fitted)
        hold = np.exp(build.curve.spread.ring_spring * drawn("ring", build.choice["ring_spring"]))
        preload, drive, drive_hold, coast, coast_hold = curve_parameters(build.curve)
        # only the ring springs' part of a hold-off is as unsure as they are
        drive_ring, coast_ring = build.curve.drive_ring_hold_Nm or 0.0, build.curve.coast_ring_hold_Nm or 0.0
        curves[:, k] = np.column_stack(
            [
                preload * factor[0],
                drive * factor[1],
                drive_hold + drive_ring * (hold - 1),
                coast * factor[2],
                coast_hold + coast_ring * (hold - 1),
            ]
        )
    return curves
