"""Corner by lap in the report: each pass with what was found in it and its slowest speed."""

import numpy as np
import pytest
from made_analysis import made_analysis

from analyzer.findings.finding import cause_of
from analyzer.presentation import lap_grid as grids
from analyzer.presentation.lap_grid import MARKS, lap_grid


@pytest.fixture(scope="module")
def analysis():
    return made_analysis()


def test_every_pass_has_its_slowest_speed_and_what_was_found(analysis):
    grid = lap_grid(analysis)
    numbers = sorted({(c.number, c.direction) for c in analysis.corners})
    assert grid.corners == tuple(f"{n} {direction[0].upper()}" for n, direction in numbers)
    checked = 0
    for driven in (c for c in analysis.corners if c.lap):
        row = next(row for row in grid.rows if row.number == driven.lap)
        cell = row.cells[[n for n, _ in numbers].index(driven.number)]
        assert cell.slowest == f"{3.6 * np.nanmin(analysis.signals.speed_m_s[driven.start : driven.stop]):.0f}"
        found = [f for f in analysis.findings if (f.lap, f.corner) == (driven.lap, driven.number)]
        spins = {MARKS[cause_of(f)] for f in found if cause_of(f) is not None}
        assert spins <= set(cell.marks) and bool(found) == bool(cell.marks)
        checked += bool(spins)
    assert checked


def test_of_many_laps_those_with_the_most_findings_and_the_fastest_are_left(analysis, monkeypatch):
    bounds = analysis.laps.bounds
    assert len(bounds) > 1
    monkeypatch.setattr(grids, "MOST_LAPS", 1)
    (row,) = lap_grid(analysis).rows
    assert row.fastest and f"1 of {len(bounds)} laps" in lap_grid(analysis).read
