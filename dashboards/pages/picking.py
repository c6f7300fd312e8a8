"""What is picked on the run page, and the stretch of the log that goes with it.

The browser keeps what was asked for (`assets/at_once.js`): a pick, {finding: index} or {moment: log time in s}, or a
zoom, {range: [from, to] on the axis or None, along, laps}. Here it is looked up in the analysis.
"""

from dataclasses import dataclass

from analyzer.analysis import Analysis
from analyzer.findings.finding import Finding
from analyzer.phases.segments import Corner
from dashboards.figures.traces import View

MARGIN_S = 1.0


@dataclass(frozen=True)
class Picked:
    """Finding with its index, corner pass, and the stretch of log time to show (s); each None without one."""

    index: int | None = None
    finding: Finding | None = None
    corner: Corner | None = None
    window: tuple[float, float] | None = None


def picked(analysis: Analysis, pick: dict | None) -> Picked:
    """What a pick of the browser stands for."""
    if pick is None:
        return Picked()
    if "moment" in pick:
        return _at_time(analysis, pick["moment"])
    index = pick["finding"]
    found = analysis.findings[index]
    if not found.is_placed:  # there is no one place to go to
        return Picked(index, found)
    corner = _pass_at(analysis, found.start_s, found.end_s, found.corner)
    window = (found.start_s - 3 * MARGIN_S, found.end_s + 3 * MARGIN_S)
    return Picked(index, found, corner, window if corner is None else _around(analysis, corner))


def _at_time(analysis: Analysis, time_s: float) -> Picked:
    """The corner pass at a moment and the finding in it that is nearest, if any."""
    corner = _pass_at(analysis, time_s, time_s, None)
    if corner is None:
        return Picked(window=(time_s - 3 * MARGIN_S, time_s + 3 * MARGIN_S))
    start, stop = analysis.signals.time_s[corner.start], analysis.signals.time_s[corner.stop - 1]
    inside = [
        k
        for k, f in enumerate(analysis.findings)
        if f.corner == corner.number and f.start_s <= stop and f.end_s >= start
    ]
    nearest = min(inside, key=lambda k: abs(analysis.findings[k].start_s - time_s), default=None)
    found = None if nearest is None else analysis.findings[nearest]
    return Picked(nearest, found, corner, _around(analysis, corner))


def _pass_at(analysis: Analysis, start_s: float, end_s: float, number: int | None) -> Corner | None:
    time = analysis.signals.time_s
    for corner in analysis.corners:
        if time[corner.start] <= end_s and time[corner.stop - 1] >= start_s and number in (None, corner.number):
            return corner
    return None


def _around(analysis: Analysis, corner: Corner) -> tuple[float, float]:
    time = analysis.signals.time_s
    return float(time[corner.start]) - MARGIN_S, float(time[corner.stop - 1]) + MARGIN_S


def view_of(analysis: Analysis, window: dict | None, along: str, laps: list[int] | None) -> View:
    """What the traces show of a pick or a zoom along `along`, with `laps` laid over each other."""
    chosen = tuple(sorted(laps or ())) or None
    if window is None or "range" not in window:
        return _on_axis(analysis, picked(analysis, window).window, along, chosen)
    if window["range"] is None:
        return View(axis=along, laps=chosen)
    low, high = window["range"]
    seen = View(axis=window["along"], laps=tuple(window["laps"]) or None, window=(low, high))
    return (
        seen
        if (seen.axis, seen.laps) == (along, chosen)
        else _on_axis(analysis, _in_log(analysis, seen), along, chosen)
    )


def _on_axis(analysis: Analysis, window: tuple[float, float] | None, along: str, laps: tuple[int, ...] | None) -> View:
    """A stretch of log time (s) on an axis that may be distance, or time or distance in the lap."""
    if window is None:
        return View(axis=along, laps=laps)
    time = analysis.signals.time_s
    at = [int(i) for i in time.searchsorted(window).clip(0, len(time) - 1)]
    axis = analysis.signals.distance_m if along == "distance" else time
    low, high = float(axis[at[0]]), float(axis[at[1]])
    if laps:
        bounds = analysis.laps.bounds
        home = next((a for a, b in bounds if a <= (at[0] + at[1]) // 2 < b), None)
        if home is None:
            return View(axis=along, laps=laps)
        low, high = low - float(axis[home]), high - float(axis[home])
    return View(axis=along, laps=laps, window=(low, high))


def _in_log(analysis: Analysis, view: View) -> tuple[float, float] | None:
    """The window on the traces' axis as log time (s); None where all is seen."""
    if view.window is None:
        return None
    time = analysis.signals.time_s
    axis = analysis.signals.distance_m if view.axis == "distance" else time
    offset = float(axis[analysis.laps.bounds[view.laps[0] - 1][0]]) if view.laps else 0.0
    low, high = axis.searchsorted([v + offset for v in view.window]).clip(0, len(time) - 1)
    return float(time[low]), float(time[high])
