"""Delays of channels against each other, by cross-correlation; what a logger delivers late is brought back."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.log_stretches import period_s, read_off, rough_speed_m_s, wheel_speeds_m_s
from analyzer.signals.timebase import transform_length

LONGEST_S = 2.0
ENOUGH_S = 3600.0  # an hour from the middle of a longer log
RATE_HZ = 25.0  # lags are needed to about 10 ms; the parabola through the peak gives that
ALL_WHEELS = "wheel_speeds"  # the four of them together
ALONE_SHARE = 0.7  # of a delay: a turning channel without the other one to hold it against must say most of it


@dataclass(frozen=True)
class Natural:
    """What a car itself puts between two channels (s): as a rule, and at most; and how well they must go together.

    Of sound simulated cars of 760 to 1500 kg (other tyres, differentials, circuits, 50 to 200 Hz), rounded outwards:
    twenty, and 46 (seeds 200 to 211, 306 to 339, every nuisance) for lateral acceleration behind the gyro. Tyres need a
    moment to turn steer into yaw, so steer comes first; a car that slides its tail out turns before it is pushed
    sideways, so lateral acceleration comes last. A light car's inner front wheel slips on the way out of a corner, and
    the difference of the front wheels comes up to 0.3 s after the turn: that what turns comes early says nothing.
    """

    usual: float
    earliest: float
    latest: float
    together: float = 0.7  # least correlation


NATURAL = {
    "long_g": Natural(0.025, -0.01, 0.06),
    "yaw_rate": Natural(0.0, -math.inf, 0.06),
    "lat_g": Natural(0.11, -math.inf, 0.30, together=0.8),
    # steer follows the turn only while the car does not slide: a loose fit says nothing about its timing
    "steer": Natural(-0.11, -math.inf, 0.10, together=0.9),
    "gps_speed": Natural(0.0, -0.08, 0.08),
    "wheel": Natural(0.0, -0.03, 0.03),
}
# the closest pair of those that turn, 0.99 on all: 0.02 to 0.16 s, where by the front wheels it is -0.10 to 0.30, and
# 0.56 on a sound car (6002) whose front wheels slip
LATERAL_BEHIND_GYRO = Natural(0.09, -math.inf, 0.20)


@dataclass(frozen=True)
class Delay:
    """How late a channel is.

    Attributes
    ----------
    delay_s : positive when the channel lags.
    spread_s : half the difference between the two halves of the log.
    correlation : at the best lag, 0 to 1.
    against : what it was compared with, in words.
    natural : what a car puts between the two.
    """

    delay_s: float
    spread_s: float
    correlation: float
    against: str
    natural: Natural

    @property
    def certain(self) -> bool:
        """Whether both halves of the log say the same and the channels go together."""
        return self.spread_s < max(0.02, 0.3 * abs(self.delay_s)) and self.correlation > self.natural.together

    @property
    def excess_s(self) -> float:
        """Over what is usual."""
        return self.delay_s - self.natural.usual

    def out_of_step(self, period: float) -> bool:
        """Whether to act on it: it is certain, and a car does not explain it; less than a sample and a fifth of the
        log's period (s) is not looked at."""
        earliest, latest = min(self.natural.earliest, -1.2 * period), max(self.natural.latest, 1.2 * period)
        return self.certain and not earliest <= self.delay_s <= latest


def estimate_delays(recording: Recording) -> Mapping[str, Delay]:
    """Delay of each channel that another one can be compared with.

    A wheel is compared with the other one of its axle (changes of speed), GPS speed with the wheels, longitudinal
    acceleration with the change of wheel speed; steer and yaw rate with the difference of the front wheels, lateral
    acceleration with speed times yaw rate or, without a gyro, with the front wheels too.

    Returns
    -------
    mapping : channel -> its delay; {} where the log is too short or the car hardly changes speed.
    """
    time = recording.time_s
    if time[-1] < 20 or len(time) < 200:
        return {}
    start = max(0.0, (time[-1] - ENOUGH_S) / 2)
    grid = np.arange(start, min(time[-1], start + ENOUGH_S), 1 / RATE_HZ)
    read = read_off(time, grid)
    channels = {name: read(values) for name, values in recording.channels.items()}
    wheels = dict(wheel_speeds_m_s(recording, channels))
    of_wheels = _wheel_delays(wheels)
    for name, delay in of_wheels.items():
        if delay.out_of_step(period_s(recording)):  # in step before it tells the car's speed
            wheels[name] = np.interp(grid + delay.excess_s, grid, wheels[name])
    speed = _rolling_speed(wheels, read(rough_speed_m_s(recording)))
    if np.ptp(speed) < 5.0:
        return {}
    return of_wheels | _speed_delays(channels, wheels, speed) | _lateral_delays(channels, wheels, speed)


