"""Stretches of a log: runs of samples, and the speed they are judged by."""

import numpy as np

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.recording import Recording

NOMINAL_RADIUS_M = 0.3  # only to judge orders of magnitude where wheel speeds are rotations


def runs(mask: np.ndarray) -> np.ndarray:
    """Runs of True as an (k, 2) array of first and last index."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return np.column_stack([edges[::2], edges[1::2] - 1])


def joined(found: np.ndarray, time_s: np.ndarray, *, within_s: float) -> np.ndarray:
    """Runs with those closer than `within_s` made one."""
    if len(found) < 2:
        return found
    apart = time_s[found[1:, 0]] - time_s[found[:-1, 1]] > within_s
    return np.column_stack([found[np.concatenate([[True], apart]), 0], found[np.concatenate([apart, [True]]), 1]])


def known(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times and values where there is a value; the arrays themselves where that is everywhere."""
    good = np.isfinite(values)
    return (time_s, values) if good.all() else (time_s[good], values[good])


def period_s(recording: Recording) -> float:
    """The usual time between samples, s."""
    return float(np.median(np.diff(recording.time_s)))


def wheel_speeds_m_s(recording: Recording) -> dict[str, np.ndarray]:
    """Logged wheel speeds in m/s, good to the accuracy of a nominal radius where they are rotations."""
    factor = NOMINAL_RADIUS_M if recording.wheel_speed_unit == "rad/s" else 1.0
    return {name: recording.channels[name] * factor for name in WHEEL_CHANNELS if name in recording.channels}


def rough_speed_m_s(recording: Recording, *, without: str | None = None, part: slice = slice(None)) -> np.ndarray:
    """The car's speed from the middle one of all speeds logged, NaN where there is none; `without` leaves one out,
    `part` asks for some of the samples."""
    factor = NOMINAL_RADIUS_M if recording.wheel_speed_unit == "rad/s" else 1.0
    speeds = [
        recording.channels[name][part] * (factor if name in WHEEL_CHANNELS else 1.0)
        for name in (*WHEEL_CHANNELS, "gps_speed")
        if name in recording.channels and name != without
    ]
    if not speeds:
        return np.full(len(recording.time_s[part]), np.nan)
    if all(np.isfinite(v).all() for v in speeds):
        _sort_together(speeds)
        return (speeds[(len(speeds) - 1) // 2] + speeds[len(speeds) // 2]) / 2
    stacked = np.sort(np.array(speeds), axis=0)  # NaN sorts last
    count = np.isfinite(stacked).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2, np.maximum(count, 1) // 2
    middle = middle[0], np.minimum(middle[1], np.maximum(count - 1, 0))
    columns = np.arange(stacked.shape[1])
    return (stacked[middle[0], columns] + stacked[middle[1], columns]) / 2


def _sort_together(rows: list[np.ndarray]) -> None:
    """Sort each sample over a few rows in place, by neighbours changing places: faster than sorting many short
    columns."""
    for k in range(len(rows)):
        for i in range(k % 2, len(rows) - 1, 2):
            rows[i], rows[i + 1] = np.minimum(rows[i], rows[i + 1]), np.maximum(rows[i], rows[i + 1])
