"""A log as read: channels under canonical names in SI, at the times of the file, with what is known to be wrong."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np


@dataclass(frozen=True)
class Annotation:
    """Something a reader of the result must know about a stretch of the log. Annotations never edit the log.

    Attributes
    ----------
    code : short stable name, such as `gap` or `stuck`.
    severity : `info`, `warning` or `error`.
    channel : canonical channel name, or None when it concerns all.
    start_s, end_s : stretch in log time (s), or None when it concerns the whole log.
    message : one sentence for a person, with the size of what was found and what it does to the answer.
    excludes : True when the stretch leaves the estimates.
    """

    code: str
    severity: str
    channel: str | None
    start_s: float | None
    end_s: float | None
    message: str
    excludes: bool = False


@dataclass(frozen=True)
class ChannelSource:
    """Where a channel came from: column in the file, its unit there, why it was taken for this channel, and how
    often the file gives a value (Hz; None when not known)."""

    column: str
    unit: str
    reason: str
    rate_hz: float | None = None


@dataclass(frozen=True)
class Recording:
    """One log in SI, before any resampling or calibration.

    Attributes
    ----------
    name : file name for messages (no folder).
    time_s : (n,) float64, strictly increasing, starts at 0.
    channels : canonical name -> (n,) float64 in the inside unit, NaN where the file has no value.
    wheel_speed_unit : `m/s` (surface speed as the logger reports it) or `rad/s` (rotation).
    steer_at : `steering_wheel` or `road_wheel`: where the steer angle is measured.
    sources : canonical name -> where it came from.
    annotations : what reading found.
    history : one sentence per step taken, in order.
    unchecked : scales that no other channel of the log checks: `time`, `wheel_scale`, `lat_g`.
    """

    name: str
    time_s: np.ndarray
    channels: Mapping[str, np.ndarray]
    wheel_speed_unit: str = "m/s"
    steer_at: str = "steering_wheel"
    sources: Mapping[str, ChannelSource] = field(default_factory=dict)
    annotations: tuple[Annotation, ...] = ()
    history: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()
