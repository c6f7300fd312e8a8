"""Power-on spin of both rear wheels."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import PEAK_SLIP_RELATIVE_SD, above, confidence, lasting
from analyzer.findings.events import corner_at, events, phase_at, place, stops_after
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_spin import LET_GO, OPEN_THROTTLE
from analyzer.findings.rear_axle import LEAST_SPEED_M_S, RearAxle
from analyzer.phases.segments import Corner


def find_both_wheel_spin(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Both rear wheels past their slip at peak force with the throttle open, in a corner or on a straight.

    Notes
    -----
    A sideways slide alone also takes combined slip past the peak; so each wheel must be past the peak slip along its
    own direction.
    """
    signals, axle = rear.signals, rear.axle
    driven = signals.valid & ~signals.braking & (signals.throttle > OPEN_THROTTLE)
    driven &= signals.speed_m_s > LEAST_SPEED_M_S
    least_slip = np.minimum(axle.slip_left, axle.slip_right)
    least_use = np.minimum(axle.use_left, axle.use_right)
    driven &= np.isfinite(rear.peak_slip)
    found = []
    for start, stop in events(
        begins=driven & (least_use > 1.0) & (least_slip > rear.peak_slip),
        goes_on=driven & (least_use > LET_GO) & (least_slip > LET_GO * rear.peak_slip),
        rate_hz=signals.rate_hz,
    ):
        window = slice(start, stop)
        corner = corner_at(corners, start, stop)
        duration = (stop - start) / signals.rate_hz
        locked = float(np.mean(axle.locked[window]))
        peak_use = float(np.nanmax(least_use[window]))
        why = (
            "the car stopped right after it, so what began it cannot be told"
            if stops_after(signals, stop)
            else "the axle was locked and took both tyres past their grip: too much throttle, or too much lock here"
            if locked > 0.5
            else "both tyres were past their grip: too much throttle"
        )
        found.append(
            Finding(
                kind="both_wheel_spin",
                lap=corner.lap if corner else None,
                corner=corner.number if corner else None,
                start_s=float(signals.time_s[start]),
                end_s=float(signals.time_s[stop - 1]),
                severity="caution",
                confidence=confidence(above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD), lasting(duration)),
                sentence=f"Both rear wheels spun {place(corner, float(signals.distance_m[start]))} for "
                f"{duration:.1f} s: {why}.",
                evidence={
                    "phase": phase_at(corner, (start + stop) // 2),
                    "duration_s": duration,
                    "peak_slip": float(np.nanmax(least_slip[window])),
                    "peak_use": peak_use,
                    "throttle": float(signals.throttle[window].max()),
                    "locked_fraction": locked,
                    "limit": "tyre",
                },
            )
        )
    return tuple(found)
