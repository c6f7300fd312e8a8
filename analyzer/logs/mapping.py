"""The channel map: which column of a log is which channel, in which unit, with which sign.

[log]                              # optional
rate_hz = 100                      # for a log without a time column
distance = "Distance"              # or: time is made from distance and ground speed ...
distance_unit = "m"

[channels]
throttle = "Pedal [%]"             # short: the column name; its unit as the log states it

[channels.wheel_speed_rl]          # long
column = "Rear Left"
unit = "Hz"                        # when the log does not state it, or states it wrongly
teeth = 48                         # for Hz: teeth of the sensor ring
scale = 1.0                        # channel = sign * (scale * column + offset), in `unit`
offset = 0.0
sign = 1                           # -1 turns the channel over

[channels.steer]
column = "delta"
at = "road_wheel"                  # steer only: steering_wheel (default) or road_wheel
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from pydantic import Field

from analyzer.channels import CHANNELS
from analyzer.errors import InputError
from analyzer.settings_file import Settings, read_toml, validated


class LogEntry(Settings):
    """`[log]` of a channel map."""

    rate_hz: float | None = Field(None, gt=0, le=100_000, description="samples per second of a log without time")
    distance: str | None = Field(None, description="distance column, for a log without time")
    distance_unit: Literal["m", "km", "ft", "mi"] | None = Field(None, description="unit of the distance column")


class ChannelEntry(Settings):
    """`[channels.NAME]` of a channel map."""

    column: str = Field(description="column name in the log, without its unit")
    unit: str | None = Field(None, description="unit in the log; default: as the log states it")
    teeth: int | None = Field(None, ge=1, le=1000, description="teeth of the sensor ring, for a wheel speed in Hz")
    scale: float = Field(1.0, description="factor on the column")
    offset: float = Field(0.0, description="added after the factor, in `unit`")
    sign: Literal[1, -1] = Field(1, description="-1 turns the channel over")
    at: Literal["steering_wheel", "road_wheel"] | None = Field(None, description="where the steer angle is measured")


@dataclass(frozen=True)
class ChannelMap:
    """A channel map: canonical name -> entry, and what `[log]` says."""

    channels: Mapping[str, ChannelEntry] = field(default_factory=dict)
    log: LogEntry = field(default_factory=LogEntry)
    name: str = "channel map"


def load_channel_map(path: Path | str) -> ChannelMap:
    """Read a channel map from TOML; the layout is in the module's docstring.

    Raises
    ------
    InputError : names the file, the key, what was found and what is allowed.
    """
    return channel_map(read_toml(path), name=Path(path).name)


def channel_map(tables: Mapping[str, Any], *, name: str = "channel map") -> ChannelMap:
    """A channel map from the tables of its file; `name` stands for the file in messages.

    Raises
    ------
    InputError : names the key, what was found and what is allowed.
    """
    for key in tables:
        if key not in ("log", "channels"):
            raise InputError(f"{name}: unknown table [{key}]; allowed: [log], [channels]. Move or remove it.")
    channels = tables.get("channels", {})
    if not isinstance(channels, Mapping) or not channels:
        raise InputError(f"{name}: [channels] is missing or empty; run `halfshaft check LOG --map {name}` to get one.")
    log = validated(LogEntry, tables.get("log", {}), file=name, table_name="log")
    return ChannelMap({channel: _entry(channel, value, name) for channel, value in channels.items()}, log, name)


def _entry(name: str, value: Any, file: str) -> ChannelEntry:
    if name not in CHANNELS:
        raise InputError(
            f"{file}: unknown channel '{name}' in [channels]; allowed: {', '.join(CHANNELS)}. Correct the name."
        )
    table = {"column": value} if isinstance(value, str) else value
    entry = validated(ChannelEntry, table, file=file, table_name=f"channels.{name}")
    if entry.at and name != "steer":
        raise InputError(f"{file}: 'at' in [channels.{name}] belongs to steer only; remove it.")
    return entry


def channel_map_toml(channel_map: ChannelMap, reasons: Mapping[str, str] | None = None) -> str:
    """The channel map as TOML to paste, with a reason as a comment above each channel."""
    lines = []
    log = {key: value for key, value in channel_map.log.model_dump().items() if value is not None}
    if log:
        lines += ["[log]", *(f"{key} = {_toml(value)}" for key, value in log.items()), ""]
    for name, entry in channel_map.channels.items():
        if reasons and name in reasons:
            lines.append(f"# {reasons[name]}")
        lines.append(f"[channels.{name}]")
        lines += [f"{k} = {_toml(v)}" for k, v in entry.model_dump(exclude_defaults=True).items()]
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def _toml(value: str | float) -> str:
    if not isinstance(value, str):
        return repr(value)
    text = value.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\u{ord(c):04x}" for c in text) + '"'
