"""Traces as packed lines: a stretch of the log, or the same stretch of several laps laid over each other.

Of each line only what a screen can show is sent: where there are more samples than points, the least and the largest
of every bin, so that no spike is lost.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray, IntArray
from analyzer.errors import InputError
from analyzer.in_words import number
from analyzer.presentation.words import PHASE_NAMES
from dashboards.run.quantities import QUANTITIES, Line, Quantity, chosen_quantity
from dashboards.run.views import packed, place_of

MOST_POINTS = 1200  # a line: a wide screen's width in pixels
ALL_POINTS = 16_000  # of an answer: 43 kB packed
LEAST_POINTS = 120
MOST_LAPS = 12  # over each other; more are a hatched area
MOST_NAMED = 3  # corners whose phases are named; of more the corners are numbered
MOST_SHADED = 150  # corners; further out they would be thinner than a line
SAME_CIRCUIT = 0.03  # by how much laps of another run may be longer or shorter


@dataclass(frozen=True)
class Strand:
    """One lap, or the log in one piece (`lap` None): samples `first` to `last` (excluded) of an analysis."""

    analysis: Analysis
    name: str
    lap: int | None
    first: int
    last: int
    from_x: float  # what is taken off the axis
    factor: float  # what the axis is multiplied by, so that laps of unequal length end together


@dataclass(frozen=True)
class Other:
    """A lap to lay over the focus, of this run or of another."""

    analysis: Analysis
    lap: int
    name: str


def traces(
    analysis: Analysis,
    keys: Sequence[str],
    *,
    window_s: tuple[float, float] | None,
    along: str = "time",
    others: Sequence[Other] = (),
) -> dict[str, Any]:
    """Lines of the quantities `keys` over a stretch of log time.

    Parameters
    ----------
    window_s : from, to (s of log time); None for all of it.
    along : `time` or `distance`.
    others : laps that are laid over the lap in which the window begins, at the same places of the lap.

    Raises
    ------
    InputError : the window is in no whole lap, so no lap can be laid over it, or a lap is of another circuit.
    KeyError : no such quantity.
    """
    quantities = {key: chosen_quantity(key) for key in keys}
    strands = _strands(analysis, window_s, along, others[: MOST_LAPS - 1])
    drawn = {key: [_shown(quantity, k, s) for k, s in enumerate(strands)] for key, quantity in quantities.items()}
    count = sum(len(lines) for each in drawn.values() for lines in each) + 2 * len(strands) + 4
    points = int(np.clip(ALL_POINTS // count, LEAST_POINTS, MOST_POINTS))
    rows = [
        {
            "key": key,
            "label": quantities[key].label,
            "digits": quantities[key].digits,
            "limit": _limit(analysis, key),
            "lines": [
                {"strand": k, "name": line.name, **_line(line, strands[k], along, points)}
                for k, lines in enumerate(each)
                for line in lines
            ],
        }
        for key, each in drawn.items()
    ]
    if len(strands) > 1:
        rows.append(_gained(strands, along, points))
    focus = strands[0]
    return {
        "along": along,
        "label": _axis_label(along, over=len(strands) > 1),
        "window": _ends(focus, along),
        "window_s": [float(analysis.signals.time_s[focus.first]), float(analysis.signals.time_s[focus.last - 1])],
        "strands": [{"name": s.name, "lap": s.lap, **_where(s, along, points, k == 0)} for k, s in enumerate(strands)],
        "rows": rows,
        "shades": _shades(focus, along),
        "lock": _in_lock_plot(focus, points),
    }


def _strands(
    analysis: Analysis, window_s: tuple[float, float] | None, along: str, others: Sequence[Other]
) -> list[Strand]:
    time = analysis.signals.time_s
    low, high = (float(time[0]), float(time[-1])) if window_s is None else window_s
    first = int(np.clip(time.searchsorted(low), 0, len(time) - 2))
    last = int(np.clip(time.searchsorted(high, "right"), first + 2, len(time)))
    home = next((k for k, (a, b) in enumerate(analysis.laps.bounds, start=1) if a <= first < b), None)
    if not others:
        start = 0 if home is None or along == "time" else analysis.laps.bounds[home - 1][0]
        offset = float(_axis(analysis, along)[start]) if along == "distance" else 0.0
        name = "log" if home is None else f"lap {home}"
        return [Strand(analysis, name, home, first, last, offset, 1.0)]
    if home is None:
        raise InputError("This section is in no whole lap, so no lap can be overlaid. Choose a lap first.")
    start, stop = analysis.laps.bounds[home - 1]
    last = min(last, stop)
    distance = analysis.signals.distance_m
    length = float(distance[stop - 1] - distance[start])
    shares = [(float(distance[k]) - float(distance[start])) / length for k in (first, last - 1)]
    found = [_laid(analysis, home, f"lap {home}", shares, along, length)]
    return found + [_laid(o.analysis, o.lap, o.name, shares, along, length) for o in others]


def _laid(analysis: Analysis, lap: int, name: str, shares: list[float], along: str, length_m: float) -> Strand:
    """The part of a lap between two shares of its length."""
    start, stop = analysis.laps.bounds[lap - 1]
    distance = analysis.signals.distance_m
    own = float(distance[stop - 1] - distance[start])
    if abs(own / length_m - 1) > SAME_CIRCUIT:
        raise InputError(
            f"{name} is {number(own)} m long, the lap under it {number(length_m)} m: they are of different circuits. "
            "Choose a lap of the same circuit."
        )
    ends = [float(distance[start]) + share * own for share in shares]
    first = int(start + distance[start:stop].searchsorted(ends[0], "left"))
    last = int(start + distance[start:stop].searchsorted(ends[1], "right"))
    first = min(first, stop - 2)
    last = max(last, first + 2)
    if along == "distance":
        return Strand(analysis, name, lap, first, last, float(distance[start]), length_m / own)
    return Strand(analysis, name, lap, first, last, float(analysis.signals.time_s[first]), 1.0)


def _axis(analysis: Analysis, along: str) -> FloatArray:
    return analysis.signals.distance_m if along == "distance" else analysis.signals.time_s


def _axis_label(along: str, *, over: bool) -> str:
    if along == "distance":
        return "distance in the lap, m"
    return "time from the left edge, s" if over else "log time, s"


def _ends(strand: Strand, along: str) -> list[float]:
    axis = _axis(strand.analysis, along)
    return [strand.factor * (float(axis[k]) - strand.from_x) for k in (strand.first, strand.last - 1)]


def _bins(count: int, points: int) -> IntArray | None:
    """Where bins of `count` samples begin; None where each sample is a point."""
    return None if count <= points else np.linspace(0, count, points // 2 + 1).astype(int)[:-1]


def _middles(starts: IntArray, count: int) -> IntArray:
    middles: IntArray = (starts + np.append(starts[1:], count)) // 2
    return middles


def thinned(values: FloatArray, points: int) -> FloatArray:
    """The values, or least and largest of each bin, the one nearer to where the bin begins first; a bin of none stays
    none."""
    starts = _bins(len(values), points)
    if starts is None:
        return values
    low, high = np.fmin.reduceat(values, starts), np.fmax.reduceat(values, starts)
    falls = values[starts] > values[np.append(starts[1:], len(values)) - 1]
    return np.column_stack([np.where(falls, high, low), np.where(falls, low, high)]).ravel()


def _picked(values: FloatArray, points: int) -> FloatArray:
    """One value a point, for what only says where a point is."""
    starts = _bins(len(values), points)
    return values if starts is None else values[_middles(starts, len(values))]


def _shown(quantity: Quantity, number: int, strand: Strand) -> list[Line]:
    """Lines of a strand; of laps under the focus the driven wheels only."""
    return [line for line in quantity.lines(strand.analysis) if number == 0 or not line.name.startswith("front")]


def _where(strand: Strand, along: str, points: int, focus: bool) -> dict[str, Any]:
    """Axis of a strand's points, of the focus also log time and share of the lap."""
    part = slice(strand.first, strand.last)
    x = packed(strand.factor * (_picked(_axis(strand.analysis, along)[part], points) - strand.from_x), 3)
    if not focus:
        return {"x": x}
    moments = _picked(strand.analysis.signals.time_s[part], points)
    return {"x": x, "t": packed(moments, 3), "place": packed(place_of(strand.analysis, moments))}


