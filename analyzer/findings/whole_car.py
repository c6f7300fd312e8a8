"""Findings on the whole car and on the session as a whole.

Moments that the whole car feels: lock that arrives with a snap, and a car that is lost.

Findings that concern the session as a whole: lock that changes within it, a setup file that it contradicts, and
left and right corners that lock differently.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr

from analyzer.agreement.verdict import Agreement, Diagnosis
from analyzer.arrays import FloatArray
from analyzer.findings.events import above, confidence, phase_at, placed
from analyzer.findings.evidence import Asymmetry, CarLost, Evidence, LockUpSnap, SetupContradicted, TrendInRun
from analyzer.findings.finding import Finding
from analyzer.findings.lock_trend import TEN_MINUTES_S, LockTrend
from analyzer.findings.rear_axle import RearAxle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.phases import Corner
from analyzer.signals.log_stretches import BEFORE_S as LOST_BEFORE_S
from analyzer.signals.log_stretches import LOST, STOPS_M_S, runs
from analyzer.signals.session import Signals

STEP_S = 0.15  # quicker than a driver corrects (reaction 0.2 s or more, common practice, no source)
BEFORE_S, AFTER_S = 0.1, 0.6  # where the lock-up of a throttle application is looked for
OPENS_AT = 0.08
SNAP_YAW_RAD_S2 = 0.7  # yaw acceleration that arrives in STEP_S: near half of what a hard turn-in builds up
SEEN_SHARE = 0.75  # of an abrupt jump: the torques are filtered at 3 Hz, which spreads it over more than STEP_S
# the largest of many steps reads high: a smooth foot on flat ramps made 19 of 0.50 to 0.66 in three sessions, none
# true; of steep ramps under a stabbed throttle 25 of 30 are surer (`tests/findings/test_simulated.py`, seeds 0 to 2)
SNAP_SURE = 0.67
LOST_SURE = 0.95  # 35 degrees of side slip and a stop, or a quarter turn: little else looks like that
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


def find_lock_up_snap(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Yaw moment against the turn that the differential builds up within 0.15 s of a throttle application, in a corner.

    A moment into the turn at that point is the inside wheel letting go, and is found as spin.

    Notes
    -----
    Found where the change of the moment over `STEP_S` over the yaw inertia reaches `SEEN_SHARE` of `SNAP_YAW_RAD_S2`.
    """
    signals, axle, car = rear.signals, rear.axle, rear.car
    step = max(1, round(STEP_S * signals.rate_hz))
    before, after = round(BEFORE_S * signals.rate_hz), round(AFTER_S * signals.rate_hz)
    open_ = signals.throttle > OPENS_AT
    found = []
    for start, end in runs(open_).tolist():
        first, last = max(start - before, 0), min(start + after, len(open_) - step - 1)
        if (end + 1 - start) / signals.rate_hz < AFTER_S or last <= first or not rear.cornering[start]:
            continue
        change = rear.opposing_moment_Nm[first + step : last + step] - rear.opposing_moment_Nm[first:last]
        change[rear.over_speed_m_s[first:last] > 0] = np.nan  # the inside wheel was spinning: that is not lock-up
        # the throttle often opens while the brakes still let go: the jump must lie clear of them
        change[axle.braked[first:last] | axle.braked[first + step : last + step]] = np.nan
        if not np.isfinite(change).any():
            continue
        at = first + int(np.nanargmax(change))
        size = float(change[at - first])
        jerk = size / car.yaw_inertia
        if jerk < SEEN_SHARE * SNAP_YAW_RAD_S2:
            continue
        sd = axle.torque_difference_sd_Nm[[at, at + step]] * car.rear_track_m / (2 * car.rear_rolling_radius_m)
        evidence = LockUpSnap(
            phase=phase_at(corners, at, at + step, sample=at),
            yaw_moment_change_Nm=size,
            yaw_acceleration_change_rad_s2=jerk,
            rise_s=step / signals.rate_hz,
            throttle=float(signals.throttle[at + step]),
            transfer_torque_before_Nm=float(rear.transfer_torque_Nm[at]),
            transfer_torque_after_Nm=float(rear.transfer_torque_Nm[at + step]),
        )
        sure = confidence(above(jerk - SEEN_SHARE * SNAP_YAW_RAD_S2, float(np.hypot(*sd)) / car.yaw_inertia))
        if sure >= SNAP_SURE:
            found.append(placed(evidence, signals, corners, at, at + step + 1, severity="note", confidence=sure))
    return tuple(found)


