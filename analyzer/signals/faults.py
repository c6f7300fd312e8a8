"""Faults that show in the values of one channel: missing, stuck, spiking, clipped or coarse."""

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import CHANNELS, QUANTITIES, WHEEL_CHANNELS
from analyzer.channels import STANDARD_GRAVITY_M_S2 as G
from analyzer.in_words import counted, number
from analyzer.logs.recording import Annotation, Recording
from analyzer.robust import scatter
from analyzer.signals.log_stretches import joined, period_s, rough_speed_m_s, runs, wheel_speeds_m_s

# channels without which a sample says nothing about the differential
ESSENTIAL = (*WHEEL_CHANNELS, "throttle", "steer", "lat_g", "yaw_rate", "long_g")
SHORT_GAP_S = 0.05
MOVING_M_S = 5.0
STILL_M_S = 0.01
# The steps below are beyond what a car does in a few hundredths of a second (common practice, no source): a wheel
# gains or loses less than 400 m/s2 at its rim even when it locks or spins up on ice.
WHEEL_ACCELERATION_M_S2 = 400.0
SPIKE_STEP = {"lat_g": 3 * G, "long_g": 3 * G, "yaw_rate": 1.5, "steer": 1.0, "throttle": 0.5, "gps_speed": 4.0}
SPIKE_S = 0.045
# A step to or from exactly zero that nothing in a car makes: (change a second, and at the least). Feet and hands are
# the fastest: a pedal takes 0.07 s, a steering wheel is turned at 800 deg/s at most (common practice, no source).
ZERO_STEP = {
    "lat_g": (150.0, 3.0),
    "long_g": (150.0, 3.0),
    "yaw_rate": (8.0, 0.12),
    "steer": (20.0, 0.2),
    "throttle": (15.0, 0.2),
    "gps_speed": (60.0, 4.0),
}
LONGEST_LIFT_S = 1.0
RECEIVER_S = 0.12  # between two values of a receiver at 10 Hz
STUCK_S = {"wheel": 0.4, "gps_speed": 1.5, "throttle": 3.0}
STUCK_OTHER_S = 1.0
COARSE_SPEED_M_S = 0.15
LEAST_QUIET_ROWS = 10
# three times what tyres brake and pull with (common practice, no source), and over the noise of single wheels
JUMP_M_S2, JUMP_M_S = 60.0, 1.5


def _essential(channel: str, recording: Recording) -> bool:
    if channel == "lat_g" and "yaw_rate" in recording.channels:
        return True
    return channel in ESSENTIAL


def without_false_zeros(recording: Recording) -> Recording:
    """The recording with no value where a channel reads a zero that it would have had to reach or leave faster than
    anything in a car can: the signal was lost, and a zero written in its place."""
    wheels = wheel_speeds_m_s(recording)
    lost: dict[str, FloatArray] = {}
    for name, raw in recording.channels.items():
        values = wheels.get(name, raw)
        if name in WHEEL_CHANNELS:
            rate, least, zero = WHEEL_ACCELERATION_M_S2 * 1.5, 8.0, values < STILL_M_S
        elif name in ZERO_STEP:
            (rate, least), zero = ZERO_STEP[name], values == 0.0
            if name == "steer" and recording.steer_at == "road_wheel":
                rate, least = rate / 10, least / 10
        else:
            continue
        if name == "gps_speed":
            at = _false_standstill(recording.time_s, values)
        else:
            at = _false_zeros(recording.time_s, values, zero, rate=rate, least=least, foot=name == "throttle")
        if not at.any():
            continue
        if name in ("lat_g", "long_g", "yaw_rate", "steer"):
            # which zeros are true is not told, and one between small neighbours costs nothing
            at = zero
        lost[name] = np.where(at, np.nan, raw)
    return replace(recording, channels={**recording.channels, **lost}) if lost else recording


def _false_zeros(
    time_s: FloatArray, values: FloatArray, zero: BoolArray, *, rate: float, least: float, foot: bool
) -> BoolArray:
    """Runs of zeros with an impossible step at an end; of a pedal, which rests at zero, only short ones.

    Beside a value that leaves its other neighbour as fast, unless that is a zero too, the value is what is false.
    """
    result = np.zeros(len(values), bool)
    if not zero.any():
        return result
    step, limit = np.abs(np.diff(values)), np.maximum(rate * np.diff(time_s), least)
    edge = step > limit
    fall, rise = np.zeros(len(values), bool), np.zeros(len(values), bool)
    fall[1:], rise[:-1] = edge, edge
    fall[2:] &= ~(edge[:-1] & ~zero[:-2])
    rise[:-2] &= ~(edge[1:] & ~zero[2:])
    for first, last in runs(zero):
        lift = not foot or time_s[last] - time_s[first] < LONGEST_LIFT_S
        if lift and (fall[first] or rise[last]):
            result[first : last + 1] = True
    return result


