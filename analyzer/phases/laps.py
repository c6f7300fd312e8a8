"""Laps of a session: from the lap counter, from returns to one place, or from the road repeating itself."""

from itertools import pairwise

import numpy as np

from analyzer import windows
from analyzer.arrays import FloatArray
from analyzer.phases.phases import Laps
from analyzer.signals.session import Signals
from analyzer.signals.timebase import transform_length

_SHORTEST_LAP_M = 300.0
_AT_ONCE = 1_000_000  # samples
_STANDING_M_S = 3.0  # below it a yaw rate is gyro bias or parking, not road
_CUT_SHARE = 0.01  # of a lap: a log cut at the line ends this close to it
_GATE_STEP_M = 5.0
_GATE_HALF_WIDTH_M = 20.0  # a track's width and the error of a satellite position
_GATES_TRIED = 60
_ROAD_STEP_M = 2.0
_ROAD_BLUR_M = 10.0  # driven lines differ by this much from lap to lap
_LEAST_SIMILARITY = 0.6
_LEAST_SIMILARITY_OF_PART = 0.8
_AS_GOOD = 0.8  # a repeat this good beside the best is a lap; the best may be several laps
_LEAST_TURN_RAD = 3.0  # in the stretch that repeats; less could be one corner like another
_ONE_SIDED_SHARE = 0.85
_CIRCLE_SHARE = 0.9  # mean over root mean square of the curvature: 1 of a circle, 0.71 of an oval that is half straight


def find_laps(signals: Signals) -> Laps:
    """Laps, from the surest source that gives at least one whole lap.

    Parameters
    ----------
    signals : the session, n samples.

    Returns
    -------
    Laps. `method` says where they came from:
        `lap_channel`: between two steps up of the logged counter;
        `position`: between two crossings of a gate across the path, when the path is from logged positions;
        `recurrence`: the curvature of the road (yaw angle and lateral acceleration per metre) repeats. The lap length
        is the lag of the first high peak of its autocorrelation over distance (on an oval: the first at which the
        car has turned by whole revolutions);
        `none`: no whole lap was found (one lap or less, or not a circuit): the whole log is lap 1. A car that went
        nowhere has no laps at all.

    Notes
    -----
    Where the log does not say where the start line is, it is put where the most whole laps fit, then where the car
    is fastest (`position`) or straightest (`recurrence`). A log that begins or ends within 1 % of a lap of the line
    was cut there: that lap is whole. What lies outside whole laps has number 0. A circle driven for a test is no lap.
    The dead-reckoned path is not used: its heading drifts with the yaw bias, the curvature over distance does not.
    """
    count = len(signals.time_s)
    if count < 2 or np.ptp(signals.distance_m) < _SHORTEST_LAP_M / 10:
        return Laps(number=np.zeros(count, np.int32), bounds=(), method="none", length_m=None)
    for method, finder in (
        ("lap_channel", _from_counter),
        ("position", _from_position),
        ("recurrence", _from_recurrence),
    ):
        bounds = finder(signals)
        if bounds and not (method != "lap_channel" and _is_circle(signals, bounds)):
            number = np.zeros(count, np.int32)
            for lap, (start, stop) in enumerate(bounds, 1):
                number[start:stop] = lap
            return Laps(number=number, bounds=bounds, method=method, length_m=_median_length_m(signals, bounds))
    return Laps(number=np.ones(count, np.int32), bounds=((0, count),), method="none", length_m=None)


def _is_circle(signals: Signals, bounds: tuple[tuple[int, int], ...]) -> bool:
    """Whether the laps are rounds of one circle: their curvature hardly varies along the way."""
    shares = []
    for start, stop in bounds:
        speed = np.maximum(signals.speed_m_s[start:stop], _STANDING_M_S)
        curvature = signals.yaw_rate_rad_s[start:stop] / speed
        mean, square = (np.average(x, weights=speed) for x in (curvature, curvature**2))
        shares.append(abs(mean) / np.sqrt(square) if square > 0 else 0.0)
    return float(np.median(shares)) > _CIRCLE_SHARE


def _median_length_m(signals: Signals, bounds: tuple[tuple[int, int], ...]) -> float:
    last = len(signals.distance_m) - 1
    return float(np.median([signals.distance_m[min(b, last)] - signals.distance_m[a] for a, b in bounds]))


def _from_counter(signals: Signals) -> tuple[tuple[int, int], ...]:
    """Stretches between two consecutive steps up of the lap counter; a counter set back starts anew."""
    if signals.lap_channel is None:
        return ()
    changes = _changes(signals.lap_channel)
    laps = [(a, b) for (a, up), (b, again) in pairwise(changes) if up > 0 and again > 0]
    return _of_similar_length(signals.distance_m, laps, spread=0.5)


