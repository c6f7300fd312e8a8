"""Each corner's number beside its first apex, where no path, no mark of a finding and no other number is."""

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis

PLOT_PX = (520.0, 300.0)  # about the smaller of the maps on a laptop
SMALLER = 0.5  # and on a phone, as a share of it
PATH_POINTS = 600
DISTANCES_PX = (16.0, 22.0, 28.0, 36.0, 46.0)  # of a number's middle from its apex, the nearest that is free
TO_PATH_PX, TO_NUMBER_PX = 11.0, 18.0
TO_MARK_PX = 23.0  # the ring about a chosen mark and half of two figures
DIRECTIONS = 24


def number_corners(figure: go.Figure, analysis: Analysis, x: np.ndarray, y: np.ndarray) -> None:
    """Write the numbers; x and y (n,) in m, NaN where nothing is drawn."""
    path = np.column_stack([x, y])
    drawn = path[np.isfinite(path).all(axis=1)]
    if not len(drawn):
        return
    sides = np.ptp(drawn, axis=0)
    scale = min(px / side for px, side in zip(PLOT_PX, np.where(sides > 0, sides, 1.0), strict=True))
    line = drawn[:: max(1, len(drawn) // PATH_POINTS)]
    starts = [f.start_s for f in analysis.findings if f.is_placed]
    marks = path[np.searchsorted(analysis.signals.time_s, starts).clip(max=len(path) - 1)]
    marks = marks[np.isfinite(marks).all(axis=1)]
    numbers = np.empty((0, 2))
    seen = set()
    for corner in analysis.corners:
        here = path[corner.apex]
        if corner.number in seen or not np.isfinite(here).all():
            continue
        seen.add(corner.number)
        shift = _free_place(here, drawn.mean(axis=0), scale, ((line, TO_PATH_PX), (marks, TO_MARK_PX)), numbers)
        numbers = np.vstack([numbers, scale * here + shift])
        figure.add_annotation(
            x=here[0], y=here[1], text=str(corner.number), showarrow=False, xshift=shift[0], yshift=shift[1]
        )


def _free_place(
    here: np.ndarray,
    centre: np.ndarray,
    scale: float,
    obstacles: tuple[tuple[np.ndarray, float], ...],
    numbers: np.ndarray,
) -> np.ndarray:
    """(2,) px from the apex: the nearest place with room on a large and on a small screen, away from the circuit's
    middle if there are several; where none has room, the one with most."""
    angles = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    away = here - centre
    outward = np.cos(angles - np.arctan2(away[1], away[0]))
    best, most = np.zeros(2), -np.inf
    for distance in DISTANCES_PX:
        shifts = distance * np.column_stack([np.cos(angles), np.sin(angles)])
        room = np.min(
            [
                _nearest(at * scale * (points - here), shifts) / needed
                for points, needed in obstacles
                for at in (1.0, SMALLER)
            ]
            + [_nearest(numbers - scale * here, shifts) / TO_NUMBER_PX],
            axis=0,
        )
        free = room >= 1.0
        if free.any():
            return shifts[np.argmax(np.where(free, outward, -np.inf))]
        if room.max() > most:
            best, most = shifts[np.argmax(room)], room.max()
    return best


def _nearest(points: np.ndarray, places: np.ndarray) -> np.ndarray:
    """(places,) distance of each place from the nearest of the points."""
    if not len(points):
        return np.full(len(places), np.inf)
    return np.min(np.linalg.norm(places[:, None, :] - points[None, :, :], axis=2), axis=1)