def _false_standstill(time_s: FloatArray, speed: FloatArray) -> BoolArray:
    """Zeros of a receiver slower than the log, with the ramps that lead to them."""
    zero = speed < STILL_M_S
    result = np.zeros(len(speed), bool)
    reach = max(1, round(RECEIVER_S / float(np.median(np.diff(time_s)))))
    rate, least = ZERO_STEP["gps_speed"]
    limit = max(rate * RECEIVER_S, least)
    for first, last in runs(zero):
        before, after = max(first - reach, 0), min(last + reach, len(speed) - 1)
        beside = [speed[max(first - 1, 0)], speed[min(last + 1, len(speed) - 1)]]
        if min(beside) > limit:
            result[first : last + 1] = True
        elif np.nanmax(speed[before : first + 1]) > limit or np.nanmax(speed[last : after + 1]) > limit:
            result[before : after + 1] = True
    return result


def dropouts(recording: Recording) -> list[Annotation]:
    """Stretches without values."""
    time, found = recording.time_s, []
    for channel, values in recording.channels.items():
        missing = ~np.isfinite(values)
        if not missing.any():
            continue
        stretches = runs(missing)
        lengths = time[stretches[:, 1]] - time[stretches[:, 0]] + period_s(recording)
        short = lengths <= SHORT_GAP_S
        if short.any():
            count = int((stretches[short, 1] - stretches[short, 0] + 1).sum())
            words = f"{CHANNELS[channel].heading} misses {counted(count, 'single sample')}; filled from the neighbours."
            found.append(Annotation("missing_samples", "info", channel, None, None, words))
        for first, last in joined(stretches[~short], time, within_s=0.1):
            seconds = time[last] - time[first] + period_s(recording)
            essential = _essential(channel, recording)
            effect = "nothing is concluded there" if essential else "this channel is not used there"
            words = f"{CHANNELS[channel].heading} has no signal for {seconds:.2f} s; {effect}."
            found.append(
                Annotation("dropout", "warning", channel, float(time[first]), float(time[last]), words, essential)
            )
    return found


def stuck(recording: Recording) -> list[Annotation]:
    """A channel that repeats one value while the car does something it would have to show."""
    time, found = recording.time_s, []
    channels = recording.channels
    # of whole channels, which every stretch is compared with: once each
    usual_size = cache(lambda name: np.nanpercentile(np.abs(channels[name] - np.nanmedian(channels[name])), 95))
    usual_span = cache(lambda name: np.nanpercentile(channels[name], [1, 99]))
    has_noise = cache(lambda name: _has_noise(wheels[name]))
    wheels = wheel_speeds_m_s(recording)
    usual_speed = cache(lambda name: np.nanmedian(wheels[name]) / 2)
    for channel, values in channels.items():
        if channel not in ESSENTIAL and channel != "gps_speed":
            continue
        kind = "wheel" if channel in WHEEL_CHANNELS else channel
        least = STUCK_S.get(kind, STUCK_OTHER_S)
        same = np.concatenate([np.diff(values) == 0, [False]])
        candidates = runs(same)
        candidates[:, 1] += 1
        candidates = candidates[time[candidates[:, 1]] - time[candidates[:, 0]] >= least]
        if not len(candidates):
            continue
        ends = (np.nanmax(values), np.nanmin(values))
        for first, last in candidates:
            if values[first] in ends and channel not in WHEEL_CHANNELS:
                continue  # at an end of its range: clipped, or a stop
            # a wheel that always has noise, and at speed has more of it, cannot lack it for so many rows
            noisy = channel in WHEEL_CHANNELS and last - first > LEAST_QUIET_ROWS and has_noise(channel)
            without_noise = noisy and wheels[channel][first] > max(MOVING_M_S, usual_speed(channel))
            if without_noise or _must_have_moved(recording, channel, slice(first, last + 1), usual_size, usual_span):
                seconds = time[last] - time[first]
                words = (
                    f"{CHANNELS[channel].heading} stays at one value for {seconds:.1f} s while the car moves; "
                    "nothing is concluded there."
                )
                excludes = _essential(channel, recording)
                found.append(
                    Annotation("stuck", "warning", channel, float(time[first]), float(time[last]), words, excludes)
                )
    return found