def _changes(counter: FloatArray) -> list[tuple[int, float]]:
    """Samples at which a counter with gaps changes, and by how much; a stretch at a time, to take little memory."""
    found: list[tuple[int, float]] = []
    last = np.nan
    for start in range(0, len(counter), _AT_ONCE):
        part = counter[start : start + _AT_ONCE]
        rows = np.flatnonzero(np.isfinite(part))
        if not len(rows):
            continue
        values = np.round(part[rows])
        step = np.diff(values, prepend=last if np.isfinite(last) else values[0])
        found += [(start + int(rows[k]), float(step[k])) for k in np.flatnonzero(step)]
        last = values[-1]
    return found


def _of_similar_length(
    distance_m: FloatArray, laps: list[tuple[int, int]], *, spread: float
) -> tuple[tuple[int, int], ...]:
    """The laps whose length is within `spread` of the median length, and the log's ends where they are one lap."""
    if not laps:
        return ()
    middle = float(np.median([distance_m[b] - distance_m[a] for a, b in laps]))
    last = len(distance_m) - 1

    def near(a: int, b: int, share: float) -> bool:
        return b > a and abs(distance_m[b] - distance_m[a] - middle) <= share * middle

    kept = [(int(a), int(b)) for a, b in laps if near(a, b, spread)]
    if middle < 0.5 * _SHORTEST_LAP_M or not kept:
        return ()
    head = [(0, int(laps[0][0]))] if near(0, laps[0][0], _CUT_SHARE) else []
    tail = [(int(laps[-1][1]), last + 1)] if near(laps[-1][1], last, _CUT_SHARE) else []
    return (*head, *kept, *tail)


def _from_position(signals: Signals) -> tuple[tuple[int, int], ...]:
    """Stretches between crossings of a gate across the path, the same way each time."""
    if signals.position_source != "position":
        return ()
    distance = np.maximum.accumulate(signals.distance_m)
    at = np.searchsorted(distance, np.arange(distance[0], distance[-1], _GATE_STEP_M))
    if len(at) < 5:
        return ()
    place = signals.x_m[at] + 1j * signals.y_m[at]
    heading = place[np.minimum(np.arange(len(at)) + 2, len(at) - 1)] - place[np.maximum(np.arange(len(at)) - 2, 0)]
    heading = heading / np.maximum(np.abs(heading), 1e-9)
    best: tuple[tuple[int, int], ...] = ()
    best_rank = (0, 0.0)
    for gate in np.unique(np.linspace(1, len(at) - 2, _GATES_TRIED).astype(int)):
        seen = (place - place[gate]) * np.conj(heading[gate])
        same_way = (heading * np.conj(heading[gate])).real > 0.7
        through = (seen.real[:-1] < 0) & (seen.real[1:] >= 0) & (np.abs(seen.imag[1:]) < _GATE_HALF_WIDTH_M)
        crossings = []
        for k in np.flatnonzero(through & same_way[1:]):
            near = slice(at[k], at[k + 1] + 1)
            here = (signals.x_m[near] + 1j * signals.y_m[near] - place[gate]) * np.conj(heading[gate])
            crossings.append(int(at[k] + np.argmax(here.real >= 0)))
        laps = _of_similar_length(distance, list(pairwise(crossings)), spread=0.1)
        if laps:
            rank = (len(laps), float(np.mean(signals.speed_m_s[[a for a, _ in laps]])))
            if rank > best_rank:
                best, best_rank = laps, rank
    return best


def _from_recurrence(signals: Signals) -> tuple[tuple[int, int], ...]:
    """Stretches after which the curvature of the road repeats."""
    distance = np.maximum.accumulate(signals.distance_m - signals.distance_m[0])
    rolling_yaw = np.where(signals.speed_m_s > _STANDING_M_S, signals.yaw_rate_rad_s, 0.0)
    heading = _summed(rolling_yaw) / signals.rate_hz
    at = np.arange(0, distance[-1], _ROAD_STEP_M)
    road_heading = np.interp(at, distance, heading)
    if len(road_heading) * _ROAD_STEP_M < 1.25 * _SHORTEST_LAP_M:
        return ()
    # Two witnesses of the road's curvature: a locked front wheel spoils a yaw rate made from wheel speeds, a bump or
    # a bank the lateral acceleration.
    turning = np.where(signals.speed_m_s > _STANDING_M_S, signals.lat_m_s2 / np.maximum(signals.speed_m_s, 1.0), 0.0)
    bent = _summed(turning) / signals.rate_hz
    curvature = np.gradient(0.5 * (road_heading + np.interp(at, distance, bent)), _ROAD_STEP_M)
    curvature = windows.gaussian(curvature, _ROAD_BLUR_M / _ROAD_STEP_M, mirrored=True)
    lap = _lap_length(curvature, road_heading)
    if lap is None:
        return ()
    lines = _aligned_lines(curvature, lap)
    samples = [None if line is None else int(np.searchsorted(distance, line * _ROAD_STEP_M)) for line in lines]
    return tuple((a, b) for a, b in pairwise(samples) if a is not None and b is not None)


