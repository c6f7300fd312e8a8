"""What is picked on the run page, and the stretch of the log that goes with it. A pick is
{finding: index or None, pass: index or None, window: [from, to] log time in s or None}."""

from analyzer.analysis import Analysis
from analyzer.findings.finding import Finding
from analyzer.phases.segments import Corner
from dashboards.figures.traces import View

MARGIN_S = 1.0


def from_finding(analysis: Analysis, index: int | None) -> dict | None:
    """The pick of a finding: its index, its corner pass, and the stretch of log time to show."""
    if index is None:
        return None
    found = analysis.findings[index]
    corner = _pass_at(analysis, found.start_s, found.end_s, found.corner)
    return {"finding": index, "pass": corner, "window": _window(analysis, corner, found)}


def at_time(analysis: Analysis, time_s: float) -> dict | None:
    """The pick of a moment: the corner pass there and the finding in it, if any."""
    corner = _pass_at(analysis, time_s, time_s, None)
    if corner is None:
        return None
    c = analysis.corners[corner]
    start, stop = analysis.signals.time_s[c.start], analysis.signals.time_s[c.stop - 1]
    inside = [
        k for k, f in enumerate(analysis.findings) if f.corner == c.number and f.start_s <= stop and f.end_s >= start
    ]
    nearest = min(inside, key=lambda k: abs(analysis.findings[k].start_s - time_s), default=None)
    return {"finding": nearest, "pass": corner, "window": _window(analysis, corner, None)}


def clicked_moment(click: dict | None, *, place: int) -> float | None:
    """Log time (s) of a point clicked on in a chart, at `place` of its customdata; None for a point without."""
    data = (click or {}).get("points", [{}])[0].get("customdata")
    return float(data[place]) if data else None


def _pass_at(analysis: Analysis, start_s: float, end_s: float, number: int | None) -> int | None:
    time = analysis.signals.time_s
    for k, c in enumerate(analysis.corners):
        if time[c.start] <= end_s and time[c.stop - 1] >= start_s and number in (None, c.number):
            return k
    return None


def _window(analysis: Analysis, corner: int | None, found: Finding | None) -> list[float] | None:
    time = analysis.signals.time_s
    if corner is not None:
        c = analysis.corners[corner]
        return [float(time[c.start]) - MARGIN_S, float(time[c.stop - 1]) + MARGIN_S]
    if found is not None and found.corner is not None:
        return [found.start_s - 3 * MARGIN_S, found.end_s + 3 * MARGIN_S]
    return None


def picked(analysis: Analysis, pick: dict | None) -> tuple[Finding | None, Corner | None]:
    """Finding and corner pass of a pick, each None without one."""
    if not pick:
        return None, None
    found = None if pick["finding"] is None else analysis.findings[pick["finding"]]
    return found, None if pick["pass"] is None else analysis.corners[pick["pass"]]


def view_of(analysis: Analysis, window: list[float] | None, along: str, laps: list[int] | None) -> View:
    """The window is log time; the traces may want distance, or time and distance in the lap."""
    chosen = tuple(sorted(laps or ())) or None
    if window is None:
        return View(axis=along, laps=chosen)
    time = analysis.signals.time_s
    at = [int(i) for i in time.searchsorted(window).clip(0, len(time) - 1)]
    axis = analysis.signals.distance_m if along == "distance" else time
    low, high = float(axis[at[0]]), float(axis[at[1]])
    if chosen:
        bounds = analysis.laps.bounds
        home = next((a for a, b in bounds if a <= (at[0] + at[1]) // 2 < b), None)
        if home is None:
            return View(axis=along, laps=chosen)
        low, high = low - float(axis[home]), high - float(axis[home])
    return View(axis=along, laps=chosen, window=(low, high))


def zoomed(change: dict | None) -> list[float] | str | None:
    """What a drag on the traces asks for: a range in axis units, `all`, or None (nothing about x)."""
    change = change or {}
    for key, value in change.items():
        if key.startswith("xaxis") and key.endswith("autorange"):
            return "all"
        if key.startswith("xaxis") and key.endswith("range[0]"):
            return [float(value), float(change[key.replace("[0]", "[1]")])]
        if key.startswith("xaxis") and key.endswith(".range"):
            return [float(v) for v in value]
    return None


def log_time(analysis: Analysis, view: View) -> list[float] | None:
    """The window on the traces' axis as log time (s); None where all is seen."""
    if view.window is None:
        return None
    time = analysis.signals.time_s
    axis = analysis.signals.distance_m if view.axis == "distance" else time
    offset = float(axis[analysis.laps.bounds[view.laps[0] - 1][0]]) if view.laps else 0.0
    at = axis.searchsorted([v + offset for v in view.window]).clip(0, len(time) - 1)
    return [float(time[i]) for i in at]
