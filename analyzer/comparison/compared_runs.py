"""Runs of a comparison, the corners they share, and whether they compare at all.

Runs of a comparison: whole logs, or some laps of one; and the same corner or circle in different runs.

Corners are matched by place along the lap and direction, not by number: two logs of one circuit may number them
differently, by another start line (laps found by position or by the road's shape) or because a corner was too fast
to count in one of them. Circles are matched by radius and direction.

Do the runs compare at all: other tyres, a wet track, another driver, another circuit; what the logs show of it.
"""

import re
from collections.abc import Hashable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.observations import Observations, observe
from analyzer.vehicle.car import AIR_DENSITY_KG_M3

Log = Any  # a path, or what the library takes for a log in memory
SAME_RADIUS = 1.2  # circles nearer than this are one; a test has radii of a factor of two
LENGTH_SHARE = 0.05  # laps of one circuit differ by no more in length
SAME_PLACE_M = 40.0
SAME_PLACE_SHARE = 0.02  # of the lap
LEAST_SHARE = 0.75  # fewer matched corners than this: another circuit; half of them match by chance
GRIP_CHANGE = 0.08  # of the friction used; tyres and temperature of one day differ by less (common practice, no source)
THROTTLE_CHANGE = 0.08
DRIVING_RATIO = 2.5  # differences between the sides over those from lap to lap
# of lateral acceleration over speed times yaw rate, which is one in a steady corner but for how the sensors read.
# Halves of logs and logs of one car differ by 0.3 % at most (eleven simulated ones), one whose car slid by 1.6 %.
SENSOR_CHANGE = 0.02
STEADY_M_S2 = 3.0  # of lateral acceleration
LEAST_SPEED_DIFFERENCE = 0.02
TRACE_POINTS = 200


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
        """Whether something in a lap belongs to this run.

        Parameters
        ----------
        lap : its number; 0 and None lie outside the whole laps, and count only where the run has no choice of laps.
        """
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

    Parameters
    ----------
    text : `odd`, `even`, or numbers and ranges such as `1-3,5`.
    option : name of the option that it was given with, for what is said of a wrong one.

    Returns
    -------
    tuple : numbers, rising, each once.

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

    Parameters
    ----------
    reference, other : corners of two logs, as `places` gives them.
    length_m, other_length_m : of a lap, by each log; unlike by more than `LENGTH_SHARE` they are two circuits.

    Returns
    -------
    CornerMatch : {} where the circuits differ. A corner without a partner within reach has no number.

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
    """Match by direction and radius, each with the first of the reference that is like it; the others stay alone.

    Parameters
    ----------
    reference, other : circles of two logs, as `circles` gives them; within `SAME_RADIUS` of each other they are one.
    """
    numbers = {}
    for number, direction, radius in other:
        like = [n for n, d, r in reference if d == direction and max(radius / r, r / radius) < SAME_RADIUS]
        if like:
            numbers[number] = like[0]
    return CornerMatch(numbers)


@dataclass(frozen=True)
class Conditions:
    """Limits of a comparison: how the runs before and after differ in more than the differential.

    Attributes
    ----------
    grip_change : relative, of the friction used; 0 where it is nothing. Else each side is fitted with its own tyre.
    speed_apart : speed along the lap differs by so much (relative) between the sides and from lap to lap; None where
        that is nothing.
    throttle : mean throttle (0 to 1) before and after; None where it is the same.
    other_circuit : corners cannot be matched.
    sensor_change : relative, of how lateral acceleration and yaw rate read against each other, after over before; 0
        where it is nothing. Each side otherwise has a yaw-rate scale of its own, free by this much.
    every_gyro : every run has a yaw-rate channel.
    """

    grip_change: float
    speed_apart: tuple[float, float] | None
    throttle: tuple[float, float] | None
    other_circuit: bool
    sensor_change: float
    every_gyro: bool

    @property
    def grip_differs(self) -> bool:
        """The tyre is fitted for each side by itself."""
        return self.grip_change != 0

    @property
    def driving_differs(self) -> bool:
        """Corners are resampled for each side by itself."""
        return self.speed_apart is not None or self.throttle is not None