def _must_have_moved(
    recording: Recording,
    channel: str,
    part: slice,
    usual_size: Callable[[str], float],
    usual_span: Callable[[str], FloatArray],
) -> bool:
    """Whether the other channels show that this one cannot have kept one value to the last digit."""
    channels = recording.channels
    speed = rough_speed_m_s(recording, without=channel, part=part)
    if not np.isfinite(speed).any() or np.nanmax(speed) < MOVING_M_S:
        return False
    if channel in WHEEL_CHANNELS or channel == "gps_speed":
        # a wheel may hold its speed to the last digit for a moment, not while the others gain or lose this much
        return bool(np.nanmax(speed) - np.nanmin(speed) > max(1.5, 0.05 * np.nanmax(speed)))
    if channel == "throttle":
        value = channels["throttle"][part.start]
        span = usual_span("throttle")
        if value <= span[0] + 0.03 or value >= span[1] - 0.03:
            return False  # foot off or flat out
        return bool(np.nanmax(speed) - np.nanmin(speed) > 8.0 and np.argmax(speed) not in (0, len(speed) - 1))
    others = [c for c in ("lat_g", "yaw_rate", "steer", "long_g") if c in channels and c != channel]
    if channel == "long_g":
        return bool(np.nanmax(speed) - np.nanmin(speed) > 5.0)
    for other in others:
        if other == "long_g":
            continue
        size, piece = usual_size(other), channels[other][part]
        if size > 0 and np.isfinite(piece).any() and np.nanmax(piece) - np.nanmin(piece) > size:
            return True
    return False


def spikes(recording: Recording) -> list[Annotation]:
    """Values that leave and come back within a few hundredths of a second, by more than the car can."""
    time, found = recording.time_s, []
    period = period_s(recording)
    longest = max(1, round(SPIKE_S / period))
    wheels = wheel_speeds_m_s(recording)
    for channel, raw in recording.channels.items():
        if channel not in SPIKE_STEP and channel not in WHEEL_CHANNELS:
            continue
        values = wheels.get(channel, raw)
        step = np.diff(values)
        size = np.abs(step)
        if channel in WHEEL_CHANNELS:
            least = max(2.0, WHEEL_ACCELERATION_M_S2 * period)
        else:
            least = SPIKE_STEP[channel] * max(1.0, period / 0.02)
            if channel == "steer" and recording.steer_at == "road_wheel":
                least /= 10
        if not (size > least).any():
            continue
        noise = scatter(step[np.isfinite(step)])
        large = size > max(least, 12 * noise)
        hit = np.zeros(len(values), bool)
        for length in range(1, longest + 1):
            out = np.flatnonzero(large[:-length] & large[length:])
            back = out + length
            level = np.abs(step[out] + step[back]) if length == 1 else np.abs(values[back + 1] - values[out])
            place = out[(np.sign(step[out]) == -np.sign(step[back])) & (level < 0.5 * size[out])]
            for offset in range(length):
                hit[place + 1 + offset] = True
        for first, last in joined(runs(hit), time, within_s=0.1):
            height = np.nanmax(np.abs(raw[first : last + 1] - raw[max(first - 1, 0)]))
            words = (
                f"{CHANNELS[channel].heading} spikes by {_as_in_the_file(recording, channel, float(height))} for "
                f"{time[last] - time[first] + period:.2f} s, faster than a car can; nothing is concluded there."
            )
            found.append(
                Annotation(
                    "spike",
                    "warning",
                    channel,
                    float(time[max(first - 1, 0)]),
                    float(time[min(last + 1, len(time) - 1)]),
                    words,
                    _essential(channel, recording),
                )
            )
    return found


def _as_in_the_file(recording: Recording, channel: str, value: float) -> str:
    """A value (in the unit inside) with three figures in the unit that its column has."""
    source, units = recording.sources.get(channel), QUANTITIES[CHANNELS[channel].quantity]
    unit = (source and source.unit) or CHANNELS[channel].file_unit
    if unit not in units:  # Hz of a sensor ring: the recording knows the rotation, no more the teeth
        unit = recording.wheel_speed_unit
    shown = value / units[unit].factor
    text = number(shown, max(0, 3 - len(f"{abs(shown):.0f}")))
    return text if unit == "1" else f"{text} {unit}"


