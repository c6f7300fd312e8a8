"""Channels logged at different rates in one table (sparse columns) are brought to the rows of the wheel speeds."""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.channels import WHEEL_CHANNELS

_STEPPED = ("gear", "lap")  # these hold their value until the next; all others are read off between samples
_RATE_ROWS = 20_000  # a stretch from the middle tells a rate as well as the whole log
_FULL = 0.95  # a column filled this far is not sparse, what is missing is missing
_BRIDGED_PERIODS = 2.5  # between two samples of a channel further apart than this nothing is filled


@dataclass(frozen=True)
class Base:
    """Channels on common rows, their own rates (Hz), and what was done."""

    time_s: np.ndarray
    channels: dict[str, np.ndarray]
    rates_hz: dict[str, float]
    history: tuple[str, ...]


def merge_rows(time_s: np.ndarray, channels: Mapping[str, np.ndarray]) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """Rows with equal time that hold different channels become one row; other rows stay as they are."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(time_s) != 0]))
    if len(starts) == len(time_s) or not channels:
        return time_s, dict(channels)
    shared = np.diff(starts, append=len(time_s)) > 1
    for values in channels.values():
        filled = np.add.reduceat(np.isfinite(values).astype(np.int32), starts)
        if np.mean(filled[shared] > 1) > 0.01:
            return time_s, dict(channels)  # the same channel twice at one time: a repeat, not a merge
    return time_s[starts], {name: np.fmax.reduceat(values, starts) for name, values in channels.items()}


def common_base(time_s: np.ndarray, channels: Mapping[str, np.ndarray]) -> Base:
    """Channels on the rows of the wheel speeds.

    Parameters
    ----------
    time_s : (n,) strictly increasing, s.
    channels : name -> (n,) values, NaN where the row holds none.

    Notes
    -----
    A channel that fills less than 95 % of the rows at a steady rate of its own is sparse: it is read off linearly
    between its samples (gear and lap keep the last value), never across a gap of its own. So is one that repeats each
    value until its next sample: taken as it stands it would be half its period late, and change in steps.
    """
    filled = {name: np.isfinite(values) for name, values in channels.items()}
    rates = {}
    for name, values in channels.items():
        fastest, repeats = _rows_a_value(time_s, values, filled[name])
        rates[name] = fastest / repeats
        if repeats > 1 and name not in _STEPPED:
            filled[name] &= _first_of_each(values, repeats)
    sparse = [name for name, present in filled.items() if present.mean() < _FULL and _is_steady(time_s, present)]
    if not sparse:
        return Base(time_s, dict(channels), rates, ())
    wheels = [n for n in WHEEL_CHANNELS if n in channels] or list(channels)
    lead = max(wheels, key=lambda n: filled[n].sum())
    rows = filled[lead] if lead in sparse else np.ones(len(time_s), bool)
    base = time_s[rows]
    result = {}
    for name, values in channels.items():
        result[name] = (
            _read_off(base, time_s[filled[name]], values[filled[name]], name) if name in sparse else values[rows]
        )
    words = f"brought {len(sparse)} channels of other rates to the {rates[lead]:.4g} Hz of {lead}"
    return Base(base - base[0], result, rates, (words,))


def _is_steady(time_s: np.ndarray, present: np.ndarray) -> bool:
    """Whether the samples come at a rate of their own, instead of missing in stretches."""
    steps = np.diff(np.flatnonzero(present))
    if len(steps) < 10:
        return False
    usual = np.median(steps)
    if usual > 1:
        return True
    # every other row filled in bursts: compare with the time between them
    return bool(np.mean(steps > 1) > 0.05)


def _rows_a_value(time_s: np.ndarray, values: np.ndarray, present: np.ndarray) -> tuple[float, int]:
    """How often a channel is written (Hz), and how many times it writes each of its values."""
    rows = np.flatnonzero(present)
    rows = rows[len(rows) // 2 - _RATE_ROWS // 2 :][:_RATE_ROWS] if len(rows) > _RATE_ROWS else rows
    times, kept = time_s[rows], values[rows]
    if len(times) < 3:
        return 0.0, 1
    fastest = 1 / float(np.median(np.diff(times)))
    fresh = np.flatnonzero(np.diff(kept) != 0)
    if len(fresh) < 50:
        return fastest, 1
    held = int(np.median(np.diff(fresh)))
    # held samples show in most steps being of one length above one row
    regular = np.mean(np.diff(fresh) >= held) > 0.9
    return fastest, held if held > 1 and regular else 1


def _first_of_each(values: np.ndarray, repeats: int) -> np.ndarray:
    """(n,) bool, the row in which each value of a channel is new; where samples in a row are alike, every `repeats`
    rows while as many follow."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(values) != 0]))
    length = np.diff(starts, append=len(values))
    since = np.arange(len(values)) - np.repeat(starts, length)
    left = np.repeat(length, length) - since
    return (since == 0) | ((since % repeats == 0) & (left >= repeats))


def _read_off(base: np.ndarray, times: np.ndarray, values: np.ndarray, name: str) -> np.ndarray:
    after = np.searchsorted(times, base, side="right")
    before = np.maximum(after - 1, 0)
    if name in _STEPPED:
        result = values[before].copy()
        result[base < times[0]] = np.nan
        return result
    result = np.interp(base, times, values, left=np.nan, right=np.nan)
    following = np.minimum(np.searchsorted(times, base, side="left"), len(times) - 1)
    period = float(np.median(np.diff(times)))
    result[times[following] - times[before] > _BRIDGED_PERIODS * period] = np.nan
    late = base - times[-1]
    result[(late > 0) & (late < period)] = values[-1]  # the log ends before the next would have come
    return result
