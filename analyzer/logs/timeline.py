"""The time of a log: strictly increasing, with what had to be done for it; channels logged at other rates are
brought to the rows of the wheel speeds.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import WHEEL_CHANNELS
from analyzer.errors import CannotTell, InputError
from analyzer.in_words import counted
from analyzer.logs.recording import Annotation

_STEPPED = ("gear", "lap")  # these hold their value until the next; all others are read off between samples
_RATE_ROWS = 20_000  # a stretch from the middle tells a rate as well as the whole log
# A channel that was joined by lines or a spline bends more at every k-th row than between, noise the same everywhere:
# standard errors of the mean bend in the third of the rows that shows it least (a wheel that turns once in k rows does
# so for a while only), and the longest k. 8.6 to 97 of wheels joined from 5 to 50 Hz in a log of 100 Hz, some rounded
# to 0.1 km/h since; 3.7 in one and 2.5 at most in 1,000 other channels of 152 sound logs. Pedals have no such noise.
_BENDS, _BENT_ROWS, _LONGEST_JOINED = 6.0, 60_000, 50
_NOISY = (*WHEEL_CHANNELS, "lat_g", "long_g", "yaw_rate")
_FULL = 0.95  # a column filled this far is not sparse, what is missing is missing
_BRIDGED_PERIODS = 2.5  # between two samples of a channel further apart than this nothing is filled
_DAY_S = 86400.0
LONGEST_PAUSE_S = 600.0
SLOWEST_PERIOD_S = 0.5


@dataclass(frozen=True)
class Base:
    """Channels on common rows, their own rates (Hz), and what was done."""

    time_s: FloatArray
    channels: dict[str, FloatArray]
    rates_hz: dict[str, float]
    history: tuple[str, ...]


def merge_rows(time_s: FloatArray, channels: Mapping[str, FloatArray]) -> tuple[FloatArray, dict[str, FloatArray]]:
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


def common_base(time_s: FloatArray, channels: Mapping[str, FloatArray]) -> Base:
    """Channels on the rows of the wheel speeds.

    Parameters
    ----------
    time_s : (n,) strictly increasing, s.
    channels : name -> (n,) values, NaN where the row holds none.

    Notes
    -----
    A channel that fills less than 95 % of the rows at a steady rate of its own is sparse: it is read off linearly
    between its samples (gear and lap keep the last value), never across a gap of its own. So is one that repeats each
    value until its next sample: taken as it stands it would be half its period late, and change in steps. And so is
    one that was joined by lines between its samples: rows without noise of their own look surer than they are (wheels
    joined from 10 or 25 Hz took the lock curve 300 N.m out of its interval; the same samples alone are right).
    """
    filled = {name: np.isfinite(values) for name, values in channels.items()}
    rates = {}
    for name, values in channels.items():
        fastest, repeats = _rows_a_value(time_s, values, filled[name])
        rates[name] = fastest / repeats
        if repeats > 1 and name not in _STEPPED:
            filled[name] &= _first_of_each(values, repeats)
        elif name in _NOISY:
            every, first = _bends(values)
            rates[name] /= every
            filled[name] &= np.arange(len(values)) % every == first
    sparse = [name for name, present in filled.items() if present.mean() < _FULL and _is_steady(time_s, present)]
    if not sparse:
        return Base(time_s, dict(channels), rates, ())
    wheels = [n for n in WHEEL_CHANNELS if n in channels] or list(channels)
    # of wheels at different rates the slowest, for what is read off between its samples has no noise of its own
    slowest = min((n for n in wheels if n in sparse), key=lambda n: filled[n].sum(), default=None)
    lead = slowest or max(wheels, key=lambda n: filled[n].sum())
    rows = filled[lead] if lead in sparse else np.ones(len(time_s), bool)
    base = time_s[rows]
    result = {}
    for name, values in channels.items():
        result[name] = (
            _read_off(base, time_s[filled[name]], values[filled[name]], name) if name in sparse else values[rows]
        )
    words = f"brought {len(sparse)} channels of other rates to the {rates[lead]:.4g} Hz of {lead}"
    return Base(base - base[0], result, rates, (words,))


def _is_steady(time_s: FloatArray, present: BoolArray) -> bool:
    """Whether the samples come at a rate of their own, instead of missing in stretches."""
    steps = np.diff(np.flatnonzero(present))
    if len(steps) < 10:
        return False
    usual = np.median(steps)
    if usual > 1:
        return True
    # every other row filled in bursts: compare with the time between them
    return bool(np.mean(steps > 1) > 0.05)


def _rows_a_value(time_s: FloatArray, values: FloatArray, present: BoolArray) -> tuple[float, int]:
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


def _bends(values: FloatArray) -> tuple[int, int]:
    """Every how many rows a channel (n,) has a sample of its own, and the first such row; 1 and 0 where all are."""
    start = max(len(values) - _BENT_ROWS, 0) // 2
    bend = np.abs(np.diff(values[start : start + _BENT_ROWS], n=2))
    bend = _once(bend[: np.argmin(np.isfinite(bend))] if not np.isfinite(bend).all() else bend)
    if len(bend) < 10 * _LONGEST_JOINED:
        return 1, 0
    bend = np.minimum(bend, np.percentile(bend, 99))  # no single jump decides
    if not bend.any():
        return 1, 0  # a dead sensor
    usual, best = float(bend.mean()), (_BENDS * float(bend.std()), 1, 0)
    for every in range(2, _LONGEST_JOINED + 1):
        count = len(bend) // (3 * every)
        of_thirds = bend[: 3 * count * every].reshape(3, count, every)
        mean = (np.full(count, 1 / count) @ of_thirds).min(axis=0)  # the mean over rows, in a fifth of the time
        at = int(np.argmax(mean))
        best = max(best, (float(mean[at] - usual) * np.sqrt(count), every, (start + at + 1) % every))
    return best[1:]


def _once(values: FloatArray) -> FloatArray:
    """Up to where values (n,) begin to repeat themselves to the last digit, noise and all, as in a long log made of a
    short one."""
    again = np.arange(1, len(values) - _LONGEST_JOINED)
    for k in range(_LONGEST_JOINED if len(again) else 0):
        again = again[values[again + k] == values[k]]
    return next((values[:n] for n in again if np.array_equal(values[n:], values[:-n])), values)


def _first_of_each(values: FloatArray, repeats: int) -> BoolArray:
    """(n,) bool, the row in which each value of a channel is new; where samples in a row are alike, every `repeats`
    rows while as many follow."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(values) != 0]))
    length = np.diff(starts, append=len(values))
    since = np.arange(len(values)) - np.repeat(starts, length)
    left = np.repeat(length, length) - since
    new: BoolArray = (since == 0) | ((since % repeats == 0) & (left >= repeats))
    return new


