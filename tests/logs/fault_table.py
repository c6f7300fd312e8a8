"""The table of faults: how each is made, and what must be said of it. Part of the list of what is read."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from made_log import RATE_HZ, MadeLog

Spoil = Callable[[MadeLog], MadeLog]
SECOND = int(RATE_HZ)


@dataclass(frozen=True)
class Fault:
    """One fault of a recording.

    Attributes
    ----------
    group, words : for the list of what is read.
    spoil : made log -> made log with the fault.
    code : annotation that must appear; '' for a message with exit status 2 or 3 instead.
    channel : channel it must be said of, None for all.
    stretch : (start, end) in s that must be covered, where the fault has a place.
    excludes : whether the stretch must leave the estimates.
    restored : True when the channels must come out as if the fault had not been (signs and sides put right).
    says : words of the message, for `code` ''.
    """

    group: str
    words: str
    spoil: Spoil
    code: str
    channel: str | None = None
    stretch: tuple[float, float] | None = None
    excludes: bool = False
    restored: bool = False
    says: str = ""


def _at(start_s: float, end_s: float) -> slice:
    return slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))


def _set(channel: str, start_s: float, end_s: float, value: float | None) -> Spoil:
    """A stretch set to a value; None holds the value before."""

    def spoil(log: MadeLog) -> MadeLog:
        values, part = log.channels[channel].copy(), _at(start_s, end_s)
        values[part] = values[part.start - 1] if value is None else value
        return log.change(**{channel: values})

    return spoil


def _add(channel: str, start_s: float, end_s: float, amount: float) -> Spoil:
    def spoil(log: MadeLog) -> MadeLog:
        values = log.channels[channel].copy()
        values[_at(start_s, end_s)] += amount
        return log.change(**{channel: values})

    return spoil


def _with(channel: str, change: Callable[[np.ndarray], np.ndarray | None]) -> Spoil:
    return lambda log: log.change(**{channel: change(log.channels[channel])})


def _swap(*pairs: tuple[str, str]) -> Spoil:
    def spoil(log: MadeLog) -> MadeLog:
        names = [(f"wheel_speed_{a}", f"wheel_speed_{b}") for a, b in pairs]
        return log.change(**{x: log.channels[y] for a, b in names for x, y in ((a, b), (b, a))})

    return spoil


def _retime(change: Callable[[np.ndarray], np.ndarray]) -> Spoil:
    return lambda log: replace(log, time=change(log.time))


def _without(*names: str) -> Spoil:
    return lambda log: log.change(**dict.fromkeys(names))


def _late(channel: str, seconds: float) -> Spoil:
    return _with(channel, lambda v: np.concatenate([np.full(round(seconds * RATE_HZ), v[0]), v])[: len(v)])


def _filtered(channel: str, seconds: float) -> Spoil:
    """A first-order filter of this time constant, as loggers have."""

    def smooth(values: np.ndarray) -> np.ndarray:
        out, gain = values.copy(), 1 / (seconds * RATE_HZ)
        for i in range(1, len(out)):
            out[i] = out[i - 1] + gain * (values[i] - out[i - 1])
        return out

    return _with(channel, smooth)


def _rows(pick: Callable[[int], np.ndarray]) -> Spoil:
    """Rows taken out, repeated or reordered."""

    def spoil(log: MadeLog) -> MadeLog:
        rows = pick(len(log.time))
        return MadeLog(log.time[rows], {k: v[rows] for k, v in log.channels.items()})

    return spoil


def _stop(start_s: float, end_s: float, speed: float = 0.0, throttle: float = 0.0) -> Spoil:
    """The car stands (or is towed) in a stretch, slowing and pulling away over three seconds."""

    def spoil(log: MadeLog) -> MadeLog:
        share = np.interp(log.time, [start_s - 3, start_s, end_s, end_s + 3], [1.0, 0.0, 0.0, 1.0])
        names = [
            n
            for n in log.channels
            if n.startswith("wheel") or n in ("gps_speed", "lat_g", "long_g", "yaw_rate", "steer")
        ]
        changed = {n: log.channels[n] * share + (speed * (1 - share) if "speed" in n else 0.0) for n in names}
        changed["throttle"] = np.where(share < 1, throttle, log.channels["throttle"])
        if speed:
            changed["engine_speed"] = np.where(share < 0.5, 0.0, log.channels["engine_speed"])
        return log.change(**changed)

    return spoil


def _lost_pulses(log: MadeLog) -> MadeLog:
    slow = _stop(40, 46)(log)
    return slow.change(**{n: np.where(v < 2.0, 0.0, v) for n, v in slow.channels.items() if n == "wheel_speed_rl"})


def _clipped_at(limit: float) -> Callable[[np.ndarray], np.ndarray]:
    return lambda values: np.clip(values, -limit, limit)


def _turn(*names: str) -> Spoil:
    return lambda log: log.change(**{n: -log.channels[n] for n in names})


def _all_wheels(change: Callable[[np.ndarray], np.ndarray]) -> Spoil:
    return lambda log: log.change(**{n: change(v) for n, v in log.channels.items() if n.startswith("wheel")})


FAULTS: tuple[Fault, ...] = (
    Fault(
        "Signal lost",
        "no values for a while",
        _set("wheel_speed_rl", 20, 22, np.nan),
        "dropout",
        "wheel_speed_rl",
        (20, 21.9),
        True,
    ),
    Fault(
        "Signal lost",
        "throttle without values",
        _set("throttle", 31, 32, np.nan),
        "dropout",
        "throttle",
        (31, 31.9),
        True,
    ),
    Fault(
        "Signal lost", "GPS speed without values", _set("gps_speed", 31, 35, np.nan), "dropout", "gps_speed", (31, 34.9)
    ),
    Fault(
        "Signal lost",
        "a wheel speed falls to zero and back",
        _set("wheel_speed_fr", 12, 12.5, 0.0),
        "dropout",
        "wheel_speed_fr",
        (12, 12.4),
        True,
    ),
    Fault("Signal lost", "single values missing", _set("lat_g", 15, 15.02, np.nan), "missing_samples", "lat_g"),
    Fault(
        "Stuck",
        "a rear wheel repeats its value",
        _set("wheel_speed_rr", 33, 35, None),
        "stuck",
        "wheel_speed_rr",
        (33.1, 34.9),
        True,
    ),
    Fault(
        "Stuck",
        "a front wheel repeats its value",
        _set("wheel_speed_fl", 33, 35, None),
        "stuck",
        "wheel_speed_fl",
        (33.1, 34.9),
        True,
    ),
    Fault(
        "Stuck",
        "lateral acceleration repeats its value",
        _set("lat_g", 33, 37, None),
        "stuck",
        "lat_g",
        (33.1, 36.9),
        True,
    ),
    Fault(
        "Stuck", "yaw rate repeats its value", _set("yaw_rate", 33, 37, None), "stuck", "yaw_rate", (33.1, 36.9), True
    ),
    Fault("Stuck", "steer repeats its value", _set("steer", 33, 37, None), "stuck", "steer", (33.1, 36.9), True),
    Fault(
        "Spikes",
        "a rear wheel, one sample",
        _add("wheel_speed_rl", 25, 25.02, 15.0),
        "spike",
        "wheel_speed_rl",
        (25, 25.01),
        True,
    ),
    Fault(
        "Spikes",
        "a front wheel, one sample, downwards",
        _add("wheel_speed_fr", 25, 25.02, -12.0),
        "spike",
        "wheel_speed_fr",
        (25, 25.01),
        True,
    ),
    Fault("Spikes", "lateral acceleration", _add("lat_g", 44, 44.02, 80.0), "spike", "lat_g", (44, 44.01), True),
    Fault("Spikes", "yaw rate", _add("yaw_rate", 44, 44.02, -3.0), "spike", "yaw_rate", (44, 44.01), True),
    Fault(
        "End of range",
        "lateral acceleration clipped",
        _with("lat_g", _clipped_at(7.0)),
        "clipped",
        "lat_g",
        (16.2, 16.8),
        True,
    ),
    Fault(
        "End of range",
        "yaw rate clipped",
        _with("yaw_rate", _clipped_at(0.4)),
        "clipped",
        "yaw_rate",
        (16.2, 16.8),
        True,
    ),
    Fault(
        "End of range",
        "throttle at its end nearly always",
        _with("throttle", lambda v: np.where(np.arange(len(v)) % 500 < 440, 1.0, v)),
        "throttle_saturated",
        "throttle",
    ),
    Fault(
        "End of range",
        "throttle never closes",
        _with("throttle", lambda v: 0.1 + 0.9 * v),
        "throttle_range",
        "throttle",
    ),
    Fault(
        "Units",
        "ground speed not in the unit stated",
        _with("gps_speed", lambda v: v * 3.6),
        "speeds_apart",
        "gps_speed",
    ),
    Fault("End of range", "throttle dead", _with("throttle", lambda v: 0.0 * v + 0.3), "throttle_dead", "throttle"),
    Fault(
        "Coarse",
        "wheel speeds in steps of 1 km/h",
        _all_wheels(lambda v: np.round(v * 3.6) / 3.6),
        "quantised",
        "wheel_speed_rl",
    ),
    Fault("Coarse", "wheel pulses lost at low speed", _lost_pulses, "lost_pulses", "wheel_speed_rl"),
    Fault("Delays", "yaw rate 0.3 s late", _late("yaw_rate", 0.3), "delay", "yaw_rate"),
    Fault("Delays", "one wheel 0.1 s late", _late("wheel_speed_fr", 0.1), "delay", "wheel_speed_fr"),
    Fault("Delays", "GPS speed 0.4 s late", _late("gps_speed", 0.4), "delay", "gps_speed"),
    Fault("Delays", "a slow filter on lateral acceleration", _filtered("lat_g", 0.6), "delay", "lat_g"),
    Fault("Delays", "a slow filter on longitudinal acceleration", _filtered("long_g", 0.4), "delay", "long_g"),
    Fault("Clock", "a gap", _rows(lambda n: np.r_[0 : 20 * SECOND, 23 * SECOND : n]), "gap", None, (20, 22.9), True),
    Fault(
        "Clock", "single rows missing", _rows(lambda n: np.delete(np.arange(n), [500, 900, 1300])), "missing_samples"
    ),
    Fault(
        "Clock",
        "rows out of order",
        _rows(lambda n: np.r_[0:1000, 1010:1020, 1000:1010, 1020:n]),
        "unsorted_time",
        "time",
        restored=True,
    ),
    Fault(
        "Clock", "rows repeated", _rows(lambda n: np.sort(np.r_[0:n, 700:720])), "repeated_time", "time", restored=True
    ),
    Fault("Clock", "times coarser than the rows", _retime(lambda t: np.floor(t * 10) / 10), "coarse_time", "time"),
    Fault("Clock", "the clock set back", _retime(lambda t: np.where(t >= 30, t - 25, t)), "clock_jump", "time"),
    Fault(
        "Clock",
        "rows without time",
        _retime(lambda t: np.where((t > 30) & (t < 30.1), np.nan, t)),
        "rows_without_time",
        "time",
    ),
    Fault(
        "Clock", "the clock jumps on by a day", _retime(lambda t: np.where(t >= 30, t + 86400, t)), "clock_jump", "time"
    ),
    Fault("Session", "a pit stop", _stop(40, 52), "pit_stop", None, (41, 51), True),
    Fault("Session", "standing at the start", _stop(-5, 12), "standing", None, (1, 11), True),
    Fault("Session", "towed in with the engine off", _stop(60, 110, speed=8.0), "towed", None, (62, 108), True),
    Fault("Signs", "steer turned over", _turn("steer"), "sign_flipped", "steer", restored=True),
    Fault("Signs", "lateral acceleration turned over", _turn("lat_g"), "sign_flipped", "lat_g", restored=True),
    Fault("Signs", "yaw rate turned over", _turn("yaw_rate"), "sign_flipped", "yaw_rate", restored=True),
    Fault("Signs", "longitudinal acceleration turned over", _turn("long_g"), "sign_flipped", "long_g", restored=True),
    Fault(
        "Signs",
        "all turning channels right-positive",
        _turn("steer", "lat_g", "yaw_rate"),
        "sides_exchanged",
        restored=True,
    ),
    Fault(
        "Signs",
        "throttle turned over",
        _with("throttle", lambda v: v.max() - v),
        "sign_flipped",
        "throttle",
        restored=True,
    ),
    Fault("Sides", "front wheels left for right", _swap(("fl", "fr")), "wheels_swapped", restored=True),
    Fault("Sides", "rear wheels left for right", _swap(("rl", "rr")), "wheels_swapped", restored=True),
    Fault("Sides", "front wheels for rear wheels", _swap(("fl", "rl"), ("fr", "rr")), "wheels_swapped", restored=True),
    Fault("Cannot be used", "a rear wheel missing", _without("wheel_speed_rr"), "", says="rear right wheel speed"),
    Fault("Cannot be used", "throttle missing", _without("throttle"), "", says="throttle"),
    Fault(
        "Cannot be used",
        "no lateral acceleration and no yaw rate",
        _without("lat_g", "yaw_rate"),
        "",
        says="lateral acceleration",
    ),
    Fault(
        "Cannot be used",
        "no front wheel and no ground speed",
        _without("wheel_speed_fl", "wheel_speed_fr", "gps_speed"),
        "",
        says="front wheel speed",
    ),
    Fault(
        "Cannot be used",
        "a wheel speed that never changes",
        _with("wheel_speed_rl", lambda v: 0 * v + 20.0),
        "",
        says="never changes|throughout",
    ),
    Fault("Cannot be used", "a car that stands", _all_wheels(lambda v: 0 * v), "", says="stands"),
    Fault(
        "Cannot be used",
        "a required channel without one value",
        _with("throttle", lambda v: v * np.nan),
        "",
        says="throttle",
    ),
    Fault("Cannot be used", "one sample every 5 s", _retime(lambda t: t * 250), "", says="samples a second"),
    Fault("Cannot be used", "time that stands still", _retime(lambda t: 0 * t), "", says="time stands still"),
    Fault(
        "Cannot be used",
        "time without order",
        _retime(lambda t: np.random.default_rng(3).uniform(0, 50, len(t)) // 0.5),
        "",
        says="time",
    ),
)
