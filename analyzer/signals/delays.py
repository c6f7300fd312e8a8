"""Delays of channels against each other, estimated by cross-correlation."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.logs.recording import Recording
from analyzer.signals.filters import transform_length
from analyzer.signals.stretches import read_off, rough_speed_m_s, wheel_speeds_m_s

LONGEST_S = 2.0
ENOUGH_S = 3600.0  # an hour from the middle of a longer log
RATE_HZ = 25.0  # lags are needed to about 10 ms; the parabola through the peak gives that


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

    def certain(self, least_correlation: float) -> bool:
        """Whether both halves of the log say the same and the channels go together."""
        return self.spread_s < max(0.02, 0.3 * abs(self.delay_s)) and self.correlation > least_correlation


def estimate_delays(recording: Recording) -> Mapping[str, Delay]:
    """Delay of each channel that another one can be compared with.

    A wheel is compared with the other one of its axle (changes of speed), GPS speed with the wheels, longitudinal
    acceleration with the change of wheel speed; steer, yaw rate and lateral acceleration with the difference of the
    front wheels, or yaw rate and lateral acceleration with each other where only one front wheel is logged.
    """
    time = recording.time_s
    if time[-1] < 20 or len(time) < 200:
        return {}
    start = max(0.0, (time[-1] - ENOUGH_S) / 2)
    grid = np.arange(start, min(time[-1], start + ENOUGH_S), 1 / RATE_HZ)
    read = read_off(time, grid)
    channels = {name: read(values) for name, values in recording.channels.items()}
    wheels = wheel_speeds_m_s(recording, channels)
    speed = _rolling_speed(wheels, read(rough_speed_m_s(recording)))
    if np.ptp(speed) < 5.0:
        return {}
    return _wheel_delays(wheels) | _speed_delays(channels, wheels, speed) | _lateral_delays(channels, wheels, speed)


def _speed_delays(channels: Mapping[str, np.ndarray], wheels: Mapping[str, np.ndarray], speed: np.ndarray) -> dict:
    """Ground speed and longitudinal acceleration against the wheels, or against each other where no front wheel is
    logged: driven wheels slip in proportion to the acceleration, so their speed comes a tenth of a second early."""
    if {"wheel_speed_fl", "wheel_speed_fr"} & wheels.keys():
        result = {}
        if "gps_speed" in channels:
            result["gps_speed"] = _delay(_changes(channels["gps_speed"]), _changes(speed), "the wheel speeds")
        if "long_g" in channels:
            result["long_g"] = _delay(_smooth(channels["long_g"]), _changes(speed), "the change of wheel speed")
        return result
    if {"gps_speed", "long_g"} <= channels.keys():
        changes = _changes(channels["gps_speed"])
        pair = _delay(changes, _smooth(channels["long_g"]), "longitudinal acceleration")
        if pair.delay_s < 0:  # a receiver is late, never early
            return {"long_g": replace(pair, delay_s=-pair.delay_s, against="the change of GPS speed")}
        return {"gps_speed": pair}
    return {}


def _rolling_speed(wheels: Mapping[str, np.ndarray], rough: np.ndarray) -> np.ndarray:
    """Speed of the wheels that slip least: the front ones on power, the rear ones under braking."""
    ends = []
    for end in "fr":
        pair = [v for name, v in wheels.items() if name.startswith(f"wheel_speed_{end}")]
        if not pair:
            return rough
        ends.append(np.mean(pair, axis=0))
    front, rear = ends
    share = np.clip(0.5 + _changes(_smooth(rough)) / 2.0, 0.0, 1.0)  # of the front; changes over between -1 and 1 m/s2
    return _smooth(share) * front + (1 - _smooth(share)) * rear


def _wheel_delays(wheels: Mapping[str, np.ndarray]) -> dict[str, Delay]:
    """A wheel that is late against its neighbour on the axle."""
    result = {}
    for left, right in (("wheel_speed_fl", "wheel_speed_fr"), ("wheel_speed_rl", "wheel_speed_rr")):
        if left not in wheels or right not in wheels:
            continue
        pair = _delay(_changes(wheels[left]), _changes(wheels[right]), "the other wheel of the axle")
        # a logger can hold a wheel back, not hurry it: the late one of the pair is the faulty one
        late, against = (left, pair) if pair.delay_s > 0 else (right, replace(pair, delay_s=-pair.delay_s))
        result[late] = against
    return result


def _lateral_delays(channels: Mapping[str, np.ndarray], wheels: Mapping[str, np.ndarray], speed: np.ndarray) -> dict:
    """Turning channels as logged, each against a reference brought to its kind: a late channel must not be divided by
    a speed that is not late."""
    moving = np.maximum(speed, 5.0)
    if {"wheel_speed_fl", "wheel_speed_fr"} <= wheels.keys():
        difference = wheels["wheel_speed_fr"] - wheels["wheel_speed_fl"]
        references = {"yaw_rate": difference, "lat_g": difference * moving, "steer": difference / moving}
        free = _changes(speed) > -3.0  # a braked front wheel slips
        return {
            name: _delay(
                _smooth(channels[name]), _smooth(reference), "the front wheels' difference", signed=True, use=free
            )
            for name, reference in references.items()
            if name in channels
        }
    if {"yaw_rate", "lat_g"} <= channels.keys():
        pair = _delay(_smooth(channels["lat_g"]), _smooth(channels["yaw_rate"] * moving), "yaw rate", signed=True)
        if pair.delay_s < 0:
            return {"yaw_rate": replace(pair, delay_s=-pair.delay_s, against="lateral acceleration")}
        return {"lat_g": pair}
    return {}


def _smooth(values: np.ndarray) -> np.ndarray:
    """A 0.1 s running mean, which delays nothing because it is centred."""
    width = round(0.1 * RATE_HZ) | 1
    return np.convolve(values, np.full(width, 1 / width), mode="same")


def _changes(values: np.ndarray) -> np.ndarray:
    return np.gradient(_smooth(_smooth(values)), 1 / RATE_HZ)


def _delay(
    values: np.ndarray, reference: np.ndarray, against: str, *, signed: bool = False, use: np.ndarray | None = None
) -> Delay:
    use = np.ones(len(values), bool) if use is None else use
    half = len(values) // 2
    lag, correlation = _best_lag(values, reference, use, signed)
    parts = (slice(None, half), slice(half, None))
    first, second = (_best_lag(values[part], reference[part], use[part], signed)[0] for part in parts)
    return Delay(lag, abs(first - second) / 2, correlation, against)


def _best_lag(values: np.ndarray, reference: np.ndarray, use: np.ndarray, signed: bool) -> tuple[float, float]:
    """Lag of `values` behind `reference` (s) and the correlation there; `signed` allows a flipped sensor.

    Notes
    -----
    Pearson's correlation at every lag over the samples where the reference is usable; the usable samples are the same
    ones at every lag, so that a hole in the reference does not pull the lag towards zero.
    """
    # single events (a wheelspin, a spike) must not decide
    values, reference = (
        np.clip(v - np.median(v), *np.percentile(v - np.median(v), [1, 99])) for v in (values, reference)
    )
    weight = use.astype(float)
    count = weight.sum()
    if count < 50:
        return 0.0, 0.0
    centred = weight * (reference - np.dot(weight, reference) / count)
    most = min(int(LONGEST_S * RATE_HZ), len(values) - 1)
    lags = np.arange(-most, most + 1)
    size = transform_length(len(values) + most)
    of_values, of_squares, of_centred, of_weight = np.fft.rfft([values, values**2, centred, weight], size)
    products = [of_values * of_centred.conj(), of_values * of_weight.conj(), of_squares * of_weight.conj()]
    shared, total, power = np.fft.irfft(products, size)[:, lags]
    scale = np.sqrt(np.maximum(power - total**2 / count, 0.0) * np.dot(centred, centred))
    if not scale.min() > 0:
        return 0.0, 0.0
    cross = shared / scale
    if signed:
        cross = cross * np.sign(cross[np.argmax(np.abs(cross))])
    top = int(np.argmax(cross))
    shift = 0.0
    if 0 < top < len(cross) - 1:
        left, peak, right = cross[top - 1 : top + 2]
        curvature = left - 2 * peak + right
        shift = 0.5 * (left - right) / curvature if curvature < 0 else 0.0
    return float((lags[top] + shift) / RATE_HZ), float(cross[top])
