"""Findings that concern the session as a whole: lock that changes within it, a setup file that it contradicts, and
left and right corners that lock differently."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from analyzer.agreement.verdict import Agreement
from analyzer.findings.events import above, confidence
from analyzer.findings.evidence import Asymmetry, Evidence, SetupContradicted, TrendInRun
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner
from analyzer.signals.session import Signals
from analyzer.trends.lock_trend import TEN_MINUTES_S, LockTrend

ACT_SHARE = 0.25  # of the lock lost within a run: another differential at its end than at its start
LEAST_PASSES = 4  # corner passes a side: with fewer the scatter between passes is unknown
LEAST_SAMPLES = 10  # slipping samples in a pass before its mean counts
# smaller differences are within what load transfer and radii leave behind (common practice, no source)
LEAST_FRACTION = 0.15
LEAST_DIFFERENCE_NM = 30.0
# of the mean input torque, one standard deviation: what unlike tyres, radii and corner weights make of the difference.
# Four sessions whose axle locks the same on both sides had 0.10 to 0.27 (`tests/findings/reliability.py`, seeds 5 to
# 20)
UNLIKE_SD = 0.2
SURE = 0.01  # two-sided chance of such a difference between equal sides


def find_of_the_session(signals: Signals, trend: LockTrend | None, agreement: Agreement | None) -> tuple[Finding, ...]:
    """Fading or growing lock, and what the setup file gets wrong; each only where it is sure."""
    start_s, end_s = float(signals.time_s[0]), float(signals.time_s[-1])
    found = []
    if trend is not None and trend.verdict in ("fading", "rising"):
        found.append(_trend(trend, start_s, end_s))
    if agreement is not None and agreement.diagnosis is not None:
        diagnosis = agreement.diagnosis
        if diagnosis.verdict != "cannot_tell" and "as_the_file_says" not in diagnosis.tied:
            found.append(_contradicted(agreement, start_s, end_s))
    return tuple(found)


def _whole(evidence: Evidence, start_s: float, end_s: float, *, severity: str, confidence: float) -> Finding:
    return Finding(
        evidence=evidence,
        lap=None,
        corner=None,
        direction=None,
        start_s=start_s,
        end_s=end_s,
        distance_m=None,
        severity=severity,
        confidence=confidence,
    )


def _trend(trend: LockTrend, start_s: float, end_s: float) -> Finding:
    change = trend.relative_per_10_min
    share = trend.span_s / TEN_MINUTES_S
    sd = (change.upper - change.lower) / (2 * 1.96)
    evidence = TrendInRun(
        verdict=trend.verdict,
        change_over_run=change.value * share,
        lower_over_run=change.lower * share,
        upper_over_run=change.upper * share,
        change_per_10_min=change.value,
        lower_per_10_min=change.lower,
        upper_per_10_min=change.upper,
        span_s=trend.span_s,
        said=trend.sentence,
    )
    severity = "act" if abs(change.value) * share >= ACT_SHARE else "caution"
    return _whole(evidence, start_s, end_s, severity=severity, confidence=confidence(above(abs(change.value), sd)))


def _contradicted(agreement: Agreement, start_s: float, end_s: float) -> Finding:
    diagnosis = agreement.diagnosis
    best = diagnosis.explanations[0]
    evidence = SetupContradicted(
        explanations=", ".join(diagnosis.tied),
        times_better_than_file=best.times_better,
        value=best.value,
        lower=best.lower,
        upper=best.upper,
        unit=best.unit,
        fits=best.fits,
        said=diagnosis.sentence,
    )
    # against the file alone, both as likely beforehand
    sure = confidence(best.times_better / (1 + best.times_better))
    return _whole(evidence, start_s, end_s, severity="caution", confidence=sure)


@dataclass(frozen=True)
class Excess:
    """|Transfer torque| over the measured curve at the same input torque, mean of each corner pass (N.m); and the
    curve's mean level and the mean size of the input torque at all `samples` (N.m)."""

    left_Nm: tuple[float, ...]
    right_Nm: tuple[float, ...]
    level_Nm: float
    samples: int
    input_Nm: float = 0.0


