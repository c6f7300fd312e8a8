"""A long log in blocks of rows, each read when it is its turn."""

import itertools
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from math import inf
from pathlib import Path

import numpy as np
import pyarrow as pa

from analyzer.channels import TIME_FACTORS
from analyzer.errors import HalfshaftError
from analyzer.logs.assemble import Taken, assemble, unit_of
from analyzer.logs.mapping import ChannelMap, LogEntry
from analyzer.logs.read import from_map, read_log, recognised, require_usable
from analyzer.logs.recording import RawLog, Recording
from analyzer.logs.registry import open_log
from analyzer.logs.timeline import LONGEST_PAUSE_S, is_midnight, mend_time, seconds_of_digits

TOLD_BY_ROWS = 100_000  # of a long log: enough to recognise its columns and units


@dataclass(frozen=True)
class LogBlock:
    """A stretch of a log.

    Attributes
    ----------
    read : reads it; its time starts at 0.
    starts_s : where that is in the log's time.
    own_s : from and to (not included), in its own time: what belongs to it. The rest overlaps its neighbours.
    """

    read: Callable[[], Recording]
    starts_s: float = 0.0
    own_s: tuple[float, float] = (-inf, inf)


def open_blocks(path: Path | str, *, channel_map: ChannelMap | None, rows: int, lead_s: float) -> tuple[LogBlock, ...]:
    """A log in blocks that overlap on both sides.

    One block where the log is up to half as long again, where its form cannot be read in pieces, or where its time
    column is missing or its clock was set back, which takes all of it.

    Parameters
    ----------
    channel_map : None: channels are recognised, by the middle of the log.
    rows : that a block has about.
    lead_s : that it is read with before and after what belongs to it.

    Raises
    ------
    InputError : as `read_log`; what is wrong inside a block shows when it is read.
    """
    whole = (LogBlock(lambda: read_log(path, channel_map=channel_map)),)
    raw, name = open_log(path), Path(path).name
    raw = raw.counted() if raw.counted is not None else raw
    if raw.part is None or raw.rows is None or raw.rows < 1.5 * rows:
        return whole
    pieces = round(raw.rows / rows)
    cuts = [raw.rows * k // pieces for k in range(pieces + 1)]
    # from the middle, where a car is driven if anywhere
    middle = raw.part(slice(cuts[pieces // 2], min(cuts[pieces // 2] + TOLD_BY_ROWS, raw.rows)))
    taken, log_entry = (
        recognised(middle, name) if channel_map is None else (from_map(raw, channel_map, name), channel_map.log)
    )
    if "time" not in taken:
        return whole
    (times,), _ = middle.load([taken["time"].index])
    step_s = float(np.nanmedian(np.diff(times))) * _seconds(raw, taken["time"], name)
    if not step_s > 0:
        return whole
    lead = round(lead_s / step_s)
    reads = [slice(max(a - lead, 0), min(b + lead, raw.rows)) for a, b in itertools.pairwise(cuts)]
    clock = _clock(raw, taken["time"], name, cuts, {r.start for r in reads} | {*cuts[:-1], raw.rows - 1})
    if clock is None:
        return whole
    # between two samples, where rounding cannot give a sample to both blocks or to none
    bounds = [0.0, *(clock[row] - step_s / 2 for row in cuts[1:-1]), clock[raw.rows - 1] + step_s / 2]
    blocks = []
    for own, stretch in zip(itertools.pairwise(bounds), reads, strict=True):
        at = clock[stretch.start]
        read = partial(_read, raw, stretch, taken, name, log_entry)
        blocks.append(LogBlock(read, at, (own[0] - at, own[1] - at)))
    return tuple(blocks)


def _read(raw: RawLog, rows: slice, taken: Mapping[str, Taken], name: str, log_entry: LogEntry) -> Recording:
    part = raw.stretch(rows)
    recording = assemble(part, taken, name=name, log_entry=log_entry)
    require_usable(recording, part)
    if rows.start:  # only the first block's first row is the log's
        notes = tuple(a for a in recording.annotations if a.code != "time_origin")
        recording = replace(recording, annotations=notes)
    del part
    pa.default_memory_pool().release_unused()
    return recording


def _seconds(raw: RawLog, time: Taken, name: str) -> float:
    """Seconds in one unit of the time column."""
    entry = time.entry
    return TIME_FACTORS.get(unit_of(raw, time, "time", name), 0.0) * (entry.sign * entry.scale if entry else 1.0)


def _clock(raw: RawLog, time: Taken, name: str, cuts: list[int], wanted: set[int]) -> dict[int, float] | None:
    """Row -> log time (s) of the `wanted` rows; None where the clock was set back, or rows are out of order.

    Notes
    -----
    Where time stands still, is missing in rows, pauses or passes midnight it is mended as a whole, as each block's then
    is by itself: to the same time from row to row, but for a coarse clock's rows at the ends of a block.
    """
    seconds = _seconds(raw, time, name)
    found: dict[int, float] = {}
    before = 0.0  # log time of the row before the stretch, with which it is read
    for start, stop in itertools.pairwise(cuts):
        (values,), _ = raw.stretch(slice(max(start - 1, 0), stop)).load([time.index])
        at = before + (values - values[0]) * seconds  # a clock's values are counted from the first of what is read
        step = np.diff(at)
        if not (step > 0).all() or step.max() > LONGEST_PAUSE_S or seconds_of_digits(values) is not None:
            return _mended_clock(raw, time, name, cuts, wanted)
        before = float(at[-1])
        at = at[1:] if start else at
        found.update((row, float(at[row - start])) for row in wanted if start <= row < stop)
    return found


def _mended_clock(raw: RawLog, time: Taken, name: str, cuts: list[int], wanted: set[int]) -> dict[int, float] | None:
    """As `_clock`, of a time that has to be mended. Of a row that is left out, the time of the next one."""
    if raw.columns[time.index].is_clock:  # counted from the first of what is read, so all of it at once
        parts = [raw.stretch(slice(cuts[0], cuts[-1])).load([time.index])[0][0]]
    else:
        parts = [raw.stretch(slice(*pair)).load([time.index])[0][0] for pair in itertools.pairwise(cuts)]
    values = np.concatenate(parts)
    digits = seconds_of_digits(values)
    at = (values if digits is None else digits) * _seconds(raw, time, name)
    step = np.diff(at[np.isfinite(at)])
    if not is_midnight(step[step < 0]).all():
        return None
    try:
        mended = mend_time(at, name=name)
    except HalfshaftError:
        return None  # said where the log is read as a whole
    places = np.minimum(np.searchsorted(mended.rows, sorted(wanted)), len(mended.rows) - 1)
    return dict(zip(sorted(wanted), mended.time_s[places].tolist(), strict=True))