def _speed_delays(
    channels: Mapping[str, FloatArray], wheels: Mapping[str, FloatArray], speed: FloatArray
) -> dict[str, Delay]:
    """Ground speed and longitudinal acceleration against the wheels, or against each other where no front wheel is
    logged: driven wheels slip in proportion to the acceleration, so their speed comes a tenth of a second early."""
    if {"wheel_speed_fl", "wheel_speed_fr"} & wheels.keys():
        result = {}
        if "gps_speed" in channels:
            result["gps_speed"] = _delay(
                _changes(channels["gps_speed"]), _changes(speed), "the wheel speeds", NATURAL["gps_speed"]
            )
        if "long_g" in channels:
            result["long_g"] = _delay(
                _smooth(channels["long_g"]), _changes(speed), "the change of wheel speed", NATURAL["long_g"]
            )
        return result
    if {"gps_speed", "long_g"} <= channels.keys():
        changes = _changes(channels["gps_speed"])
        receiver = _delay(changes, _smooth(channels["long_g"]), "longitudinal acceleration", NATURAL["gps_speed"])
        if receiver.delay_s < 0:  # a receiver is late, never early
            return {"long_g": _turned(receiver, "the change of GPS speed", NATURAL["long_g"])}
        return {"gps_speed": receiver}
    return {}


def _turned(delay: Delay, against: str, natural: Natural) -> Delay:
    """The other one of the pair behind this one."""
    return replace(delay, delay_s=-delay.delay_s, against=against, natural=natural)


def _rolling_speed(wheels: Mapping[str, FloatArray], rough: FloatArray) -> FloatArray:
    """Speed of the wheels that slip least: the front ones on power, the rear ones under braking."""
    ends = []
    for end in "fr":
        pair = [v for name, v in wheels.items() if name.startswith(f"wheel_speed_{end}")]
        if not pair:
            return rough
        ends.append(np.mean(pair, axis=0))
    front, rear = ends
    share = np.clip(0.5 + _changes(_smooth(rough)) / 2.0, 0.0, 1.0)  # of the front; changes over between -1 and 1 m/s2
    middle: FloatArray = _smooth(share) * front + (1 - _smooth(share)) * rear
    return middle


def _wheel_delays(wheels: Mapping[str, FloatArray]) -> dict[str, Delay]:
    """A wheel that is late against its neighbour on the axle."""
    result = {}
    for left, right in (("wheel_speed_fl", "wheel_speed_fr"), ("wheel_speed_rl", "wheel_speed_rr")):
        if left not in wheels or right not in wheels:
            continue
        other = "the other wheel of the axle"
        pair = _delay(_changes(wheels[left]), _changes(wheels[right]), other, NATURAL["wheel"])
        # a logger can hold a wheel back, not hurry it: the late one of the pair is the faulty one
        late, against = (left, pair) if pair.delay_s > 0 else (right, _turned(pair, other, NATURAL["wheel"]))
        result[late] = against
    return result


def _lateral_delays(
    channels: Mapping[str, FloatArray], wheels: Mapping[str, FloatArray], speed: FloatArray
) -> dict[str, Delay]:
    """Turning channels as logged, each against a reference brought to its kind: a late channel must not be divided by
    a speed that is not late."""
    moving = np.maximum(speed, 5.0)
    free = _changes(speed) > -3.0  # a braked front wheel slips
    result = {}
    if {"wheel_speed_fl", "wheel_speed_fr"} <= wheels.keys():
        difference = wheels["wheel_speed_fr"] - wheels["wheel_speed_fl"]
        references = {"yaw_rate": difference, "lat_g": difference * moving, "steer": difference / moving}
        for name in references.keys() & channels.keys():
            turning, reference = _smooth(channels[name]), _smooth(references[name])
            result[name] = _delay(
                turning, reference, "the front wheels' difference", NATURAL[name], signed=True, use=free
            )
    if {"yaw_rate", "lat_g"} <= channels.keys():
        turning, reference = _smooth(channels["lat_g"]), _smooth(channels["yaw_rate"] * moving)
        lateral = _delay(turning, reference, "speed times yaw rate", LATERAL_BEHIND_GYRO, signed=True)
        if "yaw_rate" in result or lateral.delay_s >= 0:
            result["lat_g"] = lateral
        else:  # the late one of the two
            result["yaw_rate"] = _turned(lateral, "lateral acceleration", NATURAL["yaw_rate"])
    return result


