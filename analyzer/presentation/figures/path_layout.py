"""The path as it is drawn: dead-reckoned laps drift apart, so each is turned and shifted onto the first."""

import numpy as np

from analyzer.analysis import Analysis

MATCHED = 200  # points by which two laps are laid over each other


def drawn_path(analysis: Analysis) -> tuple[np.ndarray, np.ndarray]:
    """(x, y) in m, each (n,): as logged with a position, else with every whole lap laid over the first.

    Notes
    -----
    Points at the same share of the lap distance are matched; turn and shift are the least-squares ones (Kabsch, Acta
    Cryst. A32 (1976) 922). Lap shape and length stay as they were. Samples outside whole laps are NaN then.
    """
    signals = analysis.signals
    bounds = analysis.laps.bounds
    if signals.position_source == "position" or not bounds:
        return signals.x_m, signals.y_m
    path = np.column_stack([signals.x_m, signals.y_m])
    drawn = np.full(path.shape, np.nan)
    model = _matched(path, signals.distance_m, *bounds[0])
    for start, stop in bounds:
        lap = _matched(path, signals.distance_m, start, stop)
        turn = _rotation(lap - lap.mean(axis=0), model - model.mean(axis=0))
        drawn[start:stop] = (path[start:stop] - lap.mean(axis=0)) @ turn + model.mean(axis=0)
    return drawn[:, 0], drawn[:, 1]


def _matched(path: np.ndarray, distance_m: np.ndarray, start: int, stop: int) -> np.ndarray:
    at = np.linspace(distance_m[start], distance_m[stop - 1], MATCHED)
    return np.column_stack([np.interp(at, distance_m[start:stop], path[start:stop, k]) for k in (0, 1)])


def _rotation(points: np.ndarray, model: np.ndarray) -> np.ndarray:
    """(2, 2) rotation R that makes points @ R nearest to model; no reflection."""
    left, _, right = np.linalg.svd(points.T @ model)
    flip = np.diag([1.0, np.sign(np.linalg.det(left @ right))])
    return left @ flip @ right
