"""The car was lost: it turned round about itself. What its wheels did then is no answer to "my foot or the car"."""

from collections.abc import Sequence

import numpy as np

from analyzer.findings.confidence import confidence
from analyzer.findings.events import corner_at, phase_at, place
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle
from analyzer.in_words import number
from analyzer.phases.segments import Corner
from analyzer.signals.lost_car import BEFORE_S, LOST, STOPS_M_S

SURE = 0.95  # 35 degrees of side slip and a stop, or a quarter turn: little else looks like that


def find_car_lost(rear: RearAxle, corners: Sequence[Corner]) -> tuple[Finding, ...]:
    """Each time that the calibration left out because the car turned faster than its path (`signals.lost_car`)."""
    signals, found = rear.signals, []
    for note in signals.annotations:
        if note.code != LOST or not signals.time_s[0] <= note.start_s <= signals.time_s[-1]:
            continue
        start, stop = np.searchsorted(signals.time_s, [note.start_s, note.end_s + 1e-9])
        turning = np.abs(signals.yaw_rate_rad_s[start:stop])
        began = start + int(BEFORE_S * signals.rate_hz)
        corner = corner_at(corners, start, stop)
        where = place(corner, float(signals.distance_m[start]))
        stops = bool((signals.speed_m_s[start:stop] < STOPS_M_S).any())
        most = float(np.degrees(turning.max()))
        found.append(
            Finding(
                kind="car_lost",
                lap=corner.lap if corner else None,
                corner=corner.number if corner else None,
                start_s=note.start_s,
                end_s=note.end_s,
                severity="caution",
                confidence=confidence(SURE),
                sentence=f"The car was lost {where}: it turned round at up to {number(most, -1)} degrees a second"
                f"{' and stopped' if stops else ''}. The wheels of a car that slides sideways do not say whether foot "
                "or car began it; look at the throttle and the steering just before.",
                evidence={
                    "phase": phase_at(corner, began),
                    "duration_s": note.end_s - note.start_s,
                    "yaw_rate_deg_s": most,
                    "speed_m_s": float(signals.speed_m_s[start]),
                    "throttle": float(signals.throttle[start : began + 1].max()),
                    "stopped": "yes" if stops else "no",
                },
            )
        )
    return tuple(found)
