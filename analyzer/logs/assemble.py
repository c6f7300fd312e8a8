"""Columns that were recognised become channels in SI on one time base."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, TIME_FACTORS, WHEEL_CHANNELS, conversion
from analyzer.errors import CannotTell, InputError
from analyzer.in_words import shown_name
from analyzer.logs.mapping import ChannelEntry, LogEntry
from analyzer.logs.recording import Annotation, ChannelSource, RawColumn, RawLog, Recording
from analyzer.logs.timeline import common_base, mend_time, merge_rows, seconds_of_digits
from analyzer.logs.unit_names import parse_unit

_LENGTH_FACTORS = {"m": 1.0, "km": 1e3, "ft": 0.3048, "mi": 1609.344}  # NIST SP 811
_LARGEST = 1e9  # no channel reaches this in its inside unit; such a number is damage
_SLOWEST_M_S = 0.5  # a log by distance says nothing about time while the car stands


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


NEEDED = frozenset({*(n for n, c in CHANNELS.items() if c.required), *WHEEL_CHANNELS})
SOON_S = 0.5  # what a reader would not miss
LATEST_START_S = 1e7  # above this a number is a date


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
    loaded, problems = raw.load([item.index for item in taken.values()]) if taken else ([], [])
    columns = dict(zip(taken, loaded, strict=True))
    notes = [Annotation("file", "warning", None, None, None, sentence) for sentence in [*raw.notes, *problems]]
    if not any(len(v) and np.isfinite(v).any() for v in columns.values()):
        raise InputError(f"{name}: holds no numbers in the columns recognised; export the log again.")
    sources, channels, wheel_units = {}, {}, {}
    for channel, item in taken.items():
        if channel == "time":
            continue
        column = raw.columns[item.index]
        try:
            symbol = unit_of(raw, item, channel, name)
            values, inside = in_si(columns[channel], channel, symbol, item.entry, name)
        except InputError as error:
            # what the user named must fit; what was recognised and is not needed must not stop the rest
            if item.entry is not None or channel in NEEDED:
                raise
            found = "holds times" if column.is_clock else str(error).split(": ", 1)[-1]
            words = f"{CHANNELS[channel].heading} is left out: column '{column.name}' {found}."
            notes.append(Annotation("left_out_channel", "warning", channel, None, None, words.replace("..", ".")))
            continue
        sources[channel] = ChannelSource(column.name, symbol, item.reason)
        values, damage = _without_damage(values, channel)
        notes += damage
        if not np.isfinite(values).any():
            words = f"{CHANNELS[channel].label} holds no numbers."
            notes.append(Annotation("empty", "warning", channel, None, None, words))
            continue
        channels[channel] = values
        if channel in WHEEL_CHANNELS:
            wheel_units[channel] = inside
        notes += _unit_told(column, item, channel)
    if len(set(wheel_units.values())) > 1:
        found = ", ".join(f"{c} {sources[c].unit}" for c in wheel_units)
        raise InputError(
            f"{name}: wheel speeds must all be speeds or all be rotations, found {found}; state the units in "
            "a channel map."
        )
    wheel_unit = next(iter(wheel_units.values()), "m/s")
    if "time" in taken and (unit := taken["time"].unit) not in (None, "s"):
        words = f"Time states no unit; it is taken as {unit}, because only that gives a usual sample rate."
        notes.append(Annotation("unit", "warning", "time", None, None, words))
    if "time" in taken:
        notes += _starts_elsewhere(columns["time"], raw.columns[taken["time"].index], taken["time"].unit)
    time_s, how = _time(raw, taken, columns, channels, wheel_unit, name, log_entry)
    time_s, channels = merge_rows(time_s, channels)
    timeline = mend_time(time_s, name=name)
    if not np.array_equal(timeline.rows, np.arange(len(time_s))):
        channels = {c: v[timeline.rows] for c, v in channels.items()}
    base = common_base(timeline.time_s, channels)
    sources = {c: replace(s, rate_hz=base.rates_hz.get(c)) for c, s in sources.items()}
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
        time_s=base.time_s,
        channels=base.channels,
        wheel_speed_unit=wheel_unit,
        steer_at=at or "steering_wheel",
        sources=sources,
        annotations=(*notes, *timeline.annotations),
        history=(f"read {len(time_s)} rows of {raw.form}", *how, *base.history),
    )


def _without_damage(values: FloatArray, channel: str) -> tuple[FloatArray, list[Annotation]]:
    """Values of a channel (rows,), impossible ones made gaps, and the note that says so."""
    if np.fmax.reduce(values, initial=0.0) <= _LARGEST and np.fmin.reduce(values, initial=0.0) >= -_LARGEST:
        return values, []
    impossible = np.abs(values) > _LARGEST
    words = f"{CHANNELS[channel].heading} holds {impossible.sum()} impossible values, which became gaps."
    return np.where(impossible, np.nan, values), [Annotation("file", "warning", channel, None, None, words)]


def _starts_elsewhere(time: FloatArray, column: RawColumn, unit: str | None) -> list[Annotation]:
    """A note where a file's own time does not start at zero, for a reader who has it open beside the answer."""
    known = time[np.isfinite(time)]
    first_s = float(known[0]) * TIME_FACTORS.get(unit or "s", 1.0) if len(known) else 0.0
    if column.is_clock or not SOON_S < abs(first_s) < LATEST_START_S:
        return []
    words = f"Times count from the first row, which the file calls {first_s:.2f} s; add that to find a moment in it."
    return [Annotation("time_origin", "info", "time", 0.0, 0.0, words)]


