"""Power-on spin of the inside rear wheel."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import PEAK_SLIP_RELATIVE_SD, above, confidence, lasting
from analyzer.findings.events import corner_at, events, phase_at, place, stops_after
from analyzer.findings.finding import Finding
from analyzer.findings.grip import locked_drive_force_N
from analyzer.findings.rear_axle import RearAxle
from analyzer.in_words import number
from analyzer.phases.segments import Corner
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

OPEN_THROTTLE = 0.15  # below this an engine mostly idles or drags: a wheel that slides then is not spun by power
LET_GO = 0.8  # hysteresis: a spin lasts until the wheel is back at 80 % of its peak slip
MOSTLY_ALONG = 0.7  # of the peak slip along the wheel: past it, at least half of the combined slip is the engine's
CLEAR_SIGMAS = 3.0  # the inside wheel must out-turn the outside by this many standard deviations
# a slide of this length costs tenths of a second on the next straight (common practice, no source)
ACT_DISTANCE_M = 3.0
WORTH_HAVING = 0.05  # share of the axle's force that friction and load are not known better than


def find_inside_wheel_spin(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Inside rear past its slip at peak force and turning faster than the outside rear, which is not; throttle open.

    Notes
    -----
    A locked axle cannot spin one wheel: its inside slip is high by geometry, but both wheels turn alike. So the inside
    wheel must turn *faster* than the outside one, by more than the noise; a large slip below the peak is no spin. The
    outside wheel counts as not spinning by its slip along the wheel: it may well slide sideways, and then the tyre is
    the limit. Once begun, the event reaches over all samples around in which the wheel is near or past its peak.
    """
    signals, axle, car = rear.signals, rear.axle, rear.car
    begins, goes_on = inside_spins(rear)
    available = locked_drive_force_N(signals, axle, car)
    return tuple(
        _finding(signals, corners, axle, car, rear, available, start, stop)
        for start, stop in events(begins=begins, goes_on=goes_on, rate_hz=signals.rate_hz)
    )


def clear_margin_m_s(signals: Signals) -> float:
    """By how much one rear wheel's surface must out-turn the other's (m/s) to be faster beyond the noise of both."""
    return float(CLEAR_SIGMAS * np.sqrt(2) * signals.wheel_speed_noise_m_s)


def inside_spins(rear: RearAxle) -> tuple[np.ndarray, np.ndarray]:
    """(n,) bool twice: where the inside rear spins on power beyond doubt, and where such a spin goes on."""
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


def _finding(
    signals: Signals,
    corners: Sequence[Corner],
    axle: AxleState,
    car: Car,
    rear: RearAxle,
    available_N: np.ndarray,
    start: int,
    stop: int,
) -> Finding:
    window = slice(start, stop)
    corner = corner_at(corners, start, stop)
    sliding_m_s = np.fmax(rear.inside_slip[window] * signals.speed_m_s[window], 0.0)  # none where it is not known
    duration = (stop - start) / signals.rate_hz
    distance = float(sliding_m_s.sum() / signals.rate_hz)
    force = np.fmax(rear.inside_force_N[window], 0.0)
    energy = float((force * sliding_m_s).sum() / signals.rate_hz)
    put_down = axle.longitudinal_force_left_N[window] + axle.longitudinal_force_right_N[window]
    lost = _mean(np.maximum(available_N[window] - put_down, 0.0))
    # the torque that the engine asked the tyres to carry when the slide began
    asked = _mean(axle.input_torque_Nm[start : min(start + max(2, int(0.2 * signals.rate_hz)), stop)])
    asked_N = None if asked is None else asked / car.rear_rolling_radius_m
    could = _mean(available_N[window])
    packs_slip = float(np.mean(axle.slipping[window]))
    # the outside tyre must have had grip to take over, and the axle a force worth having
    outside_use = _mean(rear.outside_use[window])
    spare = lost is not None and could is not None and lost > WORTH_HAVING * could
    spare = spare and outside_use is not None and outside_use < 1.0
    limit = "lock_curve" if packs_slip > 0.5 and spare else "tyre"
    why = ""
    if not signals.slip_known:
        blame, lost, why = "cannot_tell", None, "the log does not tell how the tyres shared the drive"
    elif stops_after(signals, stop):
        blame, why = "cannot_tell", "the car stopped right after it"
    elif outside_use is None or asked_N is None or could is None or abs(outside_use - 1) < PEAK_SLIP_RELATIVE_SD:
        blame = "cannot_tell"  # the outside tyre was as near its peak as the peak is known
        why = "the outside tyre was near its own limit too"
    else:
        blame = "car" if limit == "lock_curve" and asked_N <= could else "foot"
    peak_slip, peak_use = float(np.nanmax(rear.inside_slip[window])), float(np.nanmax(rear.inside_use[window]))
    sure = confidence(
        above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD),
        above(
            float(np.nanmax(rear.inside_slip[window] - rear.outside_slip[window])),
            float(np.median(rear.slip_difference_sd[window])),
        ),
        lasting(duration),
    )
    throttle = float(signals.throttle[window].max())
    return Finding(
        kind="inside_wheel_spin",
        lap=corner.lap if corner else None,
        corner=corner.number if corner else None,
        start_s=float(signals.time_s[start]),
        end_s=float(signals.time_s[stop - 1]),
        severity="act" if distance >= ACT_DISTANCE_M else "caution",
        confidence=sure,
        sentence=_sentence(
            where=place(corner, float(signals.distance_m[start])),
            duration_s=duration,
            distance_m=distance,
            throttle=throttle,
            limit=limit,
            blame=blame,
            why=why,
            lost_N=lost,
        ),
        evidence={
            "phase": phase_at(corner, (start + stop) // 2),
            "distance_m": float(signals.distance_m[start]),
            "duration_s": duration,
            "peak_slip": peak_slip,
            "peak_use": peak_use,
            "outside_slip": _mean(rear.outside_slip[window]),
            "outside_use": outside_use,
            "sliding_distance_m": distance,
            "energy_J": energy,
            "throttle": throttle,
            "speed_m_s": float(signals.speed_m_s[window].mean()),
            "input_torque_Nm": _mean(axle.input_torque_Nm[window]),
            "transfer_torque_Nm": _mean(rear.transfer_torque_Nm[window]),
            "asked_force_N": asked_N,
            "locked_axle_force_N": could,
            "lost_force_N": lost,
            "packs_slipping_fraction": packs_slip,
            "limit": limit,
            "foot_or_car": blame,
        },
    )


def _sentence(
    *,
    where: str,
    duration_s: float,
    distance_m: float,
    throttle: float,
    limit: str,
    blame: str,
    why: str,
    lost_N: float | None,
) -> str:
    text = (
        f"The inside rear spun {where} for {duration_s:.1f} s with up to {100 * throttle:.0f} % throttle and slid "
        f"{distance_m:.1f} m"
    )
    if blame == "cannot_tell":
        return f"{text}: foot or car cannot be told, {why}."
    if blame == "car":
        cost = f" It cost up to {number(lost_N, -2)} N of drive." if lost_N is not None else ""
        return (
            f"{text}: it is the car, the differential let go although the axle as one piece could have held this.{cost}"
        )
    if limit == "lock_curve":
        return f"{text}: it is the foot first, this was more than the axle could hold even locked."
    return f"{text}: it is the foot, the outside tyre had nothing left to take over and more lock would not help."


def _mean(values: np.ndarray) -> float | None:
    finite = values[np.isfinite(values)]
    return float(finite.mean()) if len(finite) else None
