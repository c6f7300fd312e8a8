"""`PYTHONPATH=tests python -m signals.contradictions [SEED]`: logs that contradict themselves, and what comes of them.

The table: what is done to a sound log so that a channel says what it cannot. `judged` analyses such a log and holds the
answer against the known truth. The rule: no interval that excludes the truth without the headline saying so.
"""

import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import ndimage, signal

from analyzer.errors import HalfshaftError
from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_session
from analyzer.signals.consistency import contradicted, unchecked
from analyzer.signals.long_session import LongSession, read_session
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters
from analyzer.simulation.simulated_session import simulate_session
from analyzer.vehicle.car import Car

FL, FR, RL, RR = (f"wheel_speed_{c}" for c in ("fl", "fr", "rl", "rr"))
Change = Callable[[pd.DataFrame, np.random.Generator], dict[str, np.ndarray]]


@dataclass(frozen=True)
class Contradiction:
    """What is changed in a log in canonical channels and units; `needs` names channels without which it is none."""

    group: str
    words: str
    change: Change
    needs: tuple[str, ...] = ()


def _noise(log: pd.DataFrame, rng: np.random.Generator, size: float) -> np.ndarray:
    return rng.normal(0, size, len(log))


def _scaled(factor: float, *names: str) -> Change:
    return lambda log, rng: {n: log[n].to_numpy() * factor for n in names}


def _set(name: str, value: float) -> Change:
    return lambda log, rng: {name: np.full(len(log), value)}


def _random(name: str, middle: float, size: float) -> Change:
    return lambda log, rng: {name: middle + _noise(log, rng, size)}


def _exchanged(*pairs: tuple[str, str]) -> Change:
    return lambda log, rng: {x: log[y].to_numpy() for a, b in pairs for x, y in ((a, b), (b, a))}


def _copied(**sources: str) -> Change:
    return lambda log, rng: {name: log[source].to_numpy() for name, source in sources.items()}


def _noisy_copies(size: float, **sources: str) -> Change:
    return lambda log, rng: {n: log[s].to_numpy() + _noise(log, rng, size) for n, s in sources.items()}


def _means(size: float) -> Change:
    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        mean = (log[RL] + log[RR]).to_numpy() / 2
        return {RL: mean + _noise(log, rng, size), RR: mean + _noise(log, rng, size)}

    return change


def _zeros(name: str, share: float, seconds: float = 0.0) -> Change:
    """Missing samples written as zeros: single ones, or stretches."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        values, time = log[name].to_numpy().copy(), log["time"].to_numpy()
        length = max(1, round(seconds / float(np.median(np.diff(time)))))
        for start in rng.integers(0, len(values) - length, round(share * len(values) / length)):
            values[start : start + length] = 0.0
        return {name: values}

    return change


def _late(log: pd.DataFrame) -> np.ndarray:
    """The second half."""
    return np.arange(len(log)) > len(log) / 2


def _later(log: pd.DataFrame, name: str, seconds: float) -> np.ndarray:
    time = log["time"].to_numpy()
    return np.interp(time - seconds, time, log[name].to_numpy())


def _late_by(seconds: float, *names: str) -> Change:
    return lambda log, rng: {n: _later(log, n, seconds) for n in names}


def _too_fast(km_h: float, *names: str) -> Change:
    """By the same at every speed, but at rest."""
    return lambda log, rng: {n: log[n].to_numpy() + km_h * (log[n].to_numpy() > 0) for n in names}


def _without_sign(name: str) -> Change:
    return lambda log, rng: {name: np.abs(log[name].to_numpy())}


def _drifting(share: float, *names: str) -> Change:
    return lambda log, rng: {n: log[n].to_numpy() * (1 + share * np.linspace(0, 1, len(log))) for n in names}


def _exchanged_late(a: str, b: str) -> Change:
    """In the second half."""
    return lambda log, rng: {x: np.where(_late(log), log[y], log[x]) for x, y in ((a, b), (b, a))}


def _bridged(seconds: float, places: int, *names: str) -> Change:
    """Straight lines in place of what was lost."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        length = round(seconds / float(np.median(np.diff(log["time"]))))
        starts, changed = rng.integers(0, len(log) - length - 1, places), {n: log[n].to_numpy().copy() for n in names}
        for values in changed.values():
            for k in starts:
                values[k : k + length] = np.linspace(values[k], values[k + length], length)
        return changed

    return change


