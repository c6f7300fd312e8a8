"""Channels that a logger delivers late are brought back to the others."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.delays import Delay
from analyzer.signals.stretches import period_s


@dataclass(frozen=True)
class Natural:
    """What a car itself puts between a channel and what its delay is measured against (s): as a rule, and at most.

    Measured on twenty simulated cars of 760 to 1500 kg (other tyres, differentials, circuits, 50 to 200 Hz), rounded
    outwards. The tyres need a moment to turn steer into yaw, so steer comes first; a car that slides its tail out turns
    before it is pushed sideways, so lateral acceleration comes last. A light car's inner front wheel slips on the way
    out of a corner, and the difference of the front wheels comes up to 0.3 s after the turn: that the turning channels
    come early says nothing.
    """

    usual: float
    earliest: float
    latest: float


ALL_WHEELS = "wheel_speeds"  # the four of them together
NATURAL = {
    "long_g": Natural(0.025, -0.01, 0.06),
    "yaw_rate": Natural(0.0, -math.inf, 0.06),
    "lat_g": Natural(0.11, -math.inf, 0.30),
    "steer": Natural(-0.11, -math.inf, 0.10),
    "gps_speed": Natural(0.0, -0.08, 0.08),
    "wheel": Natural(0.0, -0.03, 0.03),
}
ALONE_SHARE = 0.7  # of a delay: a turning channel without the other one to hold it against must say most of it
# steer follows the turn only while the car does not slide: a loose fit says nothing about its timing
LEAST_CORRELATION = {"steer": 0.9, "other": 0.7}


def align_channels(recording: Recording, delays: Mapping[str, Delay]) -> tuple[Recording, tuple[Annotation, ...]]:
    """Shift channels back that are late by more than a car explains.

    Parameters
    ----------
    recording : as read.
    delays : of its channels, from `estimate_delays`.

    Returns
    -------
    The recording with those channels shifted (the end without values becomes NaN), and one annotation for each. A
    channel whose delay is not certain stays as it is.
    """
    channels, history, notes = dict(recording.channels), list(recording.history), []
    late = late_channels({name: d for name, d in delays.items() if name in channels}, period_s(recording))
    for name, delay in late.items():
        for one in WHEEL_CHANNELS if name == ALL_WHEELS else (name,):
            if one in channels:
                channels[one] = np.interp(
                    recording.time_s + delay.delay_s, recording.time_s, channels[one], left=np.nan, right=np.nan
                )
        history.append(f"shifted {name} by {-delay.delay_s:+.3f} s")
        label = "The wheel speeds come" if name == ALL_WHEELS else f"{CHANNELS[name].heading} comes"
        words = (
            f"{label} {abs(delay.delay_s):.2f} s {'after' if delay.delay_s > 0 else 'before'} {delay.against}, more "
            "than a car explains (a slow filter, or a delay in the logger); shifted back."
        )
        channel = None if name == ALL_WHEELS else name
        notes.append(Annotation("delay", "warning", channel, None, None, words))
    return replace(recording, channels=channels, history=tuple(history)), tuple(notes)


def late_channels(delays: Mapping[str, Delay], period: float) -> dict[str, Delay]:
    """What to shift back, and by how much; `ALL_WHEELS` stands for the four wheel speeds together.

    Notes
    -----
    Longitudinal acceleration against the change of speed is the surest of all (0.013 s over the twenty cars). Where it
    comes early the wheel speeds are late, for a logger can hold a channel back, not hurry it, and all that is measured
    against them is as much later. Where it is late, so is what is in the same sensor unit.
    """
    result: dict[str, Delay] = {}
    unit = delays.get("long_g")
    if unit is not None and _out_of_step("long_g", unit, period):
        by = unit.delay_s - NATURAL["long_g"].usual
        if by < 0:
            result[ALL_WHEELS] = replace(unit, delay_s=-by, against="longitudinal acceleration")
            delays = {
                name: delay if name in WHEEL_CHANNELS else replace(delay, delay_s=delay.delay_s - by)
                for name, delay in delays.items()
            }
        else:
            late = replace(unit, delay_s=by)
            result |= dict.fromkeys(("long_g", *_late_with_it(delays, by)), late)
    for name, delay in delays.items():
        if name not in result and _out_of_step(name, delay, period):
            result[name] = replace(delay, delay_s=_excess(name, delay))
    return result


def _late_with_it(delays: Mapping[str, Delay], by: float) -> tuple[str, ...]:
    """Which turning channels are as late as longitudinal acceleration is: those of the same accelerometer, of the same
    unit, or none. Both share the error of what they are measured against, so their difference tells the first case."""
    excess = {name: _excess(name, delays[name]) for name in ("yaw_rate", "lat_g") if name in delays}
    if len(excess) < 2:
        return tuple(name for name, late in excess.items() if late > ALONE_SHARE * by)
    if excess["lat_g"] - excess["yaw_rate"] > by / 2:
        return ("lat_g",)
    return tuple(excess) if sum(excess.values()) / 2 > by / 2 else ()


def _natural(name: str) -> Natural:
    return NATURAL["wheel" if name in WHEEL_CHANNELS else name]


def _excess(name: str, delay: Delay) -> float:
    return delay.delay_s - _natural(name).usual


def _out_of_step(name: str, delay: Delay, period: float) -> bool:
    """Whether to act on a delay: it is certain, and a car does not explain it."""
    natural, certain = _natural(name), delay.certain(LEAST_CORRELATION.get(name, LEAST_CORRELATION["other"]))
    return certain and not min(natural.earliest, -1.2 * period) <= delay.delay_s <= max(natural.latest, 1.2 * period)
