"""Rear wheels past their grip: the inside one on power, one alone, both, and the inside one on the brakes."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.findings.counterfactual import Counterfactual, Judge, blamed
from analyzer.findings.events import (
    JOIN_S,
    MOST,
    PEAK_SLIP_RELATIVE_SD,
    above,
    confidence,
    events,
    lasting,
    phase_at,
    placed,
    stops_after,
)
from analyzer.findings.evidence import Blame, BothWheelSpin, InsideSpin, InsideWheelLocking, OneWheelSpin, OpenBecause
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S, RearAxle
from analyzer.phases.phases import Corner
from analyzer.signals.session import Signals

OPEN_THROTTLE = 0.15  # below this an engine mostly idles or drags: a wheel that slides then is not spun by power
LET_GO = 0.8  # hysteresis: a spin lasts until the wheel is back at 80 % of its peak slip
MOSTLY_ALONG = 0.7  # of the peak slip along the wheel: past it, at least half of the combined slip is the engine's
CLEAR_SIGMAS = 3.0  # the inside wheel must out-turn the outside by this many standard deviations
# a slide of this length costs tenths of a second on the next straight (common practice, no source)
ACT_DISTANCE_M = 3.0
LATELY_S = 0.5  # a car that was still swinging back so short a time before is not yet caught (common practice)
LOCKED_SLIP = -0.3  # slower than this a wheel is on its way to standing still, not back to its peak


def find_inside_wheel_spin(
    rear: RearAxle, corners: Sequence[Corner], judge: Judge | None = None
) -> tuple[Finding, ...]:
    """Inside rear past its slip at peak force and turning faster than the outside rear, which is not; throttle open.

    Parameters
    ----------
    judge : replays each spin to say whose it was; without one that is left open.

    Notes
    -----
    A locked axle cannot spin one wheel: its inside slip is high by geometry, but both wheels turn alike. So the inside
    wheel must turn *faster* than the outside one, by more than the noise; a large slip below the peak is no spin. The
    outside wheel counts as not spinning by its slip along the wheel: it may well slide sideways. Once begun, the event
    reaches over all samples around in which the wheel is near or past its peak.
    """
    begins, goes_on = inside_spins(rear)
    spins = events(begins=begins, goes_on=goes_on, rate_hz=rear.signals.rate_hz)
    judged = [None] * len(spins) if judge is None else judge.judged(spins)
    found = [_inside_spin(rear, corners, *spin, of) for spin, of in zip(spins, judged, strict=True)]
    return (*found, *_find_braked_spin(rear, corners, spins))


def _find_braked_spin(
    rear: RearAxle, corners: Sequence[Corner], told: Sequence[tuple[int, int]]
) -> tuple[Finding, ...]:
    """Inside rear that spins while the left foot is on the brake.

    Notes
    -----
    No braked wheel tells the ground speed, but the difference of the rear slips does not hang on it. The outside rear
    is braked as well, and on throttle hardly slips: a difference past the peak slip is a spin, and its size the least
    that the inside wheel slips.
    """
    signals = rear.signals
    beyond = rear.inside_slip - rear.outside_slip
    driven = rear.cornering & (signals.throttle > OPEN_THROTTLE) & (signals.braking | rear.axle.braked)
    driven &= (rear.over_speed_m_s > clear_margin_m_s(signals)) & np.isfinite(rear.peak_slip)
    found = []
    for start, stop in events(
        begins=driven & (beyond > rear.peak_slip),
        goes_on=driven & (beyond > LET_GO * rear.peak_slip),
        rate_hz=signals.rate_hz,
    ):
        if any(start < last and stop > first for first, last in told):
            continue
        use = beyond / rear.peak_slip
        found.append(_inside_spin(rear, corners, start, stop, None, slip=beyond, use=use, because=OpenBecause.BRAKED))
    return tuple(found)


def clear_margin_m_s(signals: Signals) -> float:
    """By how much one rear wheel's surface must out-turn the other's (m/s) to be faster beyond the noise of both.

    Notes
    -----
    `CLEAR_SIGMAS` standard deviations of the difference of two wheel speeds.
    """
    return float(CLEAR_SIGMAS * np.sqrt(2) * signals.wheel_speed_noise_m_s)


def inside_spins(rear: RearAxle) -> tuple[BoolArray, BoolArray]:
    """Where the inside rear spins on power beyond doubt, and where such a spin goes on, as `events` takes them.

    Returns
    -------
    tuple : (n,) bool twice; False where slips are not known.
    """
    signals, axle = rear.signals, rear.axle
    driven = rear.cornering & (signals.throttle > OPEN_THROTTLE) & ~signals.braking & ~axle.locked
    driven &= rear.inside_slip > rear.outside_slip
    # NaN compares False: what is not known is no spin
    along = np.isfinite(rear.peak_slip) & (rear.inside_slip > MOSTLY_ALONG * rear.peak_slip)
    begins = (
        driven
        & (rear.over_speed_m_s > clear_margin_m_s(signals))
        & along
        & (rear.inside_use > 1.0)
        & (rear.outside_slip < rear.peak_slip)
    )
    return begins, driven & (rear.inside_use > LET_GO)


def _inside_spin(
    rear: RearAxle,
    corners: Sequence[Corner],
    start: int,
    stop: int,
    judged: Counterfactual | None,
    *,
    slip: FloatArray | None = None,
    use: FloatArray | None = None,
    because: OpenBecause = OpenBecause.NOT_REPLAYED,
) -> Finding:
    """The finding of a spin; `slip` and `use` of the inside wheel (n,) where they are not the axle's, `because` what
    leaves it open where it is not judged."""
    signals, axle, window = rear.signals, rear.axle, slice(start, stop)
    slip = rear.inside_slip if slip is None else slip
    use = rear.inside_use if use is None else use
    sliding_m_s = np.fmax(slip[window] * signals.speed_m_s[window], 0.0)  # none where it is not known
    duration = (stop - start) / signals.rate_hz
    distance = float(sliding_m_s.sum() / signals.rate_hz)
    force = np.fmax(rear.inside_force_N[window], 0.0)
    peak_use = float(np.nanmax(use[window]))
    over = float(np.nanmax(rear.inside_slip[window] - rear.outside_slip[window]))
    evidence = InsideSpin(
        phase=phase_at(corners, start, stop),
        duration_s=duration,
        peak_slip=float(np.nanmax(slip[window])),
        peak_use=peak_use,
        outside_slip=_mean(rear.outside_slip[window]),
        outside_use=_mean(rear.outside_use[window]),
        sliding_distance_m=distance,
        energy_J=float((force * sliding_m_s).sum() / signals.rate_hz),
        throttle=float(signals.throttle[window].max()),
        speed_m_s=float(signals.speed_m_s[window].mean()),
        input_torque_Nm=_mean(axle.input_torque_Nm[window]),
        transfer_torque_Nm=_mean(rear.transfer_torque_Nm[window]),
        packs_slipping_fraction=float(np.mean(axle.slipping[window])),
        foot_or_car=Blame.OPEN,
    )
    sure = confidence(
        above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD),
        above(over, float(np.median(rear.slip_difference_sd[window]))),
        lasting(duration),
    )
    severity = "act" if distance >= ACT_DISTANCE_M else "caution"
    evidence = _with_cause(evidence, signals, stop, judged, because)
    return placed(evidence, signals, corners, start, stop, severity=severity, confidence=sure)


def _with_cause(
    evidence: InsideSpin,
    signals: Signals,
    stop: int,
    judged: Counterfactual | None,
    because: OpenBecause = OpenBecause.NOT_REPLAYED,
) -> InsideSpin:
    """`evidence` with what the counterfactual says; left open where the wheels of this log can blame nobody."""
    if not signals.sensors.slip_known:
        return replace(evidence, open_because=OpenBecause.SLIP_UNKNOWN)
    if stops_after(signals, stop):
        return replace(evidence, open_because=OpenBecause.STOPPED)
    if judged is None:
        return replace(evidence, open_because=because)
    return with_probability(
        replace(
            evidence,
            asked_share=judged.share,
            asked_share_lower=judged.lower,
            asked_share_upper=judged.upper,
            asked_force_N=judged.asked_N,
            locked_axle_force_N=judged.could_N,
            held_force_N=judged.held_N,
            held_by_file_N=judged.held_by_file_N,
            less_throttle=judged.less_throttle,
            lock_Nm=judged.lock_Nm,
            needed_lock_Nm=judged.needed_lock_Nm,
            engine_error_share=judged.engine_error_share,
            lost_force_N=judged.lost_force_N,
            lost_s=judged.lost_s,
            lost_m=judged.lost_m,
        ),
        judged.probability_car,
    )


def with_probability(evidence: InsideSpin, probability_car: float) -> InsideSpin:
    """`evidence` with the chance that the spin was the differential's, and the verdict that follows from it.

    Parameters
    ----------
    probability_car : 0 to 1; kept within 1 - `MOST` and `MOST`, for the model can be wrong too.
    """
    said = round(min(max(probability_car, 1 - MOST), MOST), 2)
    verdict = blamed(said)
    engine = (evidence.engine_error_share or 0.0) > 0.5
    near = OpenBecause.ENGINE if engine else OpenBecause.NEAR
    because = near if verdict is Blame.OPEN else None
    return replace(evidence, probability_car=said, foot_or_car=verdict, open_because=because)


def find_one_wheel_spin(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """One rear wheel past its slip at peak force along its own direction and faster than the other, which is not past
    it; throttle open, and the car not cornering as one that follows its steering.

    Notes
    -----
    `inside_wheel_spin` needs a lateral force and a yaw rate of one sign. Where a car swings back from a slide they are
    opposed, and on a straight there is neither; a wheel can spin all the same. A spin that an inside spin already tells
    is left to it.
    """
    signals, axle = rear.signals, rear.axle
    told = inside_spins(rear)[0]
    margin = clear_margin_m_s(signals)
    driven = signals.valid & ~signals.braking & ~axle.locked & (signals.throttle > OPEN_THROTTLE)
    driven &= (signals.speed_m_s > LEAST_SPEED_M_S) & np.isfinite(rear.peak_slip)
    faster_m_s = rear.car.rear_rolling_radius_m * axle.speed_difference_rad_s
    found = []
    for side, slip, other, use, faster in (
        ("left", axle.slip_left, axle.slip_right, axle.use_left, faster_m_s),
        ("right", axle.slip_right, axle.slip_left, axle.use_right, -faster_m_s),
    ):
        spins = driven & (faster > margin)
        for start, stop in events(
            begins=spins & ~rear.cornering & (use > 1.0) & (slip > rear.peak_slip) & (other < rear.peak_slip),
            goes_on=spins & (use > LET_GO) & (slip > LET_GO * rear.peak_slip),
            rate_hz=signals.rate_hz,
        ):
            near = round(JOIN_S * signals.rate_hz)
            if not told[max(start - near, 0) : stop + near].any():
                found.append(_one_wheel_spin(rear, corners, side, slip, other, use, start, stop))
    return tuple(found)


def _one_wheel_spin(
    rear: RearAxle,
    corners: Sequence[Corner],
    side: str,
    slip: FloatArray,
    other: FloatArray,
    use: FloatArray,
    start: int,
    stop: int,
) -> Finding:
    signals, window = rear.signals, slice(start, stop)
    duration = (stop - start) / signals.rate_hz
    distance = float(np.fmax(slip[window] * signals.speed_m_s[window], 0.0).sum() / signals.rate_hz)
    lately = slice(max(start - round(LATELY_S * signals.rate_hz), 0), stop)
    against = signals.lat_m_s2[lately] * np.sign(signals.yaw_rate_rad_s[lately]) < -LEAST_LATERAL_M_S2
    peak_use = float(np.nanmax(use[window]))
    evidence = OneWheelSpin(
        duration_s=duration,
        wheel=side,
        peak_slip=float(np.nanmax(slip[window])),
        peak_use=peak_use,
        sliding_distance_m=distance,
        throttle=float(signals.throttle[window].max()),
        speed_m_s=float(signals.speed_m_s[window].mean()),
        yaw_against_side_force=bool(against.any()),
    )
    sure = confidence(
        above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD),
        above(float(np.nanmax(slip[window] - other[window])), float(np.median(rear.slip_difference_sd[window]))),
        lasting(duration),
    )
    severity = "act" if distance >= ACT_DISTANCE_M else "caution"
    return placed(evidence, signals, corners, start, stop, severity=severity, confidence=sure)


def find_both_wheel_spin(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Both rear wheels past their slip at peak force with the throttle open, in a corner or on a straight.

    Notes
    -----
    A sideways slide alone also takes combined slip past the peak; so each wheel must be past the peak slip along its
    own direction.
    """
    signals, axle = rear.signals, rear.axle
    driven = signals.valid & ~signals.braking & (signals.throttle > OPEN_THROTTLE)
    driven &= (signals.speed_m_s > LEAST_SPEED_M_S) & np.isfinite(rear.peak_slip)
    least_slip = np.minimum(axle.slip_left, axle.slip_right)
    least_use = np.minimum(axle.use_left, axle.use_right)
    found = []
    for start, stop in events(
        begins=driven & (least_use > 1.0) & (least_slip > rear.peak_slip),
        goes_on=driven & (least_use > LET_GO) & (least_slip > LET_GO * rear.peak_slip),
        rate_hz=signals.rate_hz,
    ):
        window = slice(start, stop)
        duration = (stop - start) / signals.rate_hz
        peak_use = float(np.nanmax(least_use[window]))
        evidence = BothWheelSpin(
            phase=phase_at(corners, start, stop),
            duration_s=duration,
            peak_slip=float(np.nanmax(least_slip[window])),
            peak_use=peak_use,
            throttle=float(signals.throttle[window].max()),
            locked_fraction=float(np.mean(axle.locked[window])),
            stopped_after=stops_after(signals, stop),
        )
        sure = confidence(above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD), lasting(duration))
        found.append(placed(evidence, signals, corners, start, stop, severity="caution", confidence=sure))
    return tuple(found)