def _held(seconds: float, *names: str) -> Change:
    """Each value repeated, as a slow bus does."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        rows = round(seconds / float(np.median(np.diff(log["time"]))))
        return {name: log[name].to_numpy()[np.arange(len(log)) // rows * rows] for name in names}

    return change


def _losing_pulses(share: float, seconds: float, places: int, name: str) -> Change:
    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        values, length = log[name].to_numpy().copy(), round(seconds / float(np.median(np.diff(log["time"]))))
        for start in rng.integers(0, len(values) - length, places):
            values[start : start + length] *= 1 - share
        return {name: values}

    return change


def _spliced(seconds: float) -> Change:
    """The rows of some seconds lost from the middle, while the clock goes on; the last row stands at the end."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        speed = log[FL].to_numpy()
        lost = round(seconds / float(np.median(np.diff(log["time"]))))
        starts = np.arange(len(log) // 4, len(log) // 2)
        start = starts[np.argmax(np.abs(speed[starts + lost] - speed[starts]))]  # where it shows
        rows = np.minimum(np.where(np.arange(len(log)) < start, 0, lost) + np.arange(len(log)), len(log) - 1)
        return {name: log[name].to_numpy()[rows] for name in log.columns if name != "time"}

    return change


def _stepped(km_h: float, *names: str) -> Change:
    return lambda log, rng: {n: np.round(log[n].to_numpy() / km_h) * km_h for n in names}


def _cut_off(share: float, noise_km_h: float) -> Change:
    """All wheels at one highest speed, that share of the log's; the noise comes after the cut."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        top = share * max(log[w].max() for w in WHEELS)
        return {w: np.minimum(log[w].to_numpy(), top) + _noise(log, rng, noise_km_h) * (log[w] > 0) for w in WHEELS}

    return change


def _in_left_turns(factor: float, name: str) -> Change:
    return lambda log, rng: {name: log[name].to_numpy() * np.where(log["lat_g"] > 0.1, factor, 1.0)}


def _where(factor: float, where: Callable[[pd.DataFrame], np.ndarray], *names: str) -> Change:
    return lambda log, rng: {n: log[n].to_numpy() * np.where(where(log), factor, 1.0) for n in names}


def _lap(log: pd.DataFrame, number: int) -> np.ndarray:
    """As good as one lap: a third of the log."""
    return np.arange(len(log)) * 3 // len(log) == number


def _exchanged_in_one_lap(a: str, b: str) -> Change:
    return lambda log, rng: {x: np.where(_lap(log, 1), log[y], log[x]) for x, y in ((a, b), (b, a))}


def _a_lap_before(*names: str) -> Change:
    return lambda log, rng: {n: np.roll(log[n].to_numpy(), len(log) // 3) for n in names}


def _front_m_s(log: pd.DataFrame) -> np.ndarray:
    return np.maximum((log[FL] + log[FR]).to_numpy() / 7.2, 3.0)


def _wandering(share: float, period_s: float) -> Change:
    """A clock that is fast and slow by turns."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        time = log["time"].to_numpy()
        pace = 1 + share * np.sin(2 * np.pi * time / period_s)
        return {"time": np.concatenate([[0.0], np.cumsum(pace[1:] * np.diff(time))])}

    return change


def _from_half_way(name: str, value: float) -> Change:
    return lambda log, rng: {name: np.where(_late(log), value, log[name])}


def _filtered(seconds: float, *names: str) -> Change:
    """Channels behind a low-pass of first order with that time constant."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        keeps = np.exp(-float(np.median(np.diff(log["time"]))) / seconds)
        return {name: signal.lfilter([1 - keeps], [1, -keeps], log[name].to_numpy()) for name in names}

    return change


def _averaged(seconds: float, *names: str) -> Change:
    """A moving mean, its rows about the one it is written in."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        rows = round(seconds / float(np.median(np.diff(log["time"]))))
        return {name: ndimage.uniform_filter1d(log[name].to_numpy(), rows) for name in names}

    return change


def _both_ways(cutoff_hz: float, *names: str) -> Change:
    """Behind a low-pass of first order, forwards and backwards, so that nothing is late."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        b, a = signal.butter(1, 2 * cutoff_hz * float(np.median(np.diff(log["time"]))))
        return {name: signal.filtfilt(b, a, log[name].to_numpy()) for name in names}

    return change


def _bell(seconds: float, *names: str) -> Change:
    """A bell-shaped mean of that standard deviation."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        rows = seconds / float(np.median(np.diff(log["time"])))
        return {name: ndimage.gaussian_filter1d(log[name].to_numpy(), rows) for name in names}

    return change


def _change_of_speed_g(log: pd.DataFrame, *wheels: str) -> np.ndarray:
    """Of some wheels' mean, smoothed over 0.3 s as a logger's own channel is."""
    time, speed = log["time"].to_numpy(), log[list(wheels)].mean(axis=1).to_numpy() / 3.6
    rows = round(0.3 / float(np.median(np.diff(time))))
    return np.gradient(ndimage.uniform_filter1d(speed, rows), time) / 9.80665


def _made_of(*wheels: str) -> Change:
    """The longitudinal accelerometer from wheels, under noise of its own."""
    return lambda log, rng: {"long_g": _change_of_speed_g(log, *wheels) + _noise(log, rng, 0.02)}


def _joined_by_lines(seconds: float, *names: str) -> Change:
    """Few values and straight lines between them, as an export at another rate writes them."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        time = log["time"].to_numpy()
        some = slice(None, None, round(seconds / float(np.median(np.diff(time)))))
        return {name: np.interp(time, time[some], log[name].to_numpy()[some]) for name in names}

    return change


def _further_apart(factor: float, left: str, right: str) -> Change:
    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        mean, half = (log[left] + log[right]).to_numpy() / 2, factor * (log[left] - log[right]).to_numpy() / 2
        return {left: mean + half, right: mean - half}

    return change


def _no_further_apart(km_h: float, left: str, right: str) -> Change:
    """What a logger takes for plausible."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        mean, half = (log[left] + log[right]).to_numpy() / 2, np.clip(log[left] - log[right], -km_h, km_h) / 2
        return {left: mean + half + _noise(log, rng, 0.05), right: mean - half + _noise(log, rng, 0.05)}

    return change


def _merged(into: str, of: str) -> Change:
    """Every other row is another wheel's."""
    return lambda log, rng: {into: np.where(np.arange(len(log)) % 2, log[of], log[into])}


def _by_load(share_per_g: float, left: str, right: str) -> Change:
    """The outer wheel reads more, the inner one less."""
    return lambda log, rng: {
        name: log[name].to_numpy() * (1 + side * share_per_g * log["lat_g"].to_numpy())
        for name, side in ((left, -1), (right, 1))
    }


def _exchanged_in_left_turns(a: str, b: str) -> Change:
    return lambda log, rng: {x: np.where(log["lat_g"] > 0.1, log[y], log[x]) for x, y in ((a, b), (b, a))}


def _turned(degrees: float) -> Change:
    """The accelerometer turned in its plane."""

    def change(log: pd.DataFrame, rng: np.random.Generator) -> dict[str, np.ndarray]:
        c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        lat, long = log["lat_g"].to_numpy(), log["long_g"].to_numpy()
        return {"lat_g": c * lat + s * long, "long_g": c * long - s * lat}

    return change


WHEELS = (FL, FR, RL, RR)
TURNING = ("yaw_rate", "lat_g", "steer")
CONTRADICTIONS: tuple[Contradiction, ...] = (
    Contradiction("copies", "rear right is rear left", _copied(**{RR: RL})),
    Contradiction("copies", "both rears from one sensor, with noise", _noisy_copies(0.1, **{RL: RR, RR: RR})),
    Contradiction(
        "copies", "rear right is rear left, a sample later", lambda log, rng: {RR: np.roll(log[RL].to_numpy(), 1)}
    ),
    Contradiction("copies", "both rears are their mean", _means(0.0)),
    Contradiction("copies", "both rears are their mean, with noise", _means(0.1)),
    Contradiction("copies", "the rears are the fronts", _copied(**{RL: FL, RR: FR})),
    Contradiction("copies", "the rears are the fronts, with noise", _noisy_copies(0.1, **{RL: FL, RR: FR})),
    Contradiction(
        "copies",
        "the rears are the fronts times 1.01",
        lambda log, rng: {RL: 1.01 * log[FL].to_numpy(), RR: 1.01 * log[FR].to_numpy()},
    ),
    Contradiction("copies", "rear left is front left", _copied(**{RL: FL})),
    Contradiction("copies", "front right is front left", _copied(**{FR: FL})),
    Contradiction("copies", "the fronts are the rears", _copied(**{FL: RL, FR: RR})),
    Contradiction(
        "copies",
        "the rears are never slower than the fronts' mean",
        lambda log, rng: {w: np.maximum(log[w], (log[FL] + log[FR]) / 2).to_numpy() for w in (RL, RR)},
    ),
    Contradiction("places", "front left for rear left", _exchanged((FL, RL))),
    Contradiction("places", "front right for rear right", _exchanged((FR, RR))),
    Contradiction("places", "front left for rear right", _exchanged((FL, RR))),
    Contradiction(
        "places",
        "front left to rear left to rear right to front left",
        lambda log, rng: {RL: log[FL].to_numpy(), RR: log[RL].to_numpy(), FL: log[RR].to_numpy()},
    ),
    Contradiction("places", "all wheels mirrored", _exchanged((FL, FR), (RL, RR)), ("latitude",)),
    Contradiction("wheel units", "rad/s called km/h", _scaled(1 / 3.6 / 0.312, *WHEELS)),
    Contradiction("wheel units", "ft/s called km/h", _scaled(1 / 3.6 / 0.3048, *WHEELS)),
    Contradiction("wheel units", "mph called km/h", _scaled(1 / 1.609344, *WHEELS)),
    Contradiction("wheel units", "knots called km/h", _scaled(1 / 1.852, *WHEELS)),
    Contradiction("wheel units", "m/s called km/h", _scaled(1 / 3.6, *WHEELS)),
    Contradiction("wheel units", "rpm called km/h", _scaled(60 / 3.6 / (2 * np.pi * 0.312), *WHEELS)),
    Contradiction("wheel units", "8 % too much", _scaled(1.08, *WHEELS)),
    Contradiction(
        "wheel units",
        "10 % too much at the top, nothing at rest",
        lambda log, rng: {w: log[w].to_numpy() * (1 + 0.1 * log[w].to_numpy() / log[w].max()) for w in WHEELS},
        ("gps_speed",),
    ),
    Contradiction(
        "wheel units", "front wheels 0.4 s late", lambda log, rng: {w: _later(log, w, 0.4) for w in (FL, FR)}
    ),
    Contradiction("wheel units", "rear wheels in mph", _scaled(1 / 1.609344, RL, RR)),
    Contradiction("wheel units", "front wheels 10 % too much", _scaled(1.1, FL, FR)),
    Contradiction("wheel units", "front wheels 4 % too much", _scaled(1.04, FL, FR)),
    Contradiction("wheel units", "6 % too much", _scaled(1.06, *WHEELS)),
    Contradiction("wheel units", "rear wheels 5 % too little", _scaled(0.95, RL, RR)),
    *(
        Contradiction("wheel zeros", f"{name} {km_h:+g} km/h at every speed", _too_fast(km_h, name))
        for name, km_h in ((RL, 2.0), (RR, -1.0), (FL, 2.0), (FR, 1.0))
    ),
    *(
        Contradiction("one side", f"{name} without its sign", _without_sign(name), (name,))
        for name in ("steer", "yaw_rate", "lat_g")
    ),
    *(
        Contradiction("late", f"{name} by {seconds} s", _late_by(seconds, name), (name,))
        for name in ("brake", "throttle")
        for seconds in (0.5, 1.0)
    ),
    *(
        Contradiction("late", f"{words} by {seconds} s", _late_by(seconds, *names), names)
        for words, names, seconds in (
            ("yaw_rate", ("yaw_rate",), 0.2),
            ("yaw_rate", ("yaw_rate",), -0.2),
            ("lat_g", ("lat_g",), -0.2),
            ("steer", ("steer",), 0.2),
            ("front wheels", (FL, FR), 0.2),
            ("rear wheels", (RL, RR), 0.2),
        )
    ),
    Contradiction("late", "one rear wheel held for 0.1 s", _held(0.1, RL)),
    *(
        Contradiction("drift", f"{words} in {when}", _where(factor, where, *names))
        for words, factor, names in (("RR 2 % up", 1.02, (RR,)), ("both rears 3 % up", 1.03, (RL, RR)))
        for when, where in (("the second half", _late), ("one lap", lambda log: _lap(log, 2)))
    ),
    Contradiction("drift", "rears exchanged in one lap", _exchanged_in_one_lap(RL, RR)),
    *(
        Contradiction("one side", f"RR 2 % up in {words}", _where(1.02, where, RR))
        for words, where in (
            ("right turns of the second half", lambda log: (log["lat_g"] < -0.1) & _late(log)),
            ("left turns of the first half", lambda log: (log["lat_g"] > 0.1) & ~_late(log)),
        )
    ),
    Contradiction("another lap", "rears", _a_lap_before(RL, RR)),
    Contradiction("another lap", "fronts", _a_lap_before(FL, FR)),
    Contradiction(
        "made up",
        "lateral acceleration from yaw rate",
        lambda log, rng: {"lat_g": np.radians(log["yaw_rate"].to_numpy()) * _front_m_s(log) / 9.80665},
        ("yaw_rate",),
    ),
    *(
        Contradiction("made up", f"longitudinal acceleration from {words}", _made_of(*names), ("long_g",))
        for words, names in (("front wheels", (FL, FR)), ("rear wheels", (RL, RR)))
    ),
    Contradiction("copies", "the rears 1.3 times as far apart", _further_apart(1.3, RL, RR)),
    Contradiction("copies", "every other row of rear left is rear right's", _merged(RL, RR)),
    Contradiction("cut off", "the rears' difference at 2.5 km/h", _no_further_apart(2.5, RL, RR)),
    Contradiction("one side", "the rears 1 % more per g at the outside", _by_load(0.01, RL, RR)),
    *(Contradiction("late", f"rear left by {seconds} s", _late_by(seconds, RL)) for seconds in (0.025, 0.05)),
    *(
        Contradiction("coarse", f"all wheels joined by lines over {seconds} s", _joined_by_lines(seconds, *WHEELS))
        for seconds in (0.2, 0.1)
    ),
    Contradiction("coarse", "rears joined by lines over 0.1 s", _joined_by_lines(0.1, RL, RR)),
    Contradiction(
        "accelerometers", "longitudinal 1.2 on power", _where(1.2, lambda log: log["long_g"] > 0, "long_g"), ("long_g",)
    ),
    Contradiction(
        "accelerometers",
        "longitudinal drifts by 0.3 g",
        lambda log, rng: {"long_g": log["long_g"].to_numpy() + np.linspace(-0.15, 0.15, len(log))},
        ("long_g",),
    ),
    Contradiction(
        "accelerometers",
        "longitudinal cut off at 0.15 g",
        lambda log, rng: {"long_g": np.minimum(log["long_g"], 0.15).to_numpy()},
        ("long_g",),
    ),
    *(
        Contradiction("coarse", f"{name} held for 0.5 s", _held(0.5, name), (name,))
        for name in ("lat_g", "long_g", "yaw_rate")
    ),
    *(
        Contradiction("coarse", f"{name} in steps of 0.2 g", _stepped(0.2, name), (name,))
        for name in ("lat_g", "long_g")
    ),
    *(
        Contradiction("drift", f"{name} by {share:+.0%} over the log", _drifting(share, name))
        for name, share in ((RL, 0.06), (FR, -0.03))
    ),
    Contradiction("drift", "left: front for rear in the second half", _exchanged_late(FL, RL)),
    Contradiction("drift", "rears exchanged in the second half", _exchanged_late(RL, RR)),
    Contradiction("one side", "rears exchanged in left turns", _exchanged_in_left_turns(RL, RR)),
    *(
        Contradiction("one side", f"{name} {factor - 1:+.0%} in left turns", _in_left_turns(factor, name))
        for name, factor in ((RL, 1.02), (RR, 0.98), (FL, 1.02))
    ),
    *(
        Contradiction("cut off", f"all wheels at {share:.0%} of top speed, {words}", _cut_off(share, noise))
        for share, noise, words in ((0.8, 0.0, "flat"), (0.7, 0.1, "under noise"))
    ),
    *(
        Contradiction("dies", f"{name} at {value:g} half-way", _from_half_way(name, value), (name,))
        for name, value in (("brake", 0.0), ("brake", 30.0), ("throttle", 0.0), ("throttle", 40.0), ("long_g", 0.1))
    ),
    *(
        Contradiction("one unit", f"{' and '.join(names)} {factor:g}", _scaled(factor, *names), names)
        for factor in (0.87, 1.15)
        for names in (("lat_g", "yaw_rate"), ("lat_g", "long_g", "yaw_rate"))
    ),
    Contradiction("one unit", "lat_g and long_g 1.08", _scaled(1.08, "lat_g", "long_g"), ("long_g",)),
    Contradiction("coarse", "rears in steps of 1 km/h", _stepped(1.0, RL, RR)),
    Contradiction("coarse", "rears in steps of 2 km/h", _stepped(2.0, RL, RR)),
    *(
        Contradiction("smoothed", f"{words}, moving mean of {seconds} s", _averaged(seconds, *names))
        for words, seconds, names in (
            ("all wheels", 0.6, WHEELS),
            ("rears", 0.6, (RL, RR)),
            ("rears", 0.3, (RL, RR)),
            ("front left", 0.8, (FL,)),
        )
    ),
    Contradiction("smoothed", "longitudinal, moving mean of 1 s", _averaged(1.0, "long_g"), ("long_g",)),
    Contradiction("smoothed", "all wheels, low-pass of 0.3 s", _filtered(0.3, *WHEELS)),
    Contradiction("smoothed", "all wheels, 1 Hz both ways", _both_ways(1.0, *WHEELS), ("long_g",)),
    Contradiction("smoothed", "all wheels, a bell of 0.2 s", _bell(0.2, *WHEELS), ("long_g",)),
    Contradiction("smoothed", "fronts, low-pass of 0.4 s", _filtered(0.4, FL, FR)),
    Contradiction("lost rows", "rears bridged over 2 s in 40 places", _bridged(2.0, 40, RL, RR)),
    Contradiction("lost rows", "20 s from the middle", _spliced(20.0)),
    Contradiction("slow bus", "rears held for 0.2 s", _held(0.2, RL, RR)),
    *(
        Contradiction(
            "lost pulses", f"{name} {share:.0%} in {places} places of {s} s", _losing_pulses(share, s, places, name)
        )
        for name, share, s, places in ((RL, 0.03, 3.0, 15), (RR, 0.1, 1.5, 15))
    ),
    Contradiction("accelerometers", "axes exchanged", _exchanged(("lat_g", "long_g")), ("long_g",)),
    Contradiction(
        "accelerometers",
        "axes exchanged and turned over",
        lambda log, rng: {"lat_g": -log["long_g"].to_numpy(), "long_g": log["lat_g"].to_numpy()},
        ("long_g",),
    ),
    Contradiction("accelerometers", "lateral dead", _set("lat_g", 0.0)),
    Contradiction("accelerometers", "lateral constant 0.4 g", _set("lat_g", 0.4)),
    Contradiction("accelerometers", "lateral noise only", _random("lat_g", 0.0, 0.3)),
    Contradiction("accelerometers", "lateral is the vertical axis", _random("lat_g", 1.0, 0.1)),
    Contradiction("accelerometers", "lateral 0.8", _scaled(0.8, "lat_g")),
    Contradiction("accelerometers", "lateral 1.25", _scaled(1.25, "lat_g")),
    Contradiction("accelerometers", "lateral in m/s2 called g", _scaled(9.80665, "lat_g")),
    Contradiction("accelerometers", "longitudinal dead", _set("long_g", 0.0), ("long_g",)),
    Contradiction("accelerometers", "longitudinal constant 0.4 g", _set("long_g", 0.4), ("long_g",)),
    Contradiction("accelerometers", "longitudinal noise only", _random("long_g", 0.4, 0.2), ("long_g",)),
    Contradiction("accelerometers", "longitudinal 0.92", _scaled(0.92, "long_g"), ("long_g",)),
    Contradiction("accelerometers", "longitudinal 0.7", _scaled(0.7, "long_g"), ("long_g",)),
    Contradiction("accelerometers", "longitudinal 1.3", _scaled(1.3, "long_g"), ("long_g",)),
    Contradiction("accelerometers", "longitudinal filtered over 2 s", _filtered(2.0, "long_g"), ("long_g",)),
    Contradiction("accelerometers", "longitudinal is lateral", _copied(long_g="lat_g"), ("long_g",)),
    Contradiction("accelerometers", "lateral 0.5 g off", lambda log, rng: {"lat_g": log["lat_g"].to_numpy() - 0.5}),
    *(
        Contradiction("accelerometers", f"{degrees:g} degrees askew", _turned(degrees), ("long_g",))
        for degrees in (20.0, 5.0)
    ),
    Contradiction(
        "accelerometers",
        "longitudinal shakes by 0.12 g at 0.7 Hz",
        lambda log, rng: {"long_g": (log["long_g"] + 0.12 * np.sin(2 * np.pi * 0.7 * log["time"])).to_numpy()},
        ("long_g",),
    ),
    Contradiction(
        "accelerometers",
        "longitudinal has a fifth of lateral in it",
        lambda log, rng: {"long_g": (log["long_g"] + 0.2 * log["lat_g"]).to_numpy()},
        ("long_g",),
    ),
    Contradiction(
        "gyro",
        "drifts by 10 deg/s",
        lambda log, rng: {"yaw_rate": log["yaw_rate"].to_numpy() + np.linspace(0, 10, len(log))},
        ("yaw_rate",),
    ),
    Contradiction("gyro", "dead", _set("yaw_rate", 0.0), ("yaw_rate",)),
    Contradiction("gyro", "constant 20 deg/s", _set("yaw_rate", 20.0), ("yaw_rate",)),
    Contradiction("gyro", "noise only", _random("yaw_rate", 0.0, 5.0), ("yaw_rate",)),
    Contradiction("gyro", "1.1", _scaled(1.1, "yaw_rate"), ("yaw_rate",)),
    Contradiction("gyro", "0.85", _scaled(0.85, "yaw_rate"), ("yaw_rate",)),
    Contradiction("gyro", "rad/s called deg/s", _scaled(np.pi / 180, "yaw_rate"), ("yaw_rate",)),
    Contradiction(
        "gyro",
        "the yaw angle",
        lambda log, rng: {
            "yaw_rate": np.cumsum(log["yaw_rate"].to_numpy() * np.gradient(log["time"].to_numpy())) % 360 - 180
        },
        ("yaw_rate",),
    ),
    Contradiction("steer", "dead", _set("steer", 0.0)),
    Contradiction("steer", "noise only", _random("steer", 0.0, 10.0)),
    Contradiction("steer", "at the road wheel", _scaled(1 / 14.5, "steer")),
    Contradiction("steer", "normalised", _scaled(1 / 450.0, "steer")),
    Contradiction("steer", "radians called degrees", _scaled(np.pi / 180, "steer")),
    Contradiction("steer", "degrees times 10", _scaled(10.0, "steer")),
    Contradiction(
        "steer",
        "turned over half way",
        lambda log, rng: {"steer": log["steer"].to_numpy() * np.where(_late(log), -1, 1)},
    ),
    Contradiction("steer", "cut off at 25 degrees", lambda log, rng: {"steer": log["steer"].clip(-25, 25).to_numpy()}),
    Contradiction("steer", "60 degrees off", lambda log, rng: {"steer": log["steer"].to_numpy() + 60}),
    Contradiction("pedals", "throttle 0 to 1 called per cent", _scaled(0.01, "throttle")),
    Contradiction("pedals", "throttle dead at 30 %", _set("throttle", 30.0)),
    Contradiction("pedals", "throttle noise only", lambda log, rng: {"throttle": rng.uniform(0, 100, len(log))}),
    Contradiction(
        "pedals", "throttle is the brake", lambda log, rng: {"throttle": log["brake"].to_numpy()}, ("brake",)
    ),
    Contradiction("pedals", "throttle 0 to 255 called per cent", _scaled(2.55, "throttle")),
    Contradiction("pedals", "brake dead", _set("brake", 0.0), ("brake",)),
    Contradiction("pedals", "brake noise only", lambda log, rng: {"brake": rng.uniform(0, 40, len(log))}, ("brake",)),
    Contradiction("pedals", "brake is the throttle", _copied(brake="throttle"), ("brake",)),
    Contradiction("time", "twice as long", _scaled(2.0, "time")),
    Contradiction("time", "three times as long", _scaled(3.0, "time")),
    Contradiction("time", "half as long", _scaled(0.5, "time")),
    Contradiction("time", "1.1", _scaled(1.1, "time")),
    Contradiction("time", "0.9", _scaled(0.9, "time")),
    Contradiction("time", "wanders by 5 % within 20 s", _wandering(0.05, 20.0), ("latitude",)),
    Contradiction("satellites", "speed in mph", _scaled(1 / 1.609344, "gps_speed"), ("gps_speed",)),
    Contradiction("satellites", "speed frozen", _set("gps_speed", 80.0), ("gps_speed",)),
    Contradiction("satellites", "speed 8 % too much", _scaled(1.08, "gps_speed"), ("gps_speed",)),
    Contradiction(
        "satellites",
        "position mirrored",
        lambda log, rng: {"longitude": 2 * log["longitude"].iloc[0] - log["longitude"].to_numpy()},
        ("latitude",),
    ),
    *(
        Contradiction("zeros for missing", f"{share:.0%} of {name}, {words}", _zeros(name, share, seconds), (name,))
        for name in ("lat_g", "yaw_rate", "steer", "long_g", "throttle", RL, FR, "gps_speed")
        for share, seconds, words in ((0.05, 0.0, "single samples"), (0.1, 0.5, "half seconds"))
    ),
)


def spoilt(log: pd.DataFrame, contradiction: Contradiction, *, seed: int = 1) -> pd.DataFrame:
    """A log with one contradiction."""
    return log.assign(**contradiction.change(log, np.random.default_rng(seed)))


CAR = Car(
    name="invented car",
    mass_kg=1180,
    wheelbase_m=2.42,
    front_weight_fraction=0.46,
    cg_height_m=0.47,
    front_track_m=1.45,
    rear_track_m=1.47,
    front_rolling_radius_m=0.312,
    rear_rolling_radius_m=0.312,
    steering_ratio=14.5,
    rear_load_transfer_fraction=0.46,
)
LOCK = LockParameters(preload_Nm=90.0, drive_slope=0.3, drive_hold_Nm=30.0, coast_slope=0.15, coast_hold_Nm=30.0)
MOST_OUTSIDE = 0.1  # of the points; a sound log's 95 % intervals leave about a twentieth


@cache
def sound_log(channels: str, seed: int = 1) -> pd.DataFrame:
    """Three laps of a simulated car, `all` channels or the `minimum`."""
    sensors = Sensors() if channels == "all" else Sensors(channels=channels)
    return simulate_session(
        car=CAR, lock=LOCK, circuit=demo_circuit(), laps=3, seed=seed, sensors=sensors
    ).log  # the same drive for both


def true_locking_Nm(input_torque_Nm: np.ndarray) -> np.ndarray:
    """The lock curve that the log was simulated with."""
    drive = LOCK.drive_slope * np.maximum(0.0, input_torque_Nm - LOCK.drive_hold_Nm)
    coast = LOCK.coast_slope * np.maximum(0.0, -input_torque_Nm - LOCK.coast_hold_Nm)
    return LOCK.preload_Nm + drive + coast


@dataclass(frozen=True)
class Judged:
    """What comes of a log with a contradiction.

    Attributes
    ----------
    codes : of what is noted of it; None where it is refused.
    outcome : `right`, `refused`, `bounded` (the headline says so), `wrong, said open` (the headline says that nothing
        checks the clock or the scale that is wrong) or `silently wrong`.
    """

    codes: frozenset[str] | None
    outcome: str


def judged(log: pd.DataFrame) -> Judged:
    """Analyse a log and hold the answer against the truth."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "spoilt.parquet"
        log.to_parquet(path)
        try:
            session = read_session([LogBlock(lambda: read_log(path))], car=CAR)
        except HalfshaftError:
            return Judged(None, "refused")
        # the answer keeps the mark of a contradiction: test_contradictions.py
        noted = session.signals().annotations
        return Judged(frozenset(a.code for a in noted), "bounded" if contradicted(noted) else _answered(session))


def _answered(session: LongSession) -> str:
    try:
        analysis = analyze_session(session=session, car=CAR)
    except HalfshaftError:
        return "refused"
    points = [p for p in analysis.lock_curve.points if p.kind != "none"]
    truth = true_locking_Nm(np.array([p.input_torque_Nm for p in points]))
    outside = [
        (p.lower_Nm or 0.0) > true + 3 or (p.kind == "measured" and (p.upper_Nm or 0.0) < true - 3)
        for p, true in zip(points, truth, strict=True)
    ]
    if np.mean(outside or [False]) <= MOST_OUTSIDE:
        return "right"
    return "wrong, said open" if unchecked(analysis.quality) else "silently wrong"


def main(seed: int) -> None:
    """Every contradiction in both logs, one line each, and the count."""
    count: Counter[str] = Counter()
    for channels in ("all", "minimum"):
        log = sound_log(channels, seed)
        for case in CONTRADICTIONS:
            if set(case.needs) <= set(log.columns):
                outcome = judged(spoilt(log, case)).outcome
                count[outcome] += 1
                print(f"{channels:8} {case.group}: {case.words}: {outcome}", flush=True)
    print(dict(count))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
