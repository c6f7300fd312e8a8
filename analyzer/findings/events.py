"""From samples to events: hysteresis, joining, dropping; where in the session an event was, and how sure it is."""

import math
from bisect import bisect_right
from collections.abc import Sequence
from itertools import takewhile

from analyzer.arrays import BoolArray
from analyzer.findings.evidence import Evidence
from analyzer.findings.finding import Finding
from analyzer.phases.phases import Corner
from analyzer.signals.log_stretches import STOPS_M_S, STOPS_WITHIN_S, runs
from analyzer.signals.session import Signals

JOIN_S = 0.25  # a wheel that grips for less than this between two slides is one slide to the driver
LEAST_S = 0.15  # shorter than this is a kerb or a bump, and about the response time of a racing tyre
MOST = 0.99  # the model behind every finding can be wrong too
SETTLING_S = 0.15  # an event of this length has had one tyre response time to show itself
# the slip at peak force is known to about this, fitted or not (common practice, no source)
PEAK_SLIP_RELATIVE_SD = 0.15


def events(
    *,
    begins: BoolArray,
    goes_on: BoolArray,
    rate_hz: float,
    join_s: float = JOIN_S,
    least_s: float = LEAST_S,
) -> list[tuple[int, int]]:
    """Events with hysteresis: runs of `goes_on` that hold at least one sample of `begins`.

    Parameters
    ----------
    begins, goes_on : (n,) bool; `begins` is the stricter one.
    rate_hz : sample rate (Hz).
    join_s : events closer than this are one (s).
    least_s : joined events shorter than this are dropped (s).
    """
    found: list[tuple[int, int]] = []
    for start, last in runs(goes_on | begins).tolist():
        stop = last + 1
        if not begins[start:stop].any():
            continue
        if found and (start - found[-1][1]) / rate_hz < join_s:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((start, stop))
    return [(start, stop) for start, stop in found if (stop - start) / rate_hz >= least_s]


def placed(
    evidence: Evidence,
    signals: Signals,
    corners: Sequence[Corner],
    start: int,
    stop: int,
    *,
    severity: str,
    confidence: float,
) -> Finding:
    """The finding over some samples, in the corner that holds most of them.

    Parameters
    ----------
    evidence : what happened, which also says of what kind it is.
    signals, corners : of the stretch; corners in order of time.
    start, stop : samples, stop excluded.
    severity : `act`, `caution` or `note`.
    confidence : that it happened at all, 0 to 1.
    """
    corner = corner_at(corners, start, stop)
    return Finding(
        evidence=evidence,
        lap=corner.lap if corner else None,
        corner=corner.number if corner else None,
        direction=corner.direction if corner else None,
        start_s=float(signals.time_s[start]),
        end_s=float(signals.time_s[stop - 1]),
        distance_m=float(signals.distance_m[start]),
        severity=severity,
        confidence=confidence,
    )


def stops_after(signals: Signals, sample: int) -> bool:
    """Whether the car came to a stop soon after a sample: who stops was likely lost, and its wheels blame nobody.

    Parameters
    ----------
    sample : where the event ended; a stop within `STOPS_WITHIN_S` of it counts.
    """
    soon = slice(sample, sample + round(STOPS_WITHIN_S * signals.rate_hz))
    return bool((signals.speed_m_s[soon] < STOPS_M_S).any())


def corner_at(corners: Sequence[Corner], start: int, stop: int) -> Corner | None:
    """The corner pass that shares most samples with some; None when none does.

    Parameters
    ----------
    corners : in order of time, without overlap.
    start, stop : samples, stop excluded.
    """
    first = bisect_right(corners, start, key=lambda c: c.stop)
    near = takewhile(lambda c: c.start < stop, corners[first:])
    return max(near, key=lambda c: min(c.stop, stop) - max(c.start, start), default=None)


def phase_at(corners: Sequence[Corner], start: int, stop: int, sample: int | None = None) -> str | None:
    """Name of the corner phase of an event; None outside of corners, and in a pass without a phase there.

    Parameters
    ----------
    corners : in order of time, without overlap.
    start, stop : samples of the event, stop excluded: they say which corner.
    sample : says which phase; the middle of the event if None.
    """
    corner, at = corner_at(corners, start, stop), (start + stop) // 2 if sample is None else sample
    return None if corner is None else next((p.name for p in corner.phases if p.start <= at < p.stop), None)


def above(excess: float, standard_deviation: float) -> float:
    """Probability that a quantity measured at `excess` over its threshold is really over it, normal errors.

    Parameters
    ----------
    excess, standard_deviation : in one unit; where either is not finite nothing is known, and the answer is 0.5.

    Notes
    -----
    Phi(excess / sd)
    """
    if not (math.isfinite(excess) and math.isfinite(standard_deviation)):
        return 0.5
    return 0.5 * (1 + math.erf(excess / (max(standard_deviation, 1e-12) * math.sqrt(2))))


def lasting(duration_s: float) -> float:
    """1 for a long event, towards 0 for one shorter than the tyre's response time.

    Notes
    -----
    1 - exp(-duration / `SETTLING_S`)
    """
    return 1 - math.exp(-max(duration_s, 0.0) / SETTLING_S)


def confidence(*probabilities: float) -> float:
    """Product of independent probabilities, rounded to the two digits it deserves; never quite certain."""
    return round(min(max(math.prod(probabilities), 0.0), MOST), 2)
