"""Power-on spin of one rear wheel where no inside wheel can be named: hardly cornering, or catching a slide."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import PEAK_SLIP_RELATIVE_SD, above, confidence, lasting
from analyzer.findings.events import JOIN_S, corner_at, events, place
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_spin import (
    ACT_DISTANCE_M,
    LET_GO,
    OPEN_THROTTLE,
    clear_margin_m_s,
    inside_spins,
)
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S, RearAxle
from analyzer.phases.segments import Corner

LATELY_S = (
    0.5  # a car that was still swinging back so short a time before is not yet caught (common practice, no source)
)


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
                found.append(_finding(rear, corners, side, slip, other, use, slice(start, stop)))
    return tuple(found)


def _finding(
    rear: RearAxle,
    corners: Sequence[Corner],
    side: str,
    slip: np.ndarray,
    other: np.ndarray,
    use: np.ndarray,
    window: slice,
) -> Finding:
    signals = rear.signals
    corner = corner_at(corners, window.start, window.stop)
    duration = (window.stop - window.start) / signals.rate_hz
    distance = float(np.fmax(slip[window] * signals.speed_m_s[window], 0.0).sum() / signals.rate_hz)
    throttle = float(signals.throttle[window].max())
    lately = slice(max(window.start - round(LATELY_S * signals.rate_hz), 0), window.stop)
    against = signals.lat_m_s2[lately] * np.sign(signals.yaw_rate_rad_s[lately]) < -LEAST_LATERAL_M_S2
    swings_back = bool(against.any())
    when = (
        "while the car was swinging back, its yaw against its side force: the throttle came before the car was caught"
        if swings_back
        else "with hardly any side force: it had less load or grip than the other one, and the differential let it go"
    )
    peak_use = float(np.nanmax(use[window]))
    return Finding(
        kind="one_wheel_spin",
        lap=corner.lap if corner else None,
        corner=corner.number if corner else None,
        start_s=float(signals.time_s[window.start]),
        end_s=float(signals.time_s[window.stop - 1]),
        severity="act" if distance >= ACT_DISTANCE_M else "caution",
        confidence=confidence(
            above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD),
            above(float(np.nanmax(slip[window] - other[window])), float(np.median(rear.slip_difference_sd[window]))),
            lasting(duration),
        ),
        sentence=f"The {side} rear spun alone {place(corner, float(signals.distance_m[window.start]))} for "
        f"{duration:.1f} s with up to {100 * throttle:.0f} % throttle and slid {distance:.1f} m, {when}.",
        evidence={
            "distance_m": float(signals.distance_m[window.start]),
            "duration_s": duration,
            "wheel": side,
            "peak_slip": float(np.nanmax(slip[window])),
            "peak_use": peak_use,
            "sliding_distance_m": distance,
            "throttle": throttle,
            "speed_m_s": float(signals.speed_m_s[window].mean()),
            "yaw_against_side_force": swings_back,
        },
    )
