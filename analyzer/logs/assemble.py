"""Columns that were recognised become channels in SI on one time base."""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.errors import CannotTell, InputError
from analyzer.logs.mapping import ChannelEntry, LogEntry
from analyzer.logs.raw import RawLog
from analyzer.logs.recording import Annotation, ChannelSource, Recording
from analyzer.logs.timeline import mend_time
from analyzer.logs.unit_names import parse_unit
from analyzer.units import conversion


@dataclass(frozen=True)
class Taken:
    """One column taken for one channel.

    Attributes
    ----------
    index : number of the column in the raw log.
    reason : why, for a person.
    entry : what a channel map says about it, or None.
    unit : unit symbol found by other means than the file's statement, or None.
    at : where a steer angle is measured.
    """

    index: int
    reason: str
    entry: ChannelEntry | None = None
    unit: str | None = None
    at: str | None = None


def assemble(raw: RawLog, taken: Mapping[str, Taken], *, name: str, log_entry: LogEntry | None = None) -> Recording:
    """A Recording from recognised columns.

    Parameters
    ----------
    raw : the opened log.
    taken : canonical name -> column. Without `time`, a stated rate is used.
    name : file name for messages.
    log_entry : `[log]` of the channel map.

    Raises
    ------
    InputError : a unit that does not fit, wheel speeds in different kinds of unit, a time that cannot be mended.
    """
    order = list(taken)
    loaded, problems = raw.load([taken[c].index for c in order]) if order else ([], [])
    columns = dict(zip(order, loaded, strict=True))
    notes = [Annotation("file", "warning", None, None, None, sentence) for sentence in [*raw.notes, *problems]]
    if not columns or not any(len(v) and np.isfinite(v).any() for v in columns.values()):
        raise InputError(f"{name}: holds no numbers in the columns recognised; export the log again.")
    time_s = _time(raw, taken, columns, name, log_entry)
    timeline = mend_time(time_s, name=name)
    channels, sources, wheel_units = {}, {}, {}
    for channel in order:
        if channel == "time":
            continue
        values = columns[channel][timeline.rows]
        symbol = unit_of(raw, taken[channel], channel, name)
        sources[channel] = ChannelSource(raw.columns[taken[channel].index].name, symbol, taken[channel].reason)
        if not np.isfinite(values).any():
            notes.append(
                Annotation("empty", "warning", channel, None, None, f"{CHANNELS[channel].label} holds no numbers.")
            )
            continue
        channels[channel], inside = in_si(values, channel, symbol, taken[channel].entry, name)
        if channel in WHEEL_CHANNELS:
            wheel_units[channel] = inside
    if len(set(wheel_units.values())) > 1:
        found = ", ".join(f"{c} {sources[c].unit}" for c in wheel_units)
        raise InputError(
            f"{name}: wheel speeds must all be speeds or all be rotations, found {found}; state the units in "
            "a channel map."
        )
    steer = taken.get("steer")
    at = (steer.at or (steer.entry.at if steer.entry else None)) if steer else None
    if "lat_g" not in channels and "yaw_rate" in channels:
        words = (
            "Lateral acceleration is not logged; speed times yaw rate stands in for it, which hides how the car "
            "drifts sideways."
        )
        notes.append(Annotation("no_lateral_acceleration", "warning", "lat_g", None, None, words))
    return Recording(
        name=name,
        time_s=timeline.time_s,
        channels=channels,
        wheel_speed_unit=next(iter(wheel_units.values()), "m/s"),
        steer_at=at or "steering_wheel",
        sources=sources,
        annotations=(*notes, *timeline.annotations),
        history=(f"read {len(time_s)} rows of {raw.form}",),
    )


def unit_of(raw: RawLog, taken: Taken, channel: str, file: str) -> str:
    """The unit symbol of a column: by the map, by the file's statement, by other evidence, by the contract.

    Raises
    ------
    InputError : the unit is stated, but is none this program knows.
    """
    column = raw.columns[taken.index]
    stated = (taken.entry.unit if taken.entry else None) or column.unit
    if column.is_clock:
        return "s"
    if not stated:
        return taken.unit or CHANNELS[channel].file_unit
    symbol = parse_unit(stated)
    if symbol is None:
        raise InputError(
            f"{file}: column '{column.name}' states the unit '{stated}', which is not known; give `unit` in a "
            "channel map."
        )
    return symbol


def in_si(
    values: np.ndarray, channel: str, symbol: str, entry: ChannelEntry | None, file: str
) -> tuple[np.ndarray, str]:
    """Values of one channel in its inside unit, and that unit.

    Raises
    ------
    InputError : the unit does not fit the channel; Hz without the number of teeth.
    """
    where = f"{file}, {channel}"
    if entry is not None and (entry.scale, entry.offset, entry.sign) != (1.0, 0.0, 1):
        values = entry.sign * (entry.scale * values + entry.offset)
    if symbol == "Hz" and channel in WHEEL_CHANNELS:
        if entry is None or entry.teeth is None:
            raise InputError(
                f"{where}: a wheel speed in Hz needs the teeth of the sensor ring; add `teeth = ...` in a channel map."
            )
        return values * (2 * math.pi / entry.teeth), "rad/s"
    unit = conversion(CHANNELS[channel].quantity, symbol, where=where)
    return values * unit.factor + unit.offset, unit.inside


def _time(raw: RawLog, taken, columns, name: str, log_entry: LogEntry | None) -> np.ndarray:
    """Time in s for every row, from the time column or from a stated rate."""
    if "time" in columns:
        symbol = unit_of(raw, taken["time"], "time", name)
        seconds, _ = in_si(columns["time"], "time", symbol, taken["time"].entry, name)
        return seconds
    rows = len(next(iter(columns.values())))
    if log_entry is not None and log_entry.rate_hz:
        return np.arange(rows) / log_entry.rate_hz
    raise CannotTell(f"{name}: no time column; name it in a channel map, or state `rate_hz` under [log] there.")
