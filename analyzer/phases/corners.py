"""Corners of a session: where the car turned, each pass with its phases, numbered alike in every lap."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.phases.phases import Corner, Laps, blurred, mostly, split_phases, traces
from analyzer.signals.session import Signals

_LEAST_LATERAL_M_S2 = 2.5  # below it a road bends and a car changes lane
_SHARE_OF_HARDEST = 0.30  # of the lap's hardest cornering: less is a bend taken flat; common practice, no source
_OFF_SHARE = 0.5  # of the level that starts a corner
_SLOWEST_M_S = 3.0
_SHORTEST_S = 0.5
_LEAST_TURN_RAD = 0.15  # 9 degrees: a lane change turns back by as much
_GAP_S = 0.6  # shorter relief between two turns to the same side: one corner
_BRAKE_LEAD_S = 1.0  # from brakes off to turn-in
_LONGEST_BRAKING_S = 8.0
_LONGEST_EXIT_S = 3.0
_FULL_THROTTLE = 0.95  # pedals that are not set to their stop end within some per cent of it
_SAME_PLACE_M = 40.0
_SAME_PLACE_SHARE = 0.02  # of the lap


@dataclass(frozen=True)
class _Turn:
    """A stretch of lateral acceleration to one side (1 left, -1 right) and the sample half-way round it."""

    side: int
    start: int
    stop: int
    apex: int
    middle: int


@dataclass(frozen=True)
class Pass:
    """A pass through a corner, not numbered yet, and the sample half-way round it."""

    corner: Corner
    middle: int

    def moved(self, by: int) -> "Pass":
        """The same pass, its samples counted from `by` samples earlier."""
        return Pass(self.corner.moved(by), self.middle + by)


def find_corners(signals: Signals, laps: Laps) -> tuple[Corner, ...]:
    """Every pass through a corner, in time order.

    Parameters
    ----------
    signals : the session.
    laps : its laps.

    Returns
    -------
    Corners, () when the car did not corner. A pass goes from the start of the braking zone to where the throttle is
    wide open and lateral acceleration gone, without overlapping its neighbours.

    Notes
    -----
    A turn starts above the larger of 2.5 m/s2 and 30 % of the session's hardest cornering (98th percentile) and ends
    below half of it; the heading must change by 0.15 rad. Common practice, no source.
    Passes at the same distance into a lap and to the same side have the same number. A corner that only one of three
    or more laps has is numbered after all others, so that one swerve does not renumber the track.
    """
    return numbered(find_passes(signals), signals, laps)


def find_passes(signals: Signals) -> tuple[Pass, ...]:
    """The passes of `find_corners`, without laps and numbers (0): what a stretch of a session tells by itself."""
    filtered = traces(signals)
    turns = _turns(signals, filtered.lateral_m_s2)
    spans = _spans(signals, filtered.lateral_m_s2, turns) if turns else []
    return tuple(
        Pass(
            Corner(
                lap=0,
                number=0,
                direction="left" if turn.side > 0 else "right",
                start=start,
                stop=stop,
                apex=turn.apex,
                phases=split_phases(filtered, signals.rate_hz, start, stop, turn.apex),
            ),
            turn.middle,
        )
        for turn, (start, stop) in zip(turns, spans, strict=True)
    )


def numbered(passes: Sequence[Pass], signals: Signals, laps: Laps) -> tuple[Corner, ...]:
    """Corners with lap and number, from the passes of a whole session in time order.

    Parameters
    ----------
    passes : of all stretches, moved to the session's own samples.
    signals : of them only the distance is read.
    laps : without laps each pass is a corner of its own, numbered from 1.

    Returns
    -------
    tuple : one corner for each pass, in the order of `passes`.
    """
    numbers = _numbers(signals, laps, passes)
    return tuple(
        replace(p.corner, lap=int(laps.number[p.middle]), number=number)
        for p, number in zip(passes, numbers, strict=True)
    )


def _turns(signals: Signals, lateral_m_s2: FloatArray) -> list[_Turn]:
    rate = signals.rate_hz
    rolling = signals.valid & (signals.speed_m_s > _SLOWEST_M_S)
    if not rolling.any():
        return []
    lateral = np.where(rolling, lateral_m_s2, 0.0)
    on = max(_LEAST_LATERAL_M_S2, _SHARE_OF_HARDEST * float(np.percentile(np.abs(lateral[rolling]), 98)))
    heading = np.cumsum(np.where(rolling, signals.yaw_rate_rad_s, 0.0)) / rate
    runs = sorted(
        (start, stop, side) for side in (1, -1) for start, stop in _hysteresis(side * lateral, on, _OFF_SHARE * on)
    )
    turns = []
    for start, stop, side in _joined(runs, round(_GAP_S * rate)):
        turned = side * (heading[stop - 1] - heading[start])
        if stop - start < _SHORTEST_S * rate or turned < _LEAST_TURN_RAD:
            continue
        half = side * (heading[start:stop] - heading[start]) >= 0.5 * turned
        apex = start + int(np.argmax(side * lateral[start:stop]))
        turns.append(_Turn(side=side, start=start, stop=stop, apex=apex, middle=start + int(np.argmax(half))))
    return turns


def _hysteresis(values: FloatArray, on: float, off: float) -> list[tuple[int, int]]:
    """Ranges above `off` that reach `on`."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], (values > off).astype(np.int8), [0]])))
    ranges = edges.reshape(-1, 2)
    return [(int(a), int(b)) for a, b in ranges if values[a:b].max() > on]