def find_car_lost(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Each time that was left out because the car turned faster than its path (`log_stretches.lost_car`)."""
    signals, found = rear.signals, []
    for note in signals.annotations:
        if note.code != LOST or note.start_s is None or note.end_s is None:
            continue
        if not signals.time_s[0] <= note.start_s <= signals.time_s[-1]:
            continue
        start, stop = np.searchsorted(signals.time_s, [note.start_s, note.end_s + 1e-9])
        began = start + int(LOST_BEFORE_S * signals.rate_hz)
        evidence = CarLost(
            phase=phase_at(corners, start, stop, sample=began),
            duration_s=note.end_s - note.start_s,
            yaw_rate_deg_s=float(np.degrees(np.abs(signals.yaw_rate_rad_s[start:stop]).max())),
            speed_m_s=float(signals.speed_m_s[start]),
            throttle=float(signals.throttle[start : began + 1].max()),
            stopped=bool((signals.speed_m_s[start:stop] < STOPS_M_S).any()),
        )
        sure = confidence(LOST_SURE)
        found.append(placed(evidence, signals, corners, start, stop, severity="caution", confidence=sure))
    return tuple(found)


def find_of_the_session(signals: Signals, trend: LockTrend | None, agreement: Agreement | None) -> tuple[Finding, ...]:
    """Fading or growing lock, and what the setup file gets wrong; each only where it is sure.

    Parameters
    ----------
    signals : of the whole session.
    trend, agreement : None where they were not worked out: nothing is found of them then.
    """
    start_s, end_s = float(signals.time_s[0]), float(signals.time_s[-1])
    found = []
    if trend is not None and trend.verdict in ("fading", "rising"):
        found += _trend(trend, start_s, end_s)
    if agreement is not None and agreement.diagnosis is not None:
        diagnosis = agreement.diagnosis
        if diagnosis.verdict != "cannot_tell" and "as_the_file_says" not in diagnosis.tied:
            found.append(_contradicted(diagnosis, start_s, end_s))
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


def _trend(trend: LockTrend, start_s: float, end_s: float) -> list[Finding]:
    """The one of a trend, none where its size is not known."""
    change = trend.relative_per_10_min
    if change.value is None or change.lower is None or change.upper is None:
        return []
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
    )
    severity = "act" if abs(change.value) * share >= ACT_SHARE else "caution"
    return [_whole(evidence, start_s, end_s, severity=severity, confidence=confidence(above(abs(change.value), sd)))]


def _contradicted(diagnosis: Diagnosis, start_s: float, end_s: float) -> Finding:
    best = diagnosis.explanations[0]
    evidence = SetupContradicted(
        explanations=diagnosis.tied,
        times_better_than_file=best.times_better,
        value=best.value,
        lower=best.lower,
        upper=best.upper,
        unit=best.unit,
        fits=best.fits,
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
    """What the packs of each pass held over the measured curve, where they slipped.

    Parameters
    ----------
    corners : passes that count; one with less than `LEAST_SAMPLES` slipping samples is left out.
    lock_curve : not the anchored one; only the range of torques where it is measured is compared.
    """
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


def _chance_of_one_mean(left: FloatArray, right: FloatArray, known_sd: float = 0.0) -> float:
    """Two-sided chance of means so far apart, of unlike variances (Welch, Biometrika 34, 1947), where their difference
    has a further error of the deviation `known_sd`."""
    parts = np.array([left.var(ddof=1) / len(left), right.var(ddof=1) / len(right), known_sd**2])
    freedom = parts.sum() ** 2 / (parts[:2] ** 2 / [len(left) - 1, len(right) - 1]).sum()
    return float(2 * stdtr(freedom, -abs(left.mean() - right.mean()) / np.sqrt(parts.sum())))


def find_asymmetry(parts: Sequence[Excess], *, start_s: float, end_s: float) -> tuple[Finding, ...]:
    """Locking torque of slipping packs in left against right corners, at the same input torque.

    Parameters
    ----------
    parts : of the session's stretches, left and right corner passes apart.
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