def _read_off(base: FloatArray, times: FloatArray, values: FloatArray, name: str) -> FloatArray:
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


@dataclass(frozen=True)
class Timeline:
    """Mended time.

    Attributes
    ----------
    time_s : (n,) float64, strictly increasing, starts at 0.
    rows : (n,) rows of the file in this order.
    annotations : what was mended.
    """

    time_s: FloatArray
    rows: IntArray
    annotations: tuple[Annotation, ...]


def seconds_of_digits(values: FloatArray) -> FloatArray | None:
    """Seconds (n,) of a clock written as one number, hhmmss.fff, as satellites' receivers have it; None of others.

    Notes
    -----
    Such a clock holds no second and no minute over 59, and at every full minute it steps by 40 more than time does.
    """
    known = values[np.isfinite(values)]
    if len(known) < 3 or known.min() < 0 or known.max() >= 240_000:
        return None
    minutes, second = np.divmod(values, 100.0)
    hour, minute = np.divmod(minutes, 100.0)
    if np.nanmax(second) >= 60 or np.nanmax(minute) >= 60:
        return None
    seconds: FloatArray = 3600 * hour + 60 * minute + second
    step = np.diff(seconds[np.isfinite(values)])
    full = np.diff(minutes[np.isfinite(values)]) != 0
    if not full.any() or np.median(step[full]) > 2 * np.median(step):
        return None
    return seconds


def mend_time(raw_s: FloatArray, *, name: str) -> Timeline:
    """Strictly increasing time from a file's time column.

    Parameters
    ----------
    raw_s : (n,) time in s, NaN where the file has none.
    name : file name for messages.

    Returns
    -------
    Timeline

    Raises
    ------
    InputError : no times, or an order that cannot be mended.
    CannotTell : fewer than two samples a second.
    """
    rows: IntArray = np.flatnonzero(np.isfinite(raw_s))
    if len(rows) < 2:
        raise InputError(
            f"{name}: the time column holds {counted(len(rows), 'number')}; a log needs a time in every row."
        )
    notes: list[Annotation] = []
    lost = len(raw_s) - len(rows)
    if lost:
        notes.append(_note("rows_without_time", f"{counted(lost, 'row')} without a time left out."))
    time = raw_s[rows] - raw_s[rows[0]]
    time, rows = _ordered(time, rows, notes, name)
    time, rows = _without_repeats(time, rows, notes, name)
    if len(rows) < 2 or not (np.diff(time) > 0).all():  # also where times are too close to be spread
        raise InputError(f"{name}: time stands still; check which column is the time.")
    time = _without_long_pauses(time, notes, name)
    return Timeline(time - time[0], rows, tuple(notes))


def _note(code: str, message: str, at: float | None = None, *, excludes: bool = False) -> Annotation:
    return Annotation(code, "warning", "time", at, at, message, excludes)


