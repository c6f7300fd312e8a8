"""Inside rear wheel that locks under braking."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import PEAK_SLIP_RELATIVE_SD, above, confidence, lasting
from analyzer.findings.events import corner_at, events, phase_at, place
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_spin import LET_GO, MOSTLY_ALONG
from analyzer.findings.rear_axle import rear_axle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner, Laps
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

LOCKED_SLIP = -0.3  # slower than this a wheel is on its way to standing still, not back to its peak


def find_inside_wheel_locking(
    signals: Signals, corners: Sequence[Corner], laps: Laps, axle: AxleState, lock_curve: LockCurveEstimate, car: Car
) -> tuple[Finding, ...]:
    """Inside rear braked past its slip at peak force while the outside rear is not, brakes on."""
    rear = rear_axle(signals, axle, car)
    braked = rear.cornering & signals.braking & (rear.inside_slip < rear.outside_slip)
    along = np.isfinite(rear.peak_slip) & (rear.inside_slip < -MOSTLY_ALONG * rear.peak_slip)
    found = []
    for start, stop in events(
        begins=braked & (rear.inside_use > 1.0) & (rear.outside_use < 1.0) & along,
        goes_on=braked & (rear.inside_use > LET_GO) & (rear.inside_slip < 0),
        rate_hz=signals.rate_hz,
    ):
        window = slice(start, stop)
        corner = corner_at(corners, start, stop)
        duration = (stop - start) / signals.rate_hz
        where = place(corner, float(signals.distance_m[start]))
        least = float(np.nanmin(rear.inside_slip[window]))
        what = "locked" if least < LOCKED_SLIP else "went past its grip"
        peak_use = float(np.nanmax(rear.inside_use[window]))
        found.append(
            Finding(
                kind="inside_wheel_locking",
                lap=corner.lap if corner else None,
                corner=corner.number if corner else None,
                start_s=float(signals.time_s[start]),
                end_s=float(signals.time_s[stop - 1]),
                severity="act" if least < LOCKED_SLIP else "caution",
                confidence=confidence(above(peak_use - 1.0, PEAK_SLIP_RELATIVE_SD), lasting(duration)),
                sentence=f"The inside rear {what} under braking in {where} for {duration:.1f} s (slip to "
                f"{100 * least:.0f} %): less rear brake, or more lock on coast, would hold it.",
                evidence={
                    "phase": phase_at(corner, (start + stop) // 2),
                    "duration_s": duration,
                    "least_slip": least,
                    "peak_use": peak_use,
                    "outside_slip": float(np.nanmean(rear.outside_slip[window])),
                    "speed_m_s": float(signals.speed_m_s[window].mean()),
                },
            )
        )
    return tuple(found)