def excess_of_passes(rear: RearAxle, corners: Sequence[Corner], lock_curve: LockCurveEstimate) -> Excess:
    """What the packs of each pass held over the measured curve, where they slipped."""
    measured = [(p.input_torque_Nm, p.locking_torque_Nm) for p in lock_curve.points if p.locking_torque_Nm is not None]
    if len(measured) < 2:
        return Excess((), (), 0.0, 0)
    grid, curve = np.array(measured).T
    axle = rear.axle
    inside_range = (axle.input_torque_Nm >= grid[0]) & (axle.input_torque_Nm <= grid[-1])
    use = rear.cornering & axle.slipping & ~axle.braked & np.isfinite(rear.transfer_torque_Nm) & inside_range
    index = np.flatnonzero(use)
    level = np.interp(axle.input_torque_Nm[index], grid, curve)
    excess = np.abs(rear.transfer_torque_Nm[index]) - level
    passes: dict[str, list[float]] = {"left": [], "right": []}
    for corner in corners:
        part = slice(*np.searchsorted(index, [corner.start, corner.stop]))
        if part.stop - part.start >= LEAST_SAMPLES:
            passes[corner.direction].append(float(excess[part].mean()))
    level_Nm, input_Nm = (
        float(np.mean(values)) if len(values) else 0.0 for values in (level, np.abs(axle.input_torque_Nm[index]))
    )
    return Excess(tuple(passes["left"]), tuple(passes["right"]), level_Nm, len(level), input_Nm)


def _chance_of_one_mean(left: np.ndarray, right: np.ndarray, known_sd: float = 0.0) -> float:
    """Two-sided chance of means so far apart, of unlike variances (Welch, Biometrika 34, 1947), where their difference
    has a further error of the deviation `known_sd`."""
    parts = np.array([left.var(ddof=1) / len(left), right.var(ddof=1) / len(right), known_sd**2])
    freedom = parts.sum() ** 2 / (parts[:2] ** 2 / [len(left) - 1, len(right) - 1]).sum()
    return float(2 * stdtr(freedom, -abs(left.mean() - right.mean()) / np.sqrt(parts.sum())))


def find_asymmetry(parts: Sequence[Excess], *, start_s: float, end_s: float) -> tuple[Finding, ...]:
    """Locking torque of slipping packs in left against right corners, at the same input torque.

    Parameters
    ----------
    parts : of the session's parts.
    start_s, end_s : of the session.

    Notes
    -----
    Passes, not samples, are compared (Welch's t), because samples along one pass are not independent. A left tyre that
    gives the share e more than the right one moves e T/2 more to the left, in every corner: what the packs seem to hold
    in left corners less what they hold in right ones is off by e T.
    """
    left = np.array([x for p in parts for x in p.left_Nm])
    right = np.array([x for p in parts for x in p.right_Nm])
    if min(len(left), len(right)) < LEAST_PASSES:
        return ()
    level = float(np.average([p.level_Nm for p in parts], weights=[p.samples for p in parts]))
    difference = float(left.mean() - right.mean())
    torque = float(np.average([p.input_Nm for p in parts], weights=[p.samples for p in parts]))
    chance = _chance_of_one_mean(left, right, UNLIKE_SD * torque)
    if chance > SURE or abs(difference) < max(LEAST_DIFFERENCE_NM, LEAST_FRACTION * level):
        return ()
    evidence = Asymmetry(
        left_minus_right_Nm=difference,
        level_Nm=level,
        left_passes=len(left),
        right_passes=len(right),
        chance_of_equal_sides=chance,
    )
    return (_whole(evidence, start_s, end_s, severity="caution", confidence=confidence(1 - chance)),)
