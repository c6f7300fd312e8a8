"""From predicted lock curves to those that the replay uses: what the log says about the fitted parts carries over.

Friction, wear and heat make a differential lock more or less than its parts say. Where the log tells, by side, how much
more or less (measured over predicted), every build is taken to be off by the same factor on that side. The factor is
weighed with how sure the parts' figures are, unless the log contradicts them: then it stands alone. Where the log
cannot tell, the prediction stands with its own spread. A part that is not the fitted one adds its own tolerance.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.advice.builds import Build, Builds
from analyzer.agreement.verdict import Agreement
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval

SIDES = ("preload", "drive", "coast")
LEAST_PREDICTED_Nm = 10.0  # a ratio to less than this says nothing
LEAST_RATIO = 0.05
SEED = 20261125
WORDS = {
    "preload": "preload",
    "drive": "what the ramps add on drive",
    "coast": "what the ramps add on coast",
}


@dataclass(frozen=True)
class SideCalibration:
    """Measured over predicted on one side: `ratio` (value 1 where not applied), its draws (b,), where it comes from
    (`log`, `bench` or None where not applied) and the sentence that says so."""

    ratio: Interval
    draws: np.ndarray
    source: str | None
    sentence: str


def curve_parameters(curve: PredictedLockCurve) -> np.ndarray:
    """(5,) of a plate's predicted curve, in the order of `lockcurve.model.NAMES`."""
    return np.array([getattr(curve, name) or 0.0 for name in model.NAMES])


def _levels(curves: np.ndarray, side: str, torques: np.ndarray) -> np.ndarray:
    """(b,) preload, or what the ramps add in the mean over `torques`, of curves (b, 5); never negative."""
    if side == "preload":
        return np.maximum(curves[:, 0], 0.0)
    at = model.locking_torque_Nm(curves[:, :, None], torques)
    return np.maximum((at - curves[:, :1]).mean(axis=1), 0.0)


def calibrate(
    *,
    measured: list[np.ndarray],
    agreements: list[Agreement],
    torques: list[tuple[float, float]],
    builds: Builds,
    bench_sd: float,
) -> dict[str, SideCalibration]:
    """Side -> calibration.

    Parameters
    ----------
    measured : per log, (1 + b, 5) lock curves: the fit's, then its draws.
    agreements : per log, measured against the setup.
    torques : per log, lowest and highest input torque (N.m) at which the packs slipped.
    bench_sd : relative standard deviation of the bench reading.
    """
    parts, spread = curve_parameters(builds.installed.curve)[None], builds.installed.curve
    doubt = (spread.preload_relative_sd, spread.drive_slope_relative_sd, spread.coast_slope_relative_sd)
    draws = measured[0].shape[0] - 1
    found = {}
    for side, parts_sd in zip(SIDES, doubt, strict=True):
        ratios, contradicted = [], False
        for curves, agreement, (low, high) in zip(measured, agreements, torques, strict=True):
            end = {"preload": 1.0, "drive": max(high, 0.0), "coast": min(low, 0.0)}[side]
            grid = np.linspace(0.0, end, 21)[1:]
            expected = float(_levels(parts, side, grid)[0])
            if agreement.by_side[side] != "cannot_tell" and expected > LEAST_PREDICTED_Nm:
                ratios.append(_levels(curves, side, grid) / expected)
                contradicted |= agreement.by_side[side] != "agrees"
        if ratios:
            found[side] = _by_log(side, _together(ratios), parts_sd or 0.0, contradicted)
        elif side == "preload" and builds.bench_ratio is not None:
            found[side] = _by_bench(builds.bench_ratio, bench_sd, draws)
        else:
            reason = "the log cannot tell it"
            text = (
                f"{WORDS[side]}: {reason} well enough, so the setup file's figures stand, with their own uncertainty."
            )
            found[side] = SideCalibration(Interval(1.0, None, None, reason), np.ones(draws), None, text)
    return found


def _together(ratios: list[np.ndarray]) -> np.ndarray:
    """(1 + b,) of several logs, each weighed by its variance."""
    weights = np.array([1 / max(r[1:].var(), 1e-6) for r in ratios])
    return (np.array(ratios) * weights[:, None]).sum(axis=0) / weights.sum()


def _by_log(side: str, shown: np.ndarray, parts_sd: float, contradicted: bool) -> SideCalibration:
    text = f"{WORDS[side]}: the log shows {_span(shown)} of what the parts say"
    low, high = np.percentile(shown[1:], [2.5, 97.5])
    if contradicted and not low <= 1 <= high:
        used, text = shown, f"{text}, which contradicts the setup file, so the log stands"
    else:
        rng = np.random.default_rng(SEED)
        parts = 1 + parts_sd * np.concatenate([[0.0], rng.standard_normal(len(shown) - 1)])
        share = parts_sd**2 / (parts_sd**2 + max(shown[1:].var(), 1e-6))
        used = share * shown + (1 - share) * parts
        text = f"{text}; weighed with how sure the parts' figures are, {_span(used)} is used"
    used = np.maximum(used, LEAST_RATIO)
    value = float(used[0])
    low, high = np.percentile(used[1:], [2.5, 97.5])
    ratio = Interval(value, float(min(low, value)), float(max(high, value)))
    return SideCalibration(ratio, used[1:], "log", f"{text}, and every build is taken to be off alike.")


def _span(ratio: np.ndarray) -> str:
    low, high = np.percentile(ratio[1:], [2.5, 97.5])
    return f"{ratio[0]:.2f} ({low:.2f} to {high:.2f})"


def _by_bench(bench_ratio: float, bench_sd: float, draws: int) -> SideCalibration:
    used = bench_ratio * np.exp(bench_sd * np.random.default_rng(SEED).standard_normal(draws))
    low, high = bench_ratio * np.exp(1.96 * bench_sd * np.array([-1, 1]))
    text = (
        f"{WORDS['preload']}: the bench shows {bench_ratio:.2f} of what the springs say, and every build is taken to "
        "be off alike."
    )
    return SideCalibration(Interval(bench_ratio, float(low), float(high)), used, "bench", text)


def curves_of(builds: tuple[Build, ...], calibration: dict[str, SideCalibration], draws: int) -> np.ndarray:
    """(1 + draws, builds, 5) lock curves: best estimate first, then one a draw; `builds[0]` is what is fitted.

    Notes
    -----
    side of a build = parts say x ratio x exp(sum of its parts' errors - those of the fitted parts, which the ratio
    already holds). The same part has the same error in every build, and friction is the plates' for all three sides.
    """
    rng = np.random.default_rng(SEED)
    error: dict[tuple[str, str], np.ndarray] = {}

    def drawn(what: str, part: str) -> np.ndarray:
        if (what, part) not in error:
            error[what, part] = np.concatenate([[0.0], rng.standard_normal(draws)])
        return error[what, part]

    def sides_of(build: Build) -> np.ndarray:
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
    known = np.array([calibration[s].source is not None for s in SIDES])[:, None]
    curves = np.empty((1 + draws, len(builds), 5))
    for k, build in enumerate(builds):
        factor = ratio * np.exp(sides_of(build) - np.where(known, fitted, 0.0))
        hold = np.exp(build.curve.spread.ring_spring * drawn("ring", build.choice["ring_spring"]))
        preload, drive, drive_hold, coast, coast_hold = curve_parameters(build.curve)
        curves[:, k] = np.column_stack(
            [preload * factor[0], drive * factor[1], drive_hold * hold, coast * factor[2], coast_hold * hold]
        )
    return curves