def _smooth(values: FloatArray) -> FloatArray:
    """A 0.1 s running mean, which delays nothing because it is centred."""
    width = round(0.1 * RATE_HZ) | 1
    return np.convolve(values, np.full(width, 1 / width), mode="same")


def _changes(values: FloatArray) -> FloatArray:
    return np.gradient(_smooth(_smooth(values)), 1 / RATE_HZ)


def _delay(
    values: FloatArray,
    reference: FloatArray,
    against: str,
    natural: Natural,
    *,
    signed: bool = False,
    use: BoolArray | None = None,
) -> Delay:
    use = np.ones(len(values), bool) if use is None else use
    half = len(values) // 2
    lag, correlation = _best_lag(values, reference, use, signed)
    parts = (slice(None, half), slice(half, None))
    first, second = (_best_lag(values[part], reference[part], use[part], signed)[0] for part in parts)
    return Delay(lag, abs(first - second) / 2, correlation, against, natural)


def _without_events(values: FloatArray) -> FloatArray:
    """About their median, and cut where a hundredth lies beyond: a wheelspin or a spike must not decide."""
    centred = values - np.median(values)
    return np.clip(centred, *np.percentile(centred, [1, 99]))


def _best_lag(values: FloatArray, reference: FloatArray, use: BoolArray, signed: bool) -> tuple[float, float]:
    """Lag of `values` behind `reference` (s) and the correlation there; `signed` allows a flipped sensor.

    Notes
    -----
    Pearson's correlation at every lag over the samples where the reference is usable; the usable samples are the same
    ones at every lag, so that a hole in the reference does not pull the lag towards zero.
    """
    values, reference = (_without_events(v) for v in (values, reference))
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

    Parameters
    ----------
    delays : of each channel, from `estimate_delays`.
    period : between samples of the log (s): less than a sample and a fifth is not looked at.

    Notes
    -----
    Longitudinal acceleration against the change of speed is the surest of all (0.013 s over the twenty cars). Where it
    comes early the wheel speeds are late, for a logger can hold a channel back, not hurry it, and all that is measured
    against them is as much later. Where it is late, so is what is in the same sensor unit.
    """
    result: dict[str, Delay] = {}
    unit = delays.get("long_g")
    if unit is not None and unit.out_of_step(period):
        by = unit.excess_s
        if by < 0:
            result[ALL_WHEELS] = replace(unit, delay_s=-by, against="longitudinal acceleration")
            delays = {
                name: delay if name in WHEEL_CHANNELS or _by_gyro(delay) else replace(delay, delay_s=delay.delay_s - by)
                for name, delay in delays.items()
            }
        else:
            late = replace(unit, delay_s=by)
            result |= dict.fromkeys(("long_g", *_late_with_it(delays, by)), late)
    for name, delay in delays.items():
        if name not in result and delay.out_of_step(period):
            result[name] = replace(delay, delay_s=delay.excess_s)
    gyro, lateral = result.get("yaw_rate"), delays.get("lat_g")
    if "long_g" not in result and gyro is not None and lateral is not None and _by_gyro(lateral):
        # held against what is late itself: as late, or not late at all
        if lateral.excess_s > -gyro.delay_s / 2:
            own = lateral.excess_s if "lat_g" in result else 0.0
            result["lat_g"] = replace(gyro, delay_s=gyro.delay_s + own)
    return result


def _by_gyro(delay: Delay) -> bool:
    return delay.natural is LATERAL_BEHIND_GYRO


def _late_with_it(delays: Mapping[str, Delay], by: float) -> tuple[str, ...]:
    """Which turning channels are as late as longitudinal acceleration is: those of the same accelerometer, of the same
    unit, or none."""
    lateral, gyro = delays.get("lat_g"), delays.get("yaw_rate")
    if lateral is not None and gyro is not None and _by_gyro(lateral):
        if lateral.excess_s > by / 2:
            return ("lat_g",)
        return ("yaw_rate", "lat_g") if gyro.excess_s > by / 2 else ()
    alone = {name: delay for name, delay in (("yaw_rate", gyro), ("lat_g", lateral)) if delay is not None}
    return tuple(name for name, delay in alone.items() if delay.excess_s > ALONE_SHARE * by)
