"""Inside rear wheel that locks under braking."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import PEAK_SLIP_RELATIVE_SD, above, confidence, lasting
from analyzer.findings.events import corner_at, events, phase_at, place
from analyzer.findings.finding import Finding
from analyzer.findings.inside_wheel_spin import LET_GO
from analyzer.findings.rear_axle import RearAxle
from analyzer.phases.segments import Corner

LOCKED_SLIP = -0.3  # slower than this a wheel is on its way to standing still, not back to its peak


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
        corner = corner_at(corners, start, stop)
        duration = (stop - start) / signals.rate_hz
        where = place(corner, float(signals.distance_m[start]))
        least = float(np.nanmin(deeper[window]))
        what = "locked" if least < LOCKED_SLIP else "went past its grip"
        sd = float(np.median(rear.slip_difference_sd[window]))
        found.append(
            Finding(
                kind="inside_wheel_locking",
                lap=corner.lap if corner else None,
                corner=corner.number if corner else None,
                start_s=float(signals.time_s[start]),
                end_s=float(signals.time_s[stop - 1]),
                severity="act" if least < LOCKED_SLIP else "caution",
                confidence=confidence(
                    above(-least - rear.peak_slip, float(np.hypot(sd, PEAK_SLIP_RELATIVE_SD * rear.peak_slip))),
                    lasting(duration),
                ),
                sentence=f"The inside rear {what} under braking {where} for {duration:.1f} s (at least "
                f"{-100 * least:.0f} % slip): less rear brake, or more lock on coast, would hold it.",
                evidence={
                    "phase": phase_at(corner, (start + stop) // 2),
                    "duration_s": duration,
                    "slip_difference": least,
                    "slip_difference_sd": sd,
                    "peak_slip_of_tyre": rear.peak_slip,
                    "speed_m_s": float(signals.speed_m_s[window].mean()),
                },
            )
        )
    return tuple(found)