def _joined(runs: list[tuple[int, int, int]], gap: int) -> list[tuple[int, int, int]]:
    """Runs to the same side less than `gap` samples apart made one."""
    joined: list[tuple[int, int, int]] = []
    for start, stop, side in runs:
        if joined and joined[-1][2] == side and start - joined[-1][1] < gap:
            joined[-1] = (joined[-1][0], stop, side)
        else:
            joined.append((start, stop, side))
    return joined


def _spans(signals: Signals, lateral_m_s2: FloatArray, turns: list[_Turn]) -> list[tuple[int, int]]:
    """Sample range of each pass: back over the braking zone, on to the end of the exit."""
    rate, count = signals.rate_hz, len(signals.time_s)
    valid = mostly(signals.valid, rate, 0.1)
    brakes = mostly(signals.braking, rate, 0.1) & valid
    throttle = blurred(signals.throttle, rate, 0.1)
    lateral = np.abs(lateral_m_s2)
    starts = []
    for k, turn in enumerate(turns):
        earliest = max(turns[k - 1].stop if k else 0, turn.start - round(_LONGEST_BRAKING_S * rate))
        starts.append(_braking_start(brakes, earliest, turn.start, round(_BRAKE_LEAD_S * rate)))
    spans = []
    for k, turn in enumerate(turns):
        latest = min(starts[k + 1] if k + 1 < len(turns) else count, turn.stop + round(_LONGEST_EXIT_S * rate))
        after = slice(turn.stop, latest)
        gone = (throttle[after] >= _FULL_THROTTLE) & (lateral[after] < 0.5 * _OFF_SHARE * _LEAST_LATERAL_M_S2)
        # The exit also ends when the driver brakes or lifts, or in a gap: what follows is not this corner's.
        opened = np.maximum.accumulate(throttle[after]) if latest > turn.stop else throttle[after]
        lifted = (throttle[after] < opened - 0.2) | (throttle[after] < 0.1)
        ended = np.flatnonzero(gone | brakes[after] | lifted | ~valid[after])
        spans.append((starts[k], turn.stop + int(ended[0]) if len(ended) else max(latest, turn.stop)))
    return spans


