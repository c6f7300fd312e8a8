"""From samples to events: hysteresis, joining, dropping, and where in the session an event was."""

from bisect import bisect_right
from collections.abc import Sequence
from itertools import takewhile

import numpy as np

from analyzer.phases.segments import Corner
from analyzer.signals.lost_car import STOPS_M_S, STOPS_WITHIN_S
from analyzer.signals.session import Signals

JOIN_S = 0.25  # a wheel that grips for less than this between two slides is one slide to the driver
LEAST_S = 0.15  # shorter than this is a kerb or a bump, and about the response time of a racing tyre


def runs(mask: np.ndarray) -> list[tuple[int, int]]:
    """(start, stop) of the runs of True in `mask` (n,), stop excluded."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(mask, dtype=np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def events(
    *,
    begins: np.ndarray,
    goes_on: np.ndarray,
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
    for start, stop in runs(goes_on | begins):
        if not begins[start:stop].any():
            continue
        if found and (start - found[-1][1]) / rate_hz < join_s:
            found[-1] = (found[-1][0], stop)
        else:
            found.append((start, stop))
    return [(start, stop) for start, stop in found if (stop - start) / rate_hz >= least_s]


def stops_after(signals: Signals, sample: int) -> bool:
    """Whether the car came to a stop soon after `sample`: who stops was likely lost, and its wheels blame nobody."""
    soon = slice(sample, sample + round(STOPS_WITHIN_S * signals.rate_hz))
    return bool((signals.speed_m_s[soon] < STOPS_M_S).any())


def corner_at(corners: Sequence[Corner], start: int, stop: int) -> Corner | None:
    """The corner pass that shares most samples with start..stop, None when none does; corners in order of time."""
    first = bisect_right(corners, start, key=lambda c: c.stop)
    near = takewhile(lambda c: c.start < stop, corners[first:])
    return max(near, key=lambda c: min(c.stop, stop) - max(c.start, start), default=None)


def phase_at(corner: Corner | None, sample: int) -> str | None:
    """Name of the corner phase that holds `sample`."""
    if corner is None:
        return None
    return next((p.name for p in corner.phases if p.start <= sample < p.stop), None)


def place(corner: Corner | None, distance_m: float) -> str:
    """Where, in words: the corner and lap, or the distance along the log."""
    if corner is None:
        return f"{distance_m:.0f} m into the log"
    lap = f"lap {corner.lap}" if corner.lap else "outside the whole laps"
    return f"in corner {corner.number} ({corner.direction}), {lap}"