def find_inside_wheel_locking(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Inside rear braked past its slip at peak force while the outside rear is not, brakes on.

    Notes
    -----
    Under braking no wheel tells the ground speed, so the slips themselves are uncertain; their difference is not. The
    outside rear is braked too (slip below zero), so the inside slip is at least as deep as the difference: a difference
    past the peak slip proves it. Gentler cases go unreported rather than guessed.
    """
    signals = rear.signals
    deeper = rear.inside_slip - rear.outside_slip
    braked = rear.cornering & signals.braking & np.isfinite(rear.peak_slip)
    found = []
    for start, stop in events(
        begins=braked & (deeper < -rear.peak_slip),
        goes_on=braked & (deeper < -LET_GO * rear.peak_slip),
        rate_hz=signals.rate_hz,
    ):
        window = slice(start, stop)
        duration = (stop - start) / signals.rate_hz
        least = float(np.nanmin(deeper[window]))
        sd = float(np.median(rear.slip_difference_sd[window]))
        evidence = InsideWheelLocking(
            phase=phase_at(corners, start, stop),
            duration_s=duration,
            slip_difference=least,
            slip_difference_sd=sd,
            peak_slip_of_tyre=rear.peak_slip,
            speed_m_s=float(signals.speed_m_s[window].mean()),
        )
        sure = confidence(
            above(-least - rear.peak_slip, float(np.hypot(sd, PEAK_SLIP_RELATIVE_SD * rear.peak_slip))),
            lasting(duration),
        )
        severity = "act" if least < LOCKED_SLIP else "caution"
        found.append(placed(evidence, signals, corners, start, stop, severity=severity, confidence=sure))
    return tuple(found)


def _mean(values: FloatArray) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if len(finite) else None
