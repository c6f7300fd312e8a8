"""The same corner in different logs: matched by its place along the lap and its direction, not by its number.

Two logs of one circuit may number corners differently: another start line (laps found by position or by the road's
shape), or a corner too fast to count in one of them.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.analysis import Analysis

LENGTH_SHARE = 0.05  # laps of one circuit are this alike in length
SAME_PLACE_M = 40.0
SAME_PLACE_SHARE = 0.02  # of the lap
LEAST_SHARE = 0.75  # fewer matched corners than this: another circuit; half of them match by chance

Place = tuple[int, str, float]  # number, direction, distance into the lap in m


@dataclass(frozen=True)
class CornerMatch:
    """Corners of a log against those of a reference.

    Attributes
    ----------
    numbers : the log's corner number -> the reference's; {} where the circuits differ.
    shift : how far on its start line lies, as a share of the lap: place in the reference = place in the log + shift.
    """

    numbers: dict[int, int]
    shift: float = 0.0


def places(analysis: Analysis) -> list[Place]:
    """Every numbered corner's direction and median distance of the apex into the lap (m); [] without laps."""
    laps, distance = analysis.laps, analysis.signals.distance_m
    if laps.length_m is None:
        return []
    into: dict[tuple[int, str], list[float]] = {}
    for corner in analysis.corners:
        if corner.lap < 1:
            continue
        start, stop = laps.bounds[corner.lap - 1]
        length = distance[min(stop, len(distance) - 1)] - distance[start]
        share = (distance[corner.apex] - distance[start]) / max(length, 1.0)
        into.setdefault((corner.number, corner.direction), []).append(float(share) * laps.length_m)
    return [(number, direction, float(np.median(at))) for (number, direction), at in sorted(into.items())]


def match_corners(reference: list[Place], other: list[Place], *, length_m: float, other_length_m: float) -> CornerMatch:
    """Match by place and direction.

    Notes
    -----
    The start lines may lie apart: of all shifts that put some corner on another of the same direction, the one that
    matches most counts, no shift at all when it does as well. The shift is then what the matched corners agree on.
    """
    if not reference or not other or abs(other_length_m / length_m - 1) > LENGTH_SHARE:
        return CornerMatch({})
    near = max(SAME_PLACE_M, SAME_PLACE_SHARE * length_m)
    scaled = [(n, d, at * length_m / other_length_m) for n, d, at in other]
    shifts = [0.0, *(a - b for _, da, a in reference for _, db, b in scaled if da == db)]
    shift, best = max(((s, _paired(reference, scaled, s, near, length_m)) for s in shifts), key=lambda p: len(p[1]))
    if len(best) < LEAST_SHARE * min(len(reference), len(other)):
        return CornerMatch({})
    left = [
        apart for apart, number, known in _distances(reference, scaled, shift, length_m) if best.get(number) == known
    ]
    return CornerMatch(best, (shift - float(np.median(left))) / length_m)


def _distances(
    reference: list[Place], other: list[Place], shift: float, length_m: float
) -> list[tuple[float, int, int]]:
    """Signed distance (m) of every pair of one direction, with both numbers."""
    return [
        ((at + shift - place + length_m / 2) % length_m - length_m / 2, number, known)
        for number, direction, at in other
        for known, side, place in reference
        if side == direction
    ]


def _paired(reference: list[Place], other: list[Place], shift: float, near: float, length_m: float) -> dict[int, int]:
    pairs: dict[int, int] = {}
    for distance, number, known in sorted(_distances(reference, other, shift, length_m), key=lambda d: abs(d[0])):
        if abs(distance) <= near and number not in pairs and known not in pairs.values():
            pairs[number] = known
    return pairs
