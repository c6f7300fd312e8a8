"""Corner by lap as a table: what was found in each pass, and how slow it was."""

from dataclasses import dataclass

import numpy as np

from analyzer.analysis import Analysis
from analyzer.findings.evidence import Blame
from analyzer.findings.finding import Finding, cause_of
from analyzer.in_words import number
from analyzer.phases.phases import Corner

MOST_LAPS = 12  # that leave room for the lock plot on one page of paper
MARKS = {
    Blame.CAR: ("\u25a0", "differential"),
    Blame.FOOT: ("\u25c6", "throttle"),
    Blame.OPEN: ("\u25cb", "unclear"),
    "coast_understeer": ("\u2228", "understeer"),
}
OTHER = ("\u2013", "other")
READ = (
    "\u25a0 inside rear spin, differential; \u25c6 throttle; \u25cb cause not clear; \u2228 off-throttle understeer; "
    "\u2013 another finding. The figure is the slowest speed of the pass, km/h; the fastest lap is bold."
)


@dataclass(frozen=True)
class Cell:
    """A pass of a corner: (mark, its name) of what was found, and the slowest speed, km/h; empty without a pass."""

    marks: tuple[tuple[str, str], ...]
    slowest: str


@dataclass(frozen=True)
class LapRow:
    """A lap with its time and its passes, one a corner."""

    number: int
    time: str
    fastest: bool
    cells: tuple[Cell, ...]


@dataclass(frozen=True)
class LapGrid:
    """Corners, such as `4 R`, the laps, and how to read it."""

    corners: tuple[str, ...]
    rows: tuple[LapRow, ...]
    read: str


def lap_grid(analysis: Analysis) -> LapGrid | None:
    """The grid of all laps, or of many those with the most findings and the fastest; None without laps or corners."""
    corners = sorted({(c.number, c.direction) for c in analysis.corners})
    bounds, time = analysis.laps.bounds, analysis.signals.time_s
    if not corners or not bounds:
        return None
    times = [float(time[stop - 1] - time[start]) + 1 / analysis.signals.rate_hz for start, stop in bounds]
    fastest = 1 + int(np.argmin(times)) if len(times) > 1 else 0
    found: dict[tuple[int | None, int | None], list[Finding]] = {}
    for one in analysis.findings:
        found.setdefault((one.lap, one.corner), []).append(one)
    most = {lap: sum(len(v) for k, v in found.items() if k[0] == lap) for lap in range(1, len(times) + 1)}
    chosen = sorted(most, key=lambda lap: (lap != fastest, -most[lap]))[:MOST_LAPS]
    passes = {(c.lap, c.number): c for c in analysis.corners}
    rows = [
        LapRow(
            number=lap,
            time=_clock(times[lap - 1]),
            fastest=lap == fastest,
            cells=tuple(_cell(analysis, passes.get((lap, n)), found.get((lap, n), [])) for n, _ in corners),
        )
        for lap in sorted(chosen)
    ]
    left = f" {len(rows)} of {len(times)} laps, those with the most findings." if len(rows) < len(times) else ""
    return LapGrid(tuple(f"{n} {direction[:1].upper()}" for n, direction in corners), tuple(rows), READ + left)


def _cell(analysis: Analysis, driven: Corner | None, found: list[Finding]) -> Cell:
    if driven is None:
        return Cell((), "")
    speed = analysis.signals.speed_m_s[driven.start : driven.stop]
    slowest = float(np.nanmin(speed)) if np.isfinite(speed).any() else None
    kinds = [cause_of(one) or one.kind for one in found]
    return Cell(
        tuple(dict.fromkeys(MARKS.get(kind, OTHER) for kind in kinds)),
        number(None if slowest is None else 3.6 * slowest, 0),
    )


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds, 2), 60)
    return f"{int(minutes)}:{rest:05.2f}"
