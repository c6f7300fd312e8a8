"""From a file to a Recording: open, recognise, convert, mend the time, refuse what cannot be used."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow as pa

from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.errors import CannotTell, InputError
from analyzer.in_words import shown_name
from analyzer.logs import behaviour
from analyzer.logs.assemble import Taken, assemble
from analyzer.logs.mapping import ChannelMap, LogEntry
from analyzer.logs.match import label_of, propose
from analyzer.logs.match_units import in_contract_unit
from analyzer.logs.recording import Annotation, RawLog, Recording
from analyzer.logs.registry import open_log
from analyzer.logs.unit_names import parse_unit, split_unit

ROUGH_RADIUS_M = 0.3  # where wheel speeds are rotations; the clock is off by a factor of ten or more, or not at all
TIME_ROWS = 100_000  # tell the unit of a time as well as all do


def read_log(path: Path | str, *, channel_map: ChannelMap | None = None) -> Recording:
    """Read a log.

    Parameters
    ----------
    path : CSV or any other form in `registry.READERS`, plain, in gzip or in zip.
    channel_map : which column is which channel; default: by canonical names.

    Returns
    -------
    Recording : SI, time from 0 and strictly increasing, NaN where the file has no value.

    Raises
    ------
    InputError : no such file, not a log, a map that does not fit.
    CannotTell : the log lacks a channel that every answer needs, or a wheel channel does not move.
    """
    raw = open_log(path)
    name = Path(path).name
    if channel_map is not None:
        recording = assemble(raw, from_map(raw, channel_map, name), name=name, log_entry=channel_map.log)
    else:
        taken, log_entry = recognised(raw, name)
        recording = assemble(raw, taken, name=name, log_entry=log_entry)
        if "time" in taken and not raw.columns[taken["time"].index].unit:
            recording = with_true_clock(recording)
    require_usable(recording, raw)
    del raw  # and the columns with it
    pa.default_memory_pool().release_unused()  # Arrow would keep the size of the log for a next one
    return recording


def with_true_clock(recording: Recording) -> Recording:
    """The recording in seconds, where its clock states no unit and the car's motion shows that it counts in another.

    Raises
    ------
    InputError : the speed changes as no car's does, and the accelerometer does not tell the clock's unit.
    """
    speeds = [v for n, v in recording.channels.items() if n in WHEEL_CHANNELS or n == "gps_speed"]
    if not speeds or len(recording.time_s) < 2:
        return recording
    table = np.array(speeds)
    known = np.flatnonzero(np.isfinite(table).any(axis=0))
    if len(known) < 2:
        return recording
    # a row that is silent is no row that stands still
    table = table[:, known]
    # numpy masks every value for a median that may leave some out, which takes ten times as long
    median = np.median if np.isfinite(table).all() else np.nanmedian
    middle = np.interp(np.arange(len(recording.time_s)), known, median(table, axis=0))
    middle *= ROUGH_RADIUS_M if recording.wheel_speed_unit == "rad/s" else 1.0
    factor, proven = behaviour.clock_by_motion(recording.time_s, middle, recording.channels.get("long_g"))
    if factor == 1.0:
        return recording
    spans = f"{len(recording.time_s)} rows in what would be {recording.time_s[-1]:.4g} s"
    if not proven:
        likely = (
            f" It probably counts {behaviour.CLOCKS.get(factor, 'hundredths')}: scale = {factor:g}."
            if factor > 0
            else ""
        )
        raise InputError(
            f"{recording.name}: the time column gives {spans}, in which the speed changes as no car's does.{likely} "
            'State the factor to seconds in a channel map: [channels.time] column = "...", scale = ..., unit = "s".'
        )
    scale = factor if factor in behaviour.CLOCKS else 1 / factor
    words = (
        f"Time states no unit; it would be {spans}. The change of speed agrees with longitudinal acceleration only "
        f"with {factor:g} times that"
        f"{f', so it counts {behaviour.CLOCKS[scale]}' if factor == scale else ''}; taken so."
    )
    note = Annotation("unit", "warning", "time", None, None, words)
    rates = {n: replace(s, rate_hz=s.rate_hz / factor if s.rate_hz else None) for n, s in recording.sources.items()}
    kept = tuple(a for a in recording.annotations if not (a.code == "unit" and a.channel == "time"))
    return replace(recording, time_s=recording.time_s * factor, sources=rates, annotations=(*kept, note))


def recognised(raw: RawLog, name: str) -> tuple[Mapping[str, Taken], LogEntry]:
    """Channels by canonical name, or else by the matcher where it is certain.

    Raises
    ------
    InputError : two columns are as good for a channel every answer needs, or its unit cannot be told; the message
        holds the lines to paste into a channel map.
    """
    taken = by_canonical_name(raw)
    if not missing_channels(taken) and "time" in taken and _plausible(raw, taken):
        return taken, LogEntry()
    proposal = propose(raw)
    needed = {n for n, c in CHANNELS.items() if c.required} | set(WHEEL_CHANNELS)
    for channel in sorted(needed - proposal.taken.keys() - proposal.doubts.keys()):
        if why := next((w for w in proposal.refused if f"would be {label_of(channel)}" in w), None):
            raise InputError(f"{name}: {why}")
    for channel, candidates in proposal.doubts.items():
        if channel in needed:
            columns = [raw.columns[c.index].name for c in candidates]
            raise InputError(
                f"{name}: {' and '.join(repr(c) for c in columns)} are as good for {CHANNELS[channel].label}; "
                f'say which in a channel map: [channels.{channel}] column = "{columns[0]}". '
                f"`halfshaft check {name} --map map.toml` writes the whole map, then use --channels map.toml."
            )
    for channel, why in proposal.unknown_units.items():
        if channel in needed:
            column = raw.columns[proposal.taken[channel].index].name
            raise InputError(
                f"{name}: the unit of {CHANNELS[channel].label} (column '{column}') is not stated and {why}; "
                f'state it in a channel map: [channels.{channel}] column = "{column}", unit = "...". '
                f"`halfshaft check {name} --map map.toml` writes the whole map."
            )
    return {c: t for c, t in proposal.taken.items() if c not in proposal.unknown_units}, proposal.log


def _plausible(raw: RawLog, taken: Mapping[str, Taken]) -> bool:
    """Whether canonical columns without a unit can be in the contract's units; a sample of the rows decides."""
    plain = [c for c in taken if not raw.columns[taken[c].index].is_clock]
    unstated = [c for c in plain if not raw.columns[taken[c].index].unit]
    loaded, _ = raw.load([t.index for t in taken.values()])
    values = dict(zip(taken, loaded, strict=True))
    if "time" in unstated and behaviour.time_unit(values["time"][:TIME_ROWS]) not in ("s", None):
        return False

    def fits(channel: str) -> bool:
        few = values[channel][:: max(1, len(values[channel]) // 20_000)]
        if channel in unstated:
            return in_contract_unit(channel, few)
        unit = parse_unit(raw.columns[taken[channel].index].unit)
        return unit is None or behaviour.possible(channel, few, unit)

    return all(fits(channel) for channel in plain if channel != "time")


def from_map(raw: RawLog, channel_map: ChannelMap, file: str) -> dict[str, Taken]:
    """The columns a channel map names; a name may be the header as the log writes it, with its unit.

    Raises
    ------
    InputError : the log has no such column (says which it has).
    """
    by_name = {column.name: i for i, column in enumerate(raw.columns)}
    folded = {name.casefold().strip(): i for name, i in by_name.items()}
    taken = {}
    for channel, entry in channel_map.channels.items():
        index = by_name.get(entry.column)
        for name in (entry.column, split_unit(entry.column)[0]):
            index = folded.get(name.casefold().strip()) if index is None else index
        if index is None:
            raise InputError(
                f"{channel_map.name}: [channels.{channel}] names the column '{entry.column}', which {file} does not "
                f"have; it has {listed(raw)}. Correct the name."
            )
        taken[channel] = Taken(index, f"named in {channel_map.name}", entry)
    return taken


def by_canonical_name(raw: RawLog) -> dict[str, Taken]:
    """Columns that carry a canonical channel name."""
    taken = {}
    for index, column in enumerate(raw.columns):
        name = column.name.casefold()
        if name in CHANNELS and name not in taken:
            taken[name] = Taken(index, "halfshaft's own name for it")
    return taken


def listed(raw: RawLog, most: int = 25) -> str:
    """The columns of a log for a message."""
    names = [shown_name(c.name) for c in raw.columns]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def missing_channels(channels: Mapping[str, object]) -> list[str]:
    """What every answer needs and the log does not have, in words."""
    missing = [
        channel.label if channel.label == name else f"{channel.label} ({name})"
        for name, channel in CHANNELS.items()
        if channel.required and name not in channels and name not in ("time", "lat_g")
    ]
    if "lat_g" not in channels and "yaw_rate" not in channels:
        missing.append("lateral acceleration (lat_g) or yaw rate (yaw_rate)")
    if not {"wheel_speed_fl", "wheel_speed_fr", "gps_speed"} & channels.keys():
        missing.append("a front wheel speed (wheel_speed_fl, wheel_speed_fr) or a ground speed (gps_speed)")
    return missing


def require_usable(recording: Recording, raw: RawLog) -> None:
    """Refuse a log that can support no answer.

    Raises
    ------
    CannotTell : a channel is missing or empty, or a wheel channel never changes.
    """
    missing = missing_channels(recording.channels)
    if missing:
        raise CannotTell(
            f"{recording.name}: not in the log: {'; '.join(missing)}. Found columns: {listed(raw)}. If what is missing "
            "is among them, name it in the channel map (the dashboard's 'Log check' has it; "
            f"`halfshaft check {recording.name} --map map.toml` writes it)."
        )
    wheels = {name: recording.channels[name] for name in WHEEL_CHANNELS if name in recording.channels}
    read = {name: values[np.isfinite(values)] for name, values in wheels.items()}
    dead = [name for name, values in read.items() if not len(values) or np.ptp(values) == 0]
    if not dead:
        return
    label, values = CHANNELS[dead[0]].label, read[dead[0]]
    if len(dead) == len(read):
        words = "no wheel speed ever changes; the car stands or the sensors were not connected"
    elif not len(values):
        words = f"{label} has no value at any time of the log"
    else:
        words = (
            f"{label} reads {values[0]:g} {recording.wheel_speed_unit} throughout, so its sensor or its cable is dead"
        )
    raise CannotTell(f"{recording.name}: {words}. Log a lap with all wheel sensors working.")