def is_midnight(steps_s: FloatArray, period_s: float = 0.0) -> BoolArray:
    """Which of some steps back (k,) a clock without a date makes at midnight."""
    return np.abs(steps_s + _DAY_S) < max(60.0, 10 * period_s)


def _ordered(time: FloatArray, rows: IntArray, notes: list[Annotation], name: str) -> tuple[FloatArray, IntArray]:
    """Time without steps backwards: midnight, rows out of order, or a clock that was set back."""
    step = np.diff(time)
    back = np.flatnonzero(step < 0)
    if not len(back):
        return time, rows
    forward = step[step > 0] if np.mean(step > 0) > 0.5 else np.diff(np.unique(time))
    period = float(np.median(forward))
    if is_midnight(step[back], period).all():
        time = time + _DAY_S * np.searchsorted(back, np.arange(len(time)), side="left")
        notes.append(Annotation("midnight", "info", "time", None, None, "The clock passes midnight; time goes on."))
        return time, rows
    order = np.argsort(time, kind="stable")
    gaps = np.diff(time[order])
    overlap = float(np.mean(gaps < 0.5 * period))
    if overlap < 0.02:  # sorting leaves a regular grid: the rows were only out of order
        moved = int(np.count_nonzero(order != np.arange(len(order))))
        rows_out = counted(moved, "row was", "rows were")
        notes.append(_note("unsorted_time", f"{rows_out} out of order in time; the log was sorted."))
        return time[order], rows[order]
    if len(back) > max(3, len(time) // 1000):
        raise InputError(
            f"{name}: time runs backwards {counted(len(back), 'time')} and sorting does not give a regular clock; "
            "check which column is the time, or export the log again."
        )
    for place in back:  # a few restarts: what follows is put one sample period later
        shift = time[place] + period - time[place + 1]
        time = np.concatenate([time[: place + 1], time[place + 1 :] + shift])
        at = float(time[place])
        notes.append(
            _note(
                "clock_jump",
                f"The clock is set back by {shift - period:.3f} s at {at:.2f} s; the log goes on from there, and "
                "corners across this place are left out.",
                at,
                excludes=True,
            )
        )
    return time, rows


def _without_long_pauses(time: FloatArray, notes: list[Annotation], name: str) -> FloatArray:
    """Time with pauses beyond LONGEST_PAUSE_S made that long; refused when little but pauses is left."""
    step = np.diff(time)
    period = float(np.median(step))
    if period > SLOWEST_PERIOD_S:
        raise CannotTell(
            f"{name}: samples come every {period:.3g} s; corners need {1 / SLOWEST_PERIOD_S:g} samples a second or "
            "more. Log faster, or check the unit of the time."
        )
    for place in np.flatnonzero(step > LONGEST_PAUSE_S):
        words = (
            f"The clock jumps on by {step[place]:.0f} s at {time[place]:.2f} s; the log goes on "
            f"{LONGEST_PAUSE_S:.0f} s later, and nothing is concluded across this place."
        )
        notes.append(_note("clock_jump", words, float(time[place]), excludes=True))
    mended: FloatArray = time[0] + np.concatenate([[0.0], np.cumsum(np.minimum(step, LONGEST_PAUSE_S))])
    if not (step > LONGEST_PAUSE_S).any():
        mended = time  # a sum of differences would lose digits
    if mended[-1] > 20 * len(time) * period + 3600:
        raise InputError(f"{name}: time has more holes than samples; check which column is the time.")
    return mended


def _without_repeats(
    time: FloatArray, rows: IntArray, notes: list[Annotation], name: str
) -> tuple[FloatArray, IntArray]:
    """Time without repeated values: a coarse clock is spread evenly, single repeats are dropped."""
    same = np.diff(time) == 0
    if not same.any():
        return time, rows
    share = float(np.mean(same))
    first = np.concatenate([[True], ~same])
    starts = np.flatnonzero(first)
    if share > 0.2:  # the clock is coarser than the rows
        if len(starts) < 2:
            raise InputError(f"{name}: time stands still; check which column is the time.")
        lengths = np.diff(np.concatenate([starts, [len(time)]]))
        ticks = time[starts]
        tick_length = np.diff(ticks, append=ticks[-1] + (ticks[-1] - ticks[-2]))
        within = np.arange(len(time)) - np.repeat(starts, lengths)
        usual = np.repeat(np.minimum(tick_length, np.median(tick_length)), lengths)
        notes.append(
            _note(
                "coarse_time",
                f"{share:.0%} of the times repeat, the clock is coarser than the rows; rows were spread evenly.",
            )
        )
        return time + usual * within / np.repeat(lengths, lengths), rows
    repeats = counted(
        int(same.sum()), "row with the time of the row before was", "rows with the time of the row before were"
    )
    notes.append(_note("repeated_time", f"{repeats} left out."))
    return time[first], rows[first]
