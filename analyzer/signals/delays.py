"""Delays of channels against each other: estimated by cross-correlation, corrected where certain."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.signal import correlate, correlation_lags

from analyzer.channels import CHANNELS
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.stretches import period_s, rough_speed_m_s, wheel_speeds_m_s

LONGEST_S = 2.0
RATE_HZ = 25.0  # lags are needed to about 10 ms; the parabola through the peak gives that
# What a car itself puts between two channels stays inside these (earliest, latest; common practice, no source);
# more is the logger's doing. The tyres need a moment to turn steer into yaw, so steer comes first.
NATURAL_S = {
    "lat_g": (-0.08, 0.08),
    "long_g": (-0.10, 0.10),
    "yaw_rate": (-0.08, 0.08),
    "steer": (-0.30, 0.06),
    "gps_speed": (-0.08, 0.08),
    "wheel": (-0.03, 0.03),
}


@dataclass(frozen=True)
class Delay:
    """How late a channel is.

    Attributes
    ----------
    delay_s : positive when the channel lags.
    spread_s : half the difference between the two halves of the log.
    correlation : at the best lag, 0 to 1.
    against : what it was compared with, in words.
    """

    delay_s: float
    spread_s: float
    correlation: float
    against: str

    @property
    def certain(self) -> bool:
        """Whether to act on it: the signals agree and both halves of the log say the same."""
        return self.correlation > 0.7 and self.spread_s < max(0.02, 0.3 * abs(self.delay_s))


def estimate_delays(recording: Recording) -> Mapping[str, Delay]:
    """Delay of each channel that another one can be compared with.

    A wheel is compared with the other one of its axle (changes of speed), GPS speed with the wheels, longitudinal
    acceleration with the change of wheel speed; steer, yaw rate and lateral acceleration with the difference of the
    front wheels, or yaw rate and lateral acceleration with each other where only one front wheel is logged.
    """
    time = recording.time_s
    if time[-1] < 20 or len(time) < 200:
        return {}
    grid = np.arange(0.0, time[-1], 1 / RATE_HZ)
    channels = {name: _on_grid(values, time, grid) for name, values in recording.channels.items()}
    wheels = {name: _on_grid(values, time, grid) for name, values in wheel_speeds_m_s(recording).items()}
    speed = _on_grid(rough_speed_m_s(recording), time, grid)
    if np.ptp(speed) < 5.0:
        return {}
    result = _wheel_delays(wheels, speed)
    if "gps_speed" in channels and wheels:
        mean = np.median([v for n, v in wheels.items() if n not in result] or list(wheels.values()), axis=0)
        result["gps_speed"] = _delay(_changes(channels["gps_speed"]), _changes(mean), "the wheel speeds")
    if "long_g" in channels:
        result["long_g"] = _delay(_smooth(channels["long_g"]), _changes(speed), "the change of wheel speed")
    return result | _lateral_delays(channels, wheels, speed)


def _wheel_delays(wheels: Mapping[str, np.ndarray], speed: np.ndarray) -> dict[str, Delay]:
    """A wheel that is late against its neighbour on the axle; the car's speed tells which of the two it is."""
    result = {}
    for left, right in (("wheel_speed_fl", "wheel_speed_fr"), ("wheel_speed_rl", "wheel_speed_rr")):
        if left not in wheels or right not in wheels:
            continue
        pair = _delay(_changes(wheels[left]), _changes(wheels[right]), "the other wheel of the axle")
        if not pair.certain or abs(pair.delay_s) <= NATURAL_S["wheel"][1]:
            continue
        lags = {name: abs(_best_lag(_changes(wheels[name]), _changes(speed), False)[0]) for name in (left, right)}
        late = max(lags, key=lags.__getitem__)
        result[late] = pair if late == left else replace(pair, delay_s=-pair.delay_s)
    return result


def _lateral_delays(channels: Mapping[str, np.ndarray], wheels: Mapping[str, np.ndarray], speed: np.ndarray) -> dict:
    moving = np.maximum(speed, 5.0)
    signals = {}
    if "yaw_rate" in channels:
        signals["yaw_rate"] = channels["yaw_rate"]
    if "lat_g" in channels:
        signals["lat_g"] = channels["lat_g"] / moving
    if {"wheel_speed_fl", "wheel_speed_fr"} <= wheels.keys():
        if "steer" in channels:
            signals["steer"] = channels["steer"] * moving
        free = _changes(speed) > -3.0  # a braked front wheel slips
        reference = _smooth((wheels["wheel_speed_fr"] - wheels["wheel_speed_fl"]) * free)
        words = "the front wheels' difference"
        return {n: _delay(_smooth(values * free), reference, words, signed=True) for n, values in signals.items()}
    if len(signals) == 2:
        pair = _delay(_smooth(signals["lat_g"]), _smooth(signals["yaw_rate"]), "yaw rate", signed=True)
        if pair.delay_s < 0:
            return {"yaw_rate": replace(pair, delay_s=-pair.delay_s, against="lateral acceleration")}
        return {"lat_g": pair}
    return {}