def conditions(runs: list[Run], matches: list[CornerMatch]) -> Conditions:
    """Compare how the sides were driven.

    Parameters
    ----------
    runs : of both sides.
    matches : of each run, from `together.corner_matches`.

    Raises
    ------
    CannotTell : a run has no sample that counts.
    """
    empty = next((r for r in runs if not _mask(r).any()), None)
    if empty is not None:
        raise CannotTell(f"{empty.name}: lies entirely in gaps and faults of the log. Choose other laps.")
    by_side = [_comparable(runs, side) for side in (0, 1)]
    along = all(r.analysis.signals.sensors.long_g for r in runs)  # from the speed it is too rough to tell tyres by
    used = [float(np.median([_friction_used(r, along=along) for r in side])) for side in by_side]
    grip_change = used[1] / used[0] - 1
    other_circuit = any(not match.numbers for run, match in zip(runs, matches, strict=True) if run.on_circuit)
    other_circuit |= not any(run.on_circuit for run in runs) and any(not match.numbers for match in matches)
    throttle = [float(np.median([np.mean(r.analysis.signals.throttle[_mask(r)]) for r in side])) for side in by_side]
    apart = None if other_circuit else _speed_apart(runs, matches)
    another_driver = apart is not None and apart[0] > max(LEAST_SPEED_DIFFERENCE, DRIVING_RATIO * apart[1])
    # on another circuit its banking reads like a sensor
    sensors = None if other_circuit else _sensor_ratio(by_side)
    return Conditions(
        grip_change=grip_change if abs(grip_change) > GRIP_CHANGE else 0.0,
        speed_apart=apart if another_driver else None,
        throttle=(throttle[0], throttle[1]) if abs(throttle[1] - throttle[0]) > THROTTLE_CHANGE else None,
        other_circuit=other_circuit,
        sensor_change=0.0 if sensors is None or abs(sensors - 1) < SENSOR_CHANGE else sensors - 1,
        every_gyro=all(r.analysis.signals.sensors.gyro for r in runs),
    )


def _comparable(runs: list[Run], side: int) -> list[Run]:
    """The runs of a side that are like some of the other's: laps with laps, circles with circles; all where none is."""
    courses = [{r.on_circuit for r in runs if r.side == s} for s in (0, 1)]
    mine = [r for r in runs if r.side == side]
    return [r for r in mine if r.on_circuit in courses[1 - side]] or mine


def _mask(run: Run) -> BoolArray:
    valid = run.analysis.signals.valid
    return valid if run.laps is None else valid & np.isin(run.analysis.laps.number, run.laps)


def _friction_used(run: Run, *, along: bool) -> float:
    """99th percentile of the acceleration in the plane (or across only), over what load there is with downforce."""
    signals, car, where = run.analysis.signals, run.analysis.car, _mask(run)
    speed = signals.speed_m_s[where]
    load = car.mass_kg * STANDARD_GRAVITY_M_S2 + 0.5 * AIR_DENSITY_KG_M3 * car.downforce_area_m2 * speed**2
    force = car.mass_kg * np.hypot(signals.lat_m_s2, signals.long_m_s2 if along else 0.0)[where]
    return float(np.percentile(force / load, 99))


def _sensor_ratio(by_side: list[list[Run]]) -> float | None:
    """What lateral acceleration over speed times yaw rate reads after the change over before, in the mean of all
    corners off the brakes; None without a gyro everywhere, for a yaw rate had from the others proves nothing."""
    if not all(run.analysis.signals.sensors.gyro for side in by_side for run in side):
        return None
    medians = []
    for side in by_side:
        read = []
        for run in side:
            signals = run.analysis.signals
            steady = _mask(run) & ~signals.braking & (np.abs(signals.lat_m_s2) > STEADY_M_S2)
            turn = signals.speed_m_s[steady] * signals.yaw_rate_rad_s[steady]
            read.append(signals.lat_m_s2[steady][turn != 0] / turn[turn != 0])
        every = np.concatenate(read)
        if not len(every):
            return None
        medians.append(float(np.median(every)))
    return medians[1] / medians[0]


def _speed_apart(runs: list[Run], matches: list[CornerMatch]) -> tuple[float, float] | None:
    """Relative differences of speed along the lap: between the sides' medians, and of laps about their own."""
    both = [(run, match) for run, match in zip(runs, matches, strict=True) if run.on_circuit]
    traces = [np.array([t for r, m in both if r.side == side for t in _traces(r, m.shift)]) for side in (0, 1)]
    if any(len(t) < 2 for t in traces):
        return None
    middle = [np.median(t, axis=0) for t in traces]
    between = float(np.median(np.abs(np.log(middle[1] / middle[0]))))
    within = float(np.median(np.concatenate([np.abs(np.log(t / m)) for t, m in zip(traces, middle, strict=True)])))
    return between, within


def _traces(run: Run, shift: float) -> list[FloatArray]:
    """Speed against the share of the first run's lap, lap by lap, (`TRACE_POINTS`,) each."""
    analysis = run.analysis
    speed, distance = analysis.signals.speed_m_s, analysis.signals.distance_m
    share = (np.linspace(0, 1, TRACE_POINTS, endpoint=False) - shift) % 1.0
    found = []
    for lap, (start, stop) in enumerate(analysis.laps.bounds, 1):
        if run.counts(lap) and stop - start > 10:
            into = distance[start:stop] - distance[start]
            found.append(np.maximum(np.interp(share * into[-1], into, speed[start:stop]), 1.0))
    return found
