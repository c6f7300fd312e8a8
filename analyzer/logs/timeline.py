"""Makes the time of a log strictly increasing, and says what had to be done for it."""

from dataclasses import dataclass

import numpy as np

from analyzer.errors import CannotTell, InputError
from analyzer.in_words import counted
from analyzer.logs.recording import Annotation

_DAY_S = 86400.0
LONGEST_PAUSE_S = 600.0
SLOWEST_PERIOD_S = 0.5


@dataclass(frozen=True)
class Timeline:
    """Mended time.

    Attributes
    ----------
    time_s : (n,) float64, strictly increasing, starts at 0.
    rows : (n,) rows of the file in this order.
    annotations : what was mended.
    """

    time_s: np.ndarray
    rows: np.ndarray
    annotations: tuple[Annotation, ...]


def seconds_of_digits(values: np.ndarray) -> np.ndarray | None:
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
    seconds = 3600 * hour + 60 * minute + second
    step = np.diff(seconds[np.isfinite(values)])
    full = np.diff(minutes[np.isfinite(values)]) != 0
    if not full.any() or np.median(step[full]) > 2 * np.median(step):
        return None
    return seconds


def mend_time(raw_s: np.ndarray, *, name: str) -> Timeline:
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
    rows = np.flatnonzero(np.isfinite(raw_s))
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


def is_midnight(steps_s: np.ndarray, period_s: float = 0.0) -> np.ndarray:
    """Which of some steps back (k,) a clock without a date makes at midnight."""
    return np.abs(steps_s + _DAY_S) < max(60.0, 10 * period_s)


def _ordered(time: np.ndarray, rows: np.ndarray, notes: list[Annotation], name: str) -> tuple[np.ndarray, np.ndarray]:
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


def _without_long_pauses(time: np.ndarray, notes: list[Annotation], name: str) -> np.ndarray:
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
    mended = time[0] + np.concatenate([[0.0], np.cumsum(np.minimum(step, LONGEST_PAUSE_S))])
    if not (step > LONGEST_PAUSE_S).any():
        mended = time  # a sum of differences would lose digits
    if mended[-1] > 20 * len(time) * period + 3600:
        raise InputError(f"{name}: time has more holes than samples; check which column is the time.")
    return mended


def _without_repeats(
    time: np.ndarray, rows: np.ndarray, notes: list[Annotation], name: str
) -> tuple[np.ndarray, np.ndarray]:
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