def _braking_start(brakes: BoolArray, earliest: int, turn_in: int, lead: int) -> int:
    """First sample of the braking that leads into the turn; `turn_in` when there was none."""
    held = np.flatnonzero(brakes[earliest:turn_in])
    if not len(held) or turn_in - (earliest + held[-1]) > lead:
        return turn_in
    # A second of released brakes separates this braking zone from an earlier one.
    breaks = np.flatnonzero(np.diff(held) > lead)
    return earliest + int(held[breaks[-1] + 1] if len(breaks) else held[0])


def _numbers(signals: Signals, laps: Laps, passes: Sequence[Pass]) -> list[int]:
    """Corner number of each pass."""
    if laps.length_m is None:
        return list(range(1, len(passes) + 1))
    rounds, places = _places(signals, laps, passes)
    same = max(_SAME_PLACE_M, _SAME_PLACE_SHARE * laps.length_m)
    centres: list[float] = []  # distance into the lap of each corner known so far: the mean over its passes
    firsts: list[float] = []  # of its first pass, and the sum of how far the others are from that
    apart_m: list[float] = []
    sides: list[str] = []
    members: list[list[int]] = []  # its passes
    by_round: dict[int, list[int]] = {}
    for k, lap_round in enumerate(rounds):
        by_round.setdefault(lap_round, []).append(k)
    # The fullest round first: it names most corners; the others are matched to it, nearest pairs first.
    for _, group in sorted(by_round.items(), key=lambda item: (-len(item[1]), item[0])):
        pairs = sorted(
            (abs(_around(places[k] - centres[c], laps.length_m)), k, c)
            for k in group
            for c in range(len(centres))
            if sides[c] == passes[k].corner.direction
        )
        taken: dict[int, int] = {}
        for apart, k, c in pairs:
            if apart <= same and k not in taken and c not in taken.values():
                taken[k] = c
        for k in group:
            if k in taken:
                c = taken[k]
                members[c].append(k)
                apart_m[c] += _around(places[k] - firsts[c], laps.length_m)
                centres[c] = (firsts[c] + apart_m[c] / len(members[c])) % laps.length_m
            else:
                centres.append(places[k])
                firsts.append(places[k])
                apart_m.append(0.0)
                sides.append(passes[k].corner.direction)
                members.append([k])
    rare = [len(laps.bounds) >= 3 and len(ks) == 1 for ks in members]
    order = sorted(range(len(centres)), key=lambda c: (rare[c], centres[c]))
    numbers = [0] * len(passes)
    for number, c in enumerate(order, 1):
        for k in members[c]:
            numbers[k] = number
    return numbers


def _around(difference_m: float, length_m: float) -> float:
    """A difference of distances into the lap, taken the short way round."""
    return (difference_m + 0.5 * length_m) % length_m - 0.5 * length_m


def _places(signals: Signals, laps: Laps, passes: Sequence[Pass]) -> tuple[list[int], list[float]]:
    """Round of the circuit that each pass belongs to, and its distance into the lap (m), scaled to the median lap.

    Outside whole laps distance counts on from the end of the lap before, or back from the start of the first.
    """
    last = len(signals.distance_m) - 1
    length = laps.length_m
    rounds, places = [], []
    for one in passes:
        at = signals.distance_m[one.middle]
        lap = int(laps.number[one.middle])
        if lap:
            start, stop = (signals.distance_m[min(b, last)] for b in laps.bounds[lap - 1])
            rounds.append(10_000 * lap)
            places.append(float((at - start) / (stop - start) * length))
            continue
        ended = [k for k, (_, stop) in enumerate(laps.bounds) if stop <= one.middle]
        origin = laps.bounds[ended[-1]][1] if ended else laps.bounds[0][0]
        turned = (at - signals.distance_m[min(origin, last)]) / length
        # Rounds outside whole laps get numbers of their own between those of the laps.
        rounds.append(10_000 * (len(ended) and ended[-1] + 1) + 5_000 + int(np.floor(turned)))
        places.append(float(turned % 1.0 * length))
    return rounds, places