def _line(line: Line, strand: Strand, along: str, points: int) -> dict[str, Any]:
    """One line; on another time base than the signals it brings its own axis."""
    signals = strand.analysis.signals
    if line.time_s is signals.time_s:
        return {"y": packed(thinned(line.part(slice(strand.first, strand.last)), points), 4)}
    ends = signals.time_s[[strand.first, strand.last - 1]]
    first, last = line.time_s.searchsorted(ends[0], "left"), line.time_s.searchsorted(ends[1], "right")
    part = slice(max(int(first) - 1, 0), int(last) + 1)
    moments = _picked(line.time_s[part], points)
    x = moments if along == "time" else np.interp(moments, signals.time_s, signals.distance_m)
    return {
        "y": packed(thinned(np.asarray(line.part(part), float), points), 4),
        "x": packed(strand.factor * (x - strand.from_x), 3),
    }


def _limit(analysis: Analysis, key: str) -> tuple[str, float] | None:
    """Name and level that a row is held against."""
    known = QUANTITIES[key].limit if key in QUANTITIES else None
    if known is None:
        return None
    level = known[1](analysis)
    return (known[0], round(level, 2)) if np.isfinite(level) else None


def _gained(strands: list[Strand], along: str, points: int) -> dict[str, Any]:
    """How much later each lap is at each place than the quickest of them, counted from the left edge."""
    bins = points // 2
    clocks = []
    for s in strands:
        distance, time = s.analysis.signals.distance_m[s.first : s.last], s.analysis.signals.time_s[s.first : s.last]
        clock = np.interp(np.linspace(distance[0], distance[-1], bins), distance, time)
        clocks.append(clock - clock[0])
    quickest = int(np.argmin([clock[-1] for clock in clocks]))
    x = np.linspace(0.0, 1.0, bins)
    lines = []
    for k, (s, clock) in enumerate(zip(strands, clocks, strict=True)):
        low, high = _ends(s, along)
        lines.append(
            {
                "strand": k,
                "name": "time lost",
                "x": packed(low + (high - low) * x if along == "distance" else low + clock, 3),
                "y": packed(clock - clocks[quickest], 4),
            }
        )
    return {
        "key": "gained",
        "label": f"time lost to {strands[quickest].name}, s",
        "digits": 2,
        "limit": None,
        "lines": lines,
    }