def _unit_told(column: RawColumn, item: Taken, channel: str) -> list[Annotation]:
    """A note where the unit was found by other means than the file's statement; none for the contract's own."""
    canonical = column.name.casefold() == channel
    if not item.unit or column.unit or (canonical and item.unit == CHANNELS[channel].file_unit):
        return []
    words = f"{CHANNELS[channel].heading} states no unit: {item.reason}."
    return [Annotation("unit", "warning" if canonical else "info", channel, None, None, words)]


def unit_of(raw: RawLog, taken: Taken, channel: str, file: str) -> str:
    """The unit symbol of a column: by the map, by the file's statement, by other evidence, by the contract.

    Parameters
    ----------
    taken : which column it is, with its entry in a channel map where there is one.
    channel : canonical name that it was taken for.
    file : for what is said of a wrong one.

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
    values: FloatArray, channel: str, symbol: str, entry: ChannelEntry | None, file: str
) -> tuple[FloatArray, str]:
    """Values of one channel in its inside unit, and that unit.

    Parameters
    ----------
    values : (n,) as the file has them.
    channel : canonical name.
    symbol : their unit.
    entry : of a channel map, whose scale, offset and sign come first; None without one.
    file : for what is said of a wrong one.

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
    if unit.factor != 1.0:
        values = values * unit.factor
    return (values + unit.offset if unit.offset else values), unit.inside


def _time(
    raw: RawLog,
    taken: Mapping[str, Taken],
    columns: Mapping[str, FloatArray],
    channels: Mapping[str, FloatArray],
    wheel_unit: str,
    name: str,
    log_entry: LogEntry | None,
) -> tuple[FloatArray, tuple[str, ...]]:
    """Time in s for every row, from the time column, a stated rate or distance and speed; and how."""
    if "time" in columns:
        item = taken["time"]
        symbol = unit_of(raw, item, "time", name)
        entry = item.entry
        values = columns["time"]
        digits = seconds_of_digits(values) if symbol == "s" else None
        values = values if digits is None else digits
        how = () if digits is None else ("read the time as hhmmss",)
        if symbol not in TIME_FACTORS:
            raise InputError(
                f"{name}: column '{raw.columns[item.index].name}' is in {symbol}, which is not a time; name "
                "another column."
            )
        if entry is not None:
            values = entry.sign * (entry.scale * values + entry.offset)
        finite = values[np.isfinite(values)]
        first = finite[0] if len(finite) else 0.0
        return (values - first) * TIME_FACTORS[symbol], how
    rows = len(next(iter(columns.values())))
    rate = log_entry.rate_hz if log_entry is not None and log_entry.rate_hz else None
    if rate:
        return np.arange(rows) / rate, (f"made time from {rate:g} rows a second",)
    if log_entry is not None and log_entry.distance:
        return _time_from_distance(raw, channels, wheel_unit, name, log_entry), ("made time from distance and speed",)
    names = ", ".join(shown_name(column.name) for column in raw.columns[:25])
    raise CannotTell(
        f"{name}: no time column found among {names}. Name it in a channel map (`halfshaft check {name} --map "
        "map.toml` writes one), or state `rate_hz` or `distance` under [log] there."
    )


def _time_from_distance(
    raw: RawLog, channels: Mapping[str, FloatArray], wheel_unit: str, name: str, log_entry: LogEntry
) -> FloatArray:
    index = next((i for i, c in enumerate(raw.columns) if c.name == log_entry.distance), None)
    if index is None:
        raise InputError(
            f"{name}: has no column '{log_entry.distance}', which [log] names as the distance; correct the name."
        )
    speed = channels.get("gps_speed")
    if speed is None and wheel_unit == "m/s":
        fronts = [channels[w] for w in ("wheel_speed_fl", "wheel_speed_fr") if w in channels]
        speed = np.mean(fronts, axis=0) if fronts else None
    if speed is None:
        raise CannotTell(
            f"{name}: time from distance needs a ground speed in speed units; log time or state `rate_hz`."
        )
    (distance,), _ = raw.load([index])
    step = np.diff(distance) * _LENGTH_FACTORS[log_entry.distance_unit or "m"]
    mean = np.maximum((speed[1:] + speed[:-1]) / 2, _SLOWEST_M_S)
    return np.concatenate([[0.0], np.cumsum(np.where(np.isfinite(step / mean), step / mean, 0.0))])