def _on_grid(values: np.ndarray, time: np.ndarray, grid: np.ndarray) -> np.ndarray:
    good = np.isfinite(values)
    return np.interp(grid, time[good], values[good]) if good.any() else np.zeros(len(grid))


def _smooth(values: np.ndarray) -> np.ndarray:
    """A 0.1 s running mean, which delays nothing because it is centred."""
    width = round(0.1 * RATE_HZ) | 1
    return np.convolve(values, np.full(width, 1 / width), mode="same")


def _changes(values: np.ndarray) -> np.ndarray:
    return np.gradient(_smooth(_smooth(values)), 1 / RATE_HZ)


def _delay(values: np.ndarray, reference: np.ndarray, against: str, *, signed: bool = False) -> Delay:
    half = len(values) // 2
    lag, correlation = _best_lag(values, reference, signed)
    lags = [_best_lag(values[part], reference[part], signed)[0] for part in (slice(None, half), slice(half, None))]
    return Delay(lag, abs(lags[0] - lags[1]) / 2, correlation, against)


def _best_lag(values: np.ndarray, reference: np.ndarray, signed: bool) -> tuple[float, float]:
    """Lag of `values` behind `reference` (s) and the correlation there; `signed` allows a flipped sensor."""
    # single events (a wheelspin, a spike) must not decide
    values, reference = (
        np.clip(v - np.median(v), *np.percentile(v - np.median(v), [1, 99])) for v in (values, reference)
    )
    scale = np.sqrt(np.dot(values, values) * np.dot(reference, reference))
    if scale == 0:
        return 0.0, 0.0
    cross = correlate(values, reference, mode="full", method="fft") / scale
    lags = correlation_lags(len(values), len(reference), mode="full")
    near = np.abs(lags) <= LONGEST_S * RATE_HZ
    cross, lags = cross[near], lags[near]
    if signed:
        cross = cross * np.sign(cross[np.argmax(np.abs(cross))])
    top = int(np.argmax(cross))
    shift = 0.0
    if 0 < top < len(cross) - 1:
        left, peak, right = cross[top - 1 : top + 2]
        curvature = left - 2 * peak + right
        shift = 0.5 * (left - right) / curvature if curvature < 0 else 0.0
    return float((lags[top] + shift) / RATE_HZ), float(cross[top])


def _out_of_step(name: str, delay: Delay, period: float) -> bool:
    earliest, latest = NATURAL_S["wheel" if name.startswith("wheel_speed") else name]
    return delay.certain and not min(earliest, -1.2 * period) <= delay.delay_s <= max(latest, 1.2 * period)


def align_channels(recording: Recording) -> tuple[Recording, tuple[Annotation, ...]]:
    """Shift channels back that are late (or early) by more than a car explains.

    Parameters
    ----------
    recording : as read.

    Returns
    -------
    The recording with those channels shifted by their estimated delay (the end without values becomes NaN), and one
    annotation for each. A channel whose delay is not certain stays as it is.
    """
    period = period_s(recording)
    found = {n: d for n, d in estimate_delays(recording).items() if _out_of_step(n, d, period)}
    channels, history, notes = dict(recording.channels), list(recording.history), []
    for name, delay in found.items():
        wanted = recording.time_s + delay.delay_s
        channels[name] = np.interp(wanted, recording.time_s, channels[name], left=np.nan, right=np.nan)
        history.append(f"shifted {name} by {-delay.delay_s:+.3f} s")
        label = CHANNELS[name].label
        words = (
            f"{label[0].upper()}{label[1:]} comes {abs(delay.delay_s):.2f} s "
            f"{'after' if delay.delay_s > 0 else 'before'} "
            f"{delay.against}, more than a car explains (a slow filter, or a delay in the logger); it was shifted back."
        )
        notes.append(Annotation("delay", "warning", name, None, None, words))
    return replace(recording, channels=channels, history=tuple(history)), tuple(notes)
