"""Runs of a comparison: whole logs, or some laps of one."""

import re
from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analyzer.analysis import Analysis
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.observations import Observations, observe


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


def each_once(logs: Sequence[Path | str], *, option: str) -> None:
    """Refuse a log that is given twice: its laps would count as twice as many.

    Raises
    ------
    InputError : names the log and the option.
    """
    files = [Path(log).resolve() for log in logs]
    twice = next((file for k, file in enumerate(files) if file in files[:k]), None)
    if twice is not None:
        raise InputError(f"{option}: {twice.name} is given twice, and its laps would count twice; name it once.")


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
