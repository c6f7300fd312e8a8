"""Runs of a comparison: whole logs, or some laps of one; and the same corner or circle in different runs.

Corners are matched by place along the lap and direction, not by number: two logs of one circuit may number them
differently, by another start line (laps found by position or by the road's shape) or because a corner was too fast to
count in one of them. Circles are matched by radius and direction.
"""

import re
from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analyzer.analysis import Analysis
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.observations import Observations, observe

Log = Any  # a path, or what the library takes for a log in memory


@dataclass(frozen=True)
class Run:
    """One log on one side of a comparison.

    Attributes
    ----------
    analysis : of the whole log.
    side : 0 before, 1 after.
    laps : the laps that count, or None: all, and what lies outside whole laps.
    """

    analysis: Analysis
    side: int
    laps: tuple[int, ...] | None = None

    @property
    def name(self) -> str:
        """Log, and laps where only some count."""
        name = self.analysis.recording.name
        return name if self.laps is None else f"{name}, laps {laps_text(self.laps)}"

    @property
    def source(self) -> Hashable:
        """The same for runs of one recording."""
        return id(self.analysis)

    @property
    def on_circuit(self) -> bool:
        """Laps were driven; circles on a paved area have none."""
        return self.analysis.laps.length_m is not None

    @property
    def lap_count(self) -> float:
        """Laps' worth of driving: whole laps, or distance over lap length where the log has more than whole laps."""
        laps, distance = self.analysis.laps, self.analysis.signals.distance_m
        if self.laps is not None:
            return float(len(self.laps))
        if laps.length_m is None:
            return 1.0
        return max(float(np.ptp(distance)) / laps.length_m, 1.0)

    def counts(self, lap: int | None) -> bool:
        """Whether something in `lap` belongs to this run."""
        return self.laps is None or lap in self.laps

    def observed(self) -> Observations:
        """Observations of the laps that count; a corner pass goes by the lap that it is counted to."""
        analysis = self.analysis
        observed = observe(analysis.signals, analysis.corners, analysis.car)
        if self.laps is None:
            return observed
        lap = analysis.laps.number.copy()
        for corner in analysis.corners:
            lap[corner.start : corner.stop] = corner.lap
        return replace(observed, usable=observed.usable & np.isin(lap[observed.index], self.laps))


def laps_text(laps: tuple[int, ...]) -> str:
    """`1-3, 5` of (1, 2, 3, 5)."""
    parts: list[list[int]] = []
    for lap in sorted(laps):
        if parts and lap == parts[-1][-1] + 1:
            parts[-1].append(lap)
        else:
            parts.append([lap])
    return ", ".join(str(p[0]) if len(p) == 1 else f"{p[0]}-{p[-1]}" for p in parts)


def chosen_laps(text: str, *, analysis: Analysis, option: str) -> tuple[int, ...]:
    """Laps that `text` names: `odd`, `even`, or numbers and ranges such as `1-3,5`.

    Raises
    ------
    InputError : the text is none of these, or names laps that the log does not have.
    CannotTell : the log has no laps.
    """
    name, count = analysis.recording.name, len(analysis.laps.bounds)
    if not count:
        raise CannotTell(f"{name}: no whole lap was found, so {option} cannot choose any. Give a log with laps in it.")
    if text.strip() in ("odd", "even"):
        first = 1 if text.strip() == "odd" else 2
        laps = set(range(first, count + 1, 2))
    else:
        laps = set()
        for part in text.split(","):
            match = re.fullmatch(r"\s*(\d+)\s*(?:-\s*(\d+)\s*)?", part, re.ASCII)
            low, high = (int(match[1]), int(match[2] or match[1])) if match else (1, 0)
            if low > high:
                raise InputError(f"{option}: {text!r} is not a choice of laps; write odd, even, or such as 1-3,5.")
            laps |= set(range(low, min(high, count + 1) + 1)) | {low}  # one beyond the last tells as much as all
    outside = sorted(lap for lap in laps if not 1 <= lap <= count)
    if outside or not laps:
        found = f"lap {outside[0]}" if outside else "no lap"
        has = "lap 1 only" if count == 1 else f"laps 1 to {count}"
        raise InputError(f"{option}: {text!r} names {found}; {name} has {has}. Name laps it has.")
    return tuple(sorted(laps))


SAME_RADIUS = 1.2  # circles nearer than this are one; a test has radii of a factor of two
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
    numbers : the log's corner number -> the reference's; {} where the circuits differ. Circles count among themselves.
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


Circle = tuple[int, str, float]  # number, direction, radius in m


def circles(analysis: Analysis) -> list[Circle]:
    """Every corner pass of a log without laps as a circle: direction and median radius."""
    speed, turn = analysis.signals.speed_m_s, np.abs(analysis.signals.yaw_rate_rad_s)
    found = []
    for corner in analysis.corners:
        part = slice(corner.start, corner.stop)
        radius = np.median(speed[part] / np.maximum(turn[part], 1e-3))
        found.append((corner.number, corner.direction, float(radius)))
    return found


def match_circles(reference: list[Circle], other: list[Circle]) -> CornerMatch:
    """Match by direction and radius, each with the first of the reference that is like it; the others stay alone."""
    numbers = {}
    for number, direction, radius in other:
        like = [n for n, d, r in reference if d == direction and max(radius / r, r / radius) < SAME_RADIUS]
        if like:
            numbers[number] = like[0]
    return CornerMatch(numbers)