def _shades(strand: Strand, along: str) -> list[tuple[float, float, str]]:
    """[from, to, name] of the phases of a few corners, of more the corners; [] of very many."""
    axis = _axis(strand.analysis, along)
    seen = [c for c in strand.analysis.corners if c.stop > strand.first and c.start < strand.last]
    if len(seen) > MOST_SHADED:
        return []

    def on_axis(k: int) -> float:
        return round(strand.factor * (float(axis[min(k, len(axis) - 1)]) - strand.from_x), 3)

    if len(seen) <= MOST_NAMED:
        return [(on_axis(p.start), on_axis(p.stop), PHASE_NAMES[p.name]) for c in seen for p in c.phases]
    return [(on_axis(c.start), on_axis(c.stop), str(c.number)) for c in seen]


def _in_lock_plot(strand: Strand, points: int) -> dict[str, Any]:
    """Input torque and torque moved across of the focus, at its points."""
    axle = strand.analysis.axle
    part = slice(strand.first, strand.last)
    good = strand.analysis.signals.valid[part] & ~axle.braked[part]
    return {
        name: packed(_picked(np.where(good, values[part], np.nan), points), 2)
        for name, values in (("x", axle.input_torque_Nm), ("y", np.abs(axle.torque_difference_Nm)))
    }