def clipped(recording: Recording) -> list[Annotation]:
    """A sensor at the end of its range: its extreme comes again and again, in flat runs."""
    time, found = recording.time_s, []
    for channel, values in recording.channels.items():
        signed = channel in ("lat_g", "long_g", "yaw_rate", "steer")
        if not signed and channel not in WHEEL_CHANNELS:
            continue
        finite = values[np.isfinite(values)]
        if not len(finite):
            continue
        for extreme in (finite.max(), finite.min()) if signed else (finite.max(),):
            at = values == extreme
            count = int(at.sum())
            if count < 10 or count > len(values) // 2:
                continue
            beyond = np.abs(finite - extreme)
            next_step = beyond[beyond > 0].min() if (beyond > 0).any() else 0.0
            beside = int(np.count_nonzero((beyond > 0) & (beyond <= 1.5 * next_step)))
            # a smooth peak in coarse steps stays 1/(sqrt(2)-1) = 2.4 times as long in its top step as in the next one
            if count < 6 * beside:
                continue
            stretches = runs(at)
            flat = stretches[stretches[:, 1] - stretches[:, 0] >= 4]
            if len(flat) < 1 or (flat[:, 1] - flat[:, 0] + 1).sum() < 0.7 * count:
                continue
            at_stop = channel == "steer"  # the steering has a stop, and what the sensor reads there is true
            effect = (
                "the steering may be at its stop" if at_stop else "the true value is larger, nothing is concluded there"
            )
            for first, last in joined(flat, time, within_s=0.2):
                words = (
                    f"{CHANNELS[channel].heading} is at the end of its range "
                    f"({_as_in_the_file(recording, channel, float(extreme))}) for {time[last] - time[first]:.2f} s; "
                    f"{effect}."
                )
                found.append(
                    Annotation("clipped", "warning", channel, float(time[first]), float(time[last]), words, not at_stop)
                )
    return found


def _has_noise(speed: FloatArray) -> bool:
    """Whether a wheel speed (n,) moves from row to row even where the car's does not."""
    third = np.abs(np.diff(speed, n=3))
    third = third[np.isfinite(third)]
    return bool(len(third) and np.median(third) > 0) and not coarse_step(speed, COARSE_SPEED_M_S)


def coarse_step(values: FloatArray, most: float) -> float:
    """Step of a channel (n,), in its unit, that comes in steps coarser than `most`; 0 of others."""
    steps = np.abs(np.diff(values[np.isfinite(values)]))
    steps = steps[steps > 1e-9]
    # coarse means that a hundredth of the steps at most are small
    if len(steps) < 50 or np.count_nonzero(steps <= most) > 0.02 * len(steps):
        return 0.0
    smallest = float(np.percentile(steps, 1))
    whole = np.abs(steps / smallest - np.round(steps / smallest)) < 0.05
    return smallest if smallest > most and whole.mean() > 0.9 else 0.0


def quantised(recording: Recording) -> list[Annotation]:
    """Wheel speeds in steps so coarse that they hide slip."""
    found = []
    for channel, values in wheel_speeds_m_s(recording).items():
        if step := coarse_step(values, COARSE_SPEED_M_S):
            words = (
                f"{CHANNELS[channel].heading} comes in steps of {step * 3.6:.2f} km/h; slip below about that size "
                "cannot be seen."
            )
            found.append(Annotation("quantised", "warning", channel, None, None, words))
    return found


def interpolated(recording: Recording) -> list[Annotation]:
    """A noisy wheel speed that runs without any noise for a while: lost values, bridged in a straight line."""
    time, found = recording.time_s, []
    for channel, values in wheel_speeds_m_s(recording).items():
        if not _has_noise(values):
            continue
        third = np.abs(np.diff(values, n=3))
        usual = float(np.nanmedian(third))
        # in noise one row in twenty is as quiet, so not ten in a row
        quiet = (third < 0.1 * usual) & (values[:-3] > MOVING_M_S)
        found_quiet = runs(quiet)
        for first, last in found_quiet[found_quiet[:, 1] - found_quiet[:, 0] + 3 >= LEAST_QUIET_ROWS]:
            last = min(int(last) + 3, len(time) - 1)
            seconds = time[last] - time[first]
            if seconds < STUCK_S["wheel"] or last - first < LEAST_QUIET_ROWS or values[first] == values[last]:
                continue
            words = (
                f"{CHANNELS[channel].heading} runs in a straight line for {seconds:.1f} s, without the noise it has "
                "elsewhere: values that were lost and bridged; nothing is concluded there."
            )
            found.append(Annotation("stuck", "warning", channel, float(time[first]), float(time[last]), words, True))
    return found


def spliced(recording: Recording) -> list[Annotation]:
    """Rows between which all wheels jump at once: the rows between them are missing, and the clock does not say so."""
    wheels = list(wheel_speeds_m_s(recording).values())
    if len(wheels) < 3:
        return []
    time = recording.time_s
    steps = np.diff(wheels, axis=1)
    together = np.sort(np.abs(steps), axis=0)[1] * (np.abs(np.sign(steps).sum(axis=0)) == len(wheels))
    jumps = np.flatnonzero(together > JUMP_M_S + JUMP_M_S2 * np.diff(time))
    words = "All wheel speeds jump between two rows, as no car does; rows are missing here, and the log is not bridged."
    return [Annotation("gap", "warning", None, float(time[k]), float(time[k + 1]), words, True) for k in jumps]
