"""From a file to a Recording: open, recognise, convert, mend the time, refuse what cannot be used."""

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.errors import CannotTell, InputError
from analyzer.logs.assemble import Taken, assemble
from analyzer.logs.mapping import ChannelMap
from analyzer.logs.raw import RawLog
from analyzer.logs.recording import Recording
from analyzer.logs.registry import open_log


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
    taken = from_map(raw, channel_map, name) if channel_map else by_canonical_name(raw)
    recording = assemble(raw, taken, name=name, log_entry=channel_map.log if channel_map else None)
    require_usable(recording, raw)
    return recording


def from_map(raw: RawLog, channel_map: ChannelMap, file: str) -> dict[str, Taken]:
    """The columns a channel map names.

    Raises
    ------
    InputError : the log has no such column (says which it has).
    """
    by_name = {column.name: i for i, column in enumerate(raw.columns)}
    folded = {name.casefold().strip(): i for name, i in by_name.items()}
    taken = {}
    for channel, entry in channel_map.channels.items():
        index = by_name.get(entry.column, folded.get(entry.column.casefold().strip()))
        if index is None:
            raise InputError(
                f"{channel_map.name}: [channels.{channel}] names the column '{entry.column}', which {file} "
                "does not have; "
                f"it has {listed(raw)}. Correct the name."
            )
        taken[channel] = Taken(index, f"named in {channel_map.name}", entry)
    return taken


def by_canonical_name(raw: RawLog) -> dict[str, Taken]:
    """Columns that carry a canonical channel name."""
    taken = {}
    for index, column in enumerate(raw.columns):
        name = column.name.casefold()
        if name in CHANNELS and name not in taken:
            taken[name] = Taken(index, "canonical name")
    return taken


def listed(raw: RawLog, most: int = 25) -> str:
    """The columns of a log for a message."""
    names = [column.name for column in raw.columns]
    return ", ".join(names[:most]) + (f" and {len(names) - most} more" if len(names) > most else "")


def missing_channels(channels: Mapping[str, np.ndarray]) -> list[str]:
    """What every answer needs and the log does not have, in words."""
    missing = [
        f"{channel.label} ({name})"
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
            f"{recording.name}: not in the log: {'; '.join(missing)}. Found columns: {listed(raw)}. If one of "
            "them is it, run "
            f"`halfshaft check {recording.name}` and state it in a channel map."
        )
    for name in WHEEL_CHANNELS:
        values = recording.channels.get(name)
        if values is None:
            continue
        finite = _finite(values)
        if np.ptp(finite) == 0.0:
            if all(np.ptp(_finite(recording.channels[w])) == 0 for w in WHEEL_CHANNELS if w in recording.channels):
                words = "no wheel speed ever changes; the car stands or the sensors were not connected"
            else:
                words = (
                    f"{CHANNELS[name].label} reads {finite[0]:g} {recording.wheel_speed_unit} throughout, so "
                    "its sensor "
                    "or its cable is dead"
                )
            raise CannotTell(f"{recording.name}: {words}. Log a lap with all wheel sensors working.")


def _finite(values: np.ndarray) -> np.ndarray:
    return values[np.isfinite(values)]