def _summed(values: FloatArray) -> FloatArray:
    """(n,) integral over the samples, by trapezia, from 0."""
    return np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2)])


def _lap_length(curvature: FloatArray, road_heading: FloatArray) -> int | None:
    """Lap length in road steps, or None when the road does not repeat.

    Notes
    -----
    Similarity at lag L is 2 sum(c(s) c(s+L)) / (sum c(s)^2 + sum c(s+L)^2), 1 for a perfect repeat. Half an oval is
    like the other half: a road that turns to one side only must turn by whole revolutions to be a lap. A road with
    turns to both sides is taken at its repeat, whatever a yaw bias adds to its heading.
    """
    count = len(curvature)
    length = transform_length(2 * count)
    product = np.fft.irfft(np.abs(np.fft.rfft(curvature, length)) ** 2, length)[:count]
    energy = np.concatenate([[0.0], np.cumsum(curvature**2)])
    lags = np.arange(count)
    both = energy[count - lags] + energy[-1] - energy[lags]
    similarity = 2 * product / np.maximum(both, 1e-12)
    inner = similarity[1:-1]
    rises, falls = inner > similarity[:-2], inner >= similarity[2:]
    peaks = 1 + np.flatnonzero(rises & falls & (inner >= _LEAST_SIMILARITY))
    turned = np.cumsum(np.abs(curvature)) * _ROAD_STEP_M
    one_sided = abs(np.sum(curvature)) * _ROAD_STEP_M > _ONE_SIDED_SHARE * turned[-1]
    good = []
    for lag in peaks:
        repeated = count - lag
        revolutions = np.median(road_heading[lag:] - road_heading[:repeated]) / (2 * np.pi)
        closes = abs(revolutions - np.round(revolutions)) < 0.12 and abs(revolutions) > 0.5
        # One corner looks like another: a repeat of less than a lap must be long, winding and close.
        enough = repeated >= lag or (repeated >= 0.25 * lag and similarity[lag] >= _LEAST_SIMILARITY_OF_PART)
        if enough and turned[repeated - 1] > _LEAST_TURN_RAD and (closes or not one_sided):
            good.append(lag)
    if not good:
        return None
    best = max(similarity[lag] for lag in good)
    lap = int(next(lag for lag in good if similarity[lag] >= _AS_GOOD * best))
    # What repeats sooner than any circuit is a slalom, not laps.
    return lap if lap * _ROAD_STEP_M >= _SHORTEST_LAP_M else None


def _aligned_lines(curvature: FloatArray, lap: int) -> list[float | None]:
    """Road steps at which the car passes the start line; None where the road there did not match.

    The line is set in the middle lap, which is surely driven on the circuit, and found again forward and back.
    """
    count, trimmed = len(curvature), int(_CUT_SHARE * lap)
    whole = (count + trimmed) // lap
    free = max(0, count - whole * lap)
    straight = windows.mean(np.abs(curvature), max(3, int(100 / _ROAD_STEP_M)), mirrored=True)
    bend = np.sum([straight[k * lap : k * lap + free + 1][: free + 1] for k in range(whole)], axis=0)
    line = int(np.argmin(bend)) + whole // 2 * lap
    back = _walk(curvature, line, -lap, trimmed)
    return [*reversed(back), float(line), *_walk(curvature, line, lap, trimmed)]


def _walk(curvature: FloatArray, line: int, lap: int, trimmed: int) -> list[float | None]:
    """Places like the one at `line`, each about `lap` (signed) steps from the last."""
    count = len(curvature)
    reach, slack = abs(lap) // 4, max(10, abs(lap) // 25)
    found: list[float | None] = []
    expected = line + lap
    while -trimmed <= expected <= count + trimmed:
        before = min(reach, line, expected - slack)
        after = min(reach, count - line, count - expected - slack)
        place: float | None = float(expected)
        if before + after >= abs(lap) // 8:
            offset = _best_match(
                curvature[line - before : line + after],
                curvature[expected - slack - before : expected + slack + after],
            )
            place = None if offset is None else expected - slack + offset
        found.append(None if place is None else min(max(place, 0.0), float(count)))
        expected = (expected if place is None else round(place)) + lap
    return found


def _best_match(pattern: FloatArray, inside: FloatArray) -> float | None:
    """Offset in `inside` at which `pattern` fits best, to a fraction of a step; None when it fits nowhere."""
    laid = np.lib.stride_tricks.sliding_window_view(inside, len(pattern))
    scale = np.sum(laid**2, axis=1) + np.sum(pattern**2)
    fit = 2 * laid @ pattern / np.maximum(scale, 1e-12)
    best = int(np.argmax(fit))
    if fit[best] < _LEAST_SIMILARITY:
        return None
    if 0 < best < len(fit) - 1:
        left, mid, right = (float(v) for v in fit[best - 1 : best + 2])
        if left - 2 * mid + right < 0:
            return best + 0.5 * (left - right) / (left - 2 * mid + right)
    return float(best)
