"""Stretches of a log: runs of samples, and the speed they are judged by."""

from collections.abc import Callable, Mapping

import numpy as np

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.recording import Recording

NOMINAL_RADIUS_M = 0.3  # only to judge orders of magnitude where wheel speeds are rotations


def runs(mask: np.ndarray) -> np.ndarray:
    """Runs of True as an (k, 2) array of first and last index."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return np.column_stack([edges[::2], edges[1::2] - 1])


def joined(found: np.ndarray, time_s: np.ndarray, *, within_s: float) -> np.ndarray:
    """Runs (k, 2), first and last index, with those closer than `within_s` made one."""
    if len(found) < 2:
        return found
    apart = time_s[found[1:, 0]] - time_s[found[:-1, 1]] > within_s
    return np.column_stack([found[np.concatenate([[True], apart]), 0], found[np.concatenate([apart, [True]]), 1]])


def known(time_s: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Times and values where there is a value; the arrays themselves where that is everywhere."""
    good = np.isfinite(values)
    return (time_s, values) if good.all() else (time_s[good], values[good])


def read_off(time_s: np.ndarray, at_s: np.ndarray) -> Callable[[np.ndarray], np.ndarray]:
    """What reads channels off at other times, linearly between the samples that have a value, held beyond the ends;
    zeros where a channel has none. The places are looked up once for all channels."""
    after = np.clip(np.searchsorted(time_s, at_s), 1, len(time_s) - 1)
    before = after - 1
    share = np.clip((at_s - time_s[before]) / (time_s[after] - time_s[before]), 0.0, 1.0)

    def read(values: np.ndarray) -> np.ndarray:
        times, present = known(time_s, values)
        if not len(times):
            return np.zeros(len(at_s))
        if len(times) < len(time_s):
            return np.interp(at_s, times, present)
        return values[before] + share * (values[after] - values[before])

    return read


def period_s(recording: Recording) -> float:
    """The usual time between samples, s."""
    return float(np.median(np.diff(recording.time_s)))


def wheel_speeds_m_s(recording: Recording, channels: Mapping[str, np.ndarray] | None = None) -> dict[str, np.ndarray]:
    """Channel -> logged wheel speed (n,) in m/s, good to the accuracy of a nominal radius where they are rotations;
    `channels` are the recording's own unless given."""
    channels = recording.channels if channels is None else channels
    speeds = {name: channels[name] for name in WHEEL_CHANNELS if name in channels}
    if recording.wheel_speed_unit != "rad/s":
        return speeds
    return {name: values * NOMINAL_RADIUS_M for name, values in speeds.items()}


def rough_speed_m_s(recording: Recording, *, without: str | None = None, part: slice = slice(None)) -> np.ndarray:
    """(n,) speed of the car (m/s) from the middle one of all speeds logged, NaN where there is none; `without` leaves
    one out, `part` asks for some of the samples."""
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
