"""What every question needs done to a log as read: signs and sides settled, faults found, late channels shifted; and
what happens to a whole session: gaps, standing, towing, lost pulses, a throttle that is not 0 to 100 %.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS
from analyzer.in_words import counted
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.delays import Delay, align_channels, estimate_delays
from analyzer.signals.faults import (
    clipped,
    dropouts,
    interpolated,
    quantised,
    spikes,
    spliced,
    stuck,
    without_false_zeros,
)
from analyzer.signals.kinematics import without_steps
from analyzer.signals.log_stretches import joined, rough_speed_m_s, runs, wheel_speeds_m_s
from analyzer.signals.signs import settle_signs

STANDING_M_S = 0.8
STANDING_S = 3.0
TOWED_S = 20.0
TOW_SPEED_M_S = 18.0
SPEEDS_ALIKE = (0.75, 1.33)  # wider than a nominal rolling radius is off, narrower than mph against km/h
ENGINE_OFF_RAD_S = 30.0  # about 290 rpm, below any idle
FALSE_VALUES = ("spike", "stuck")


def gaps(recording: Recording) -> list[Annotation]:
    """Places where the log has no samples at all."""
    time = recording.time_s
    step = np.diff(time)
    period = float(np.median(step))
    found = []
    single = int(np.count_nonzero((step > 1.5 * period) & (step <= 2.5 * period)))
    if single:
        words = f"{counted(single, 'single row')} missing and filled from the neighbours."
        found.append(Annotation("missing_samples", "info", None, None, None, words))
    long = np.zeros(len(time), bool)
    places = np.flatnonzero(step > 2.5 * period)
    long[places] = long[places + 1] = True
    for first, last in runs(long):
        seconds = time[last] - time[first]
        words = f"No samples for {seconds:.2f} s (a gap, or the clock jumped); the log is not bridged here."
        found.append(Annotation("gap", "warning", None, float(time[first]), float(time[last]), words, True))
    return found


def standing(recording: Recording, speed: FloatArray) -> list[Annotation]:
    """The car stands: a pit stop, or before and after the run.

    Parameters
    ----------
    speed : (n,) about that of the car (m/s), as `rough_speed_m_s` gives it.
    """
    time = recording.time_s
    stretches = joined(runs(speed < STANDING_M_S), time, within_s=0.5)
    found = []
    for first, last in stretches:
        seconds = time[last] - time[first]
        if seconds < STANDING_S:
            continue
        within = np.nanmax(speed[:first], initial=0) > 10 and np.nanmax(speed[last:], initial=0) > 10
        code, words = ("pit_stop", "a stop on the way") if within else ("standing", "before or after the run")
        message = f"The car stands for {seconds:.0f} s ({words}); nothing is concluded there."
        found.append(Annotation(code, "info", None, float(time[first]), float(time[last]), message, True))
    return found


def towed(recording: Recording, speed: FloatArray) -> list[Annotation]:
    """The car rolls without its engine: engine speed near zero, or throttle closed for long at towing speed.

    Parameters
    ----------
    speed : (n,) about that of the car (m/s), as `rough_speed_m_s` gives it.
    """
    time = recording.time_s
    rolling = (speed > 1.5) & (speed < TOW_SPEED_M_S)
    engine = recording.channels.get("engine_speed")
    if engine is not None and np.nanmax(engine) > 10 * ENGINE_OFF_RAD_S:
        mask, least, why = rolling & (engine < ENGINE_OFF_RAD_S), 5.0, "its engine is off"
    elif "throttle" in recording.channels:
        throttle = recording.channels["throttle"]
        closed = throttle <= np.nanpercentile(throttle, 1) + 0.02
        mask, least, why = rolling & closed, TOWED_S, "the throttle is closed throughout"
    else:
        return []
    found = []
    for first, last in joined(runs(mask), time, within_s=0.5):
        seconds = time[last] - time[first]
        # coasting to a halt loses speed all the way; a tow keeps it up
        part = speed[first : last + 1]
        half = len(part) // 2
        if seconds < least or (least == TOWED_S and np.nanmean(part[half:]) < 0.6 * np.nanmean(part[:half])):
            continue
        message = (
            f"The car rolls for {seconds:.0f} s at up to {np.nanmax(part) * 3.6:.0f} km/h while {why}: towed or "
            "pushed; left out."
        )
        found.append(Annotation("towed", "info", None, float(time[first]), float(time[last]), message, True))
    return found


def lost_pulses(recording: Recording) -> list[Annotation]:
    """Wheel sensors that read zero below some speed."""
    time, found = recording.time_s, []
    for channel, values in wheel_speeds_m_s(recording).items():
        zero = values == 0
        moving = values[values > 0]
        if not zero.any() or len(moving) < 100:
            continue
        least = float(moving.min())
        edges = int(np.count_nonzero(np.diff(zero.astype(np.int8))))
        slow_share = np.count_nonzero((values > 0) & (values < 2 * least)) / len(values)
        if least < 0.7 or edges < 1 or slow_share == 0:
            continue
        others = rough_speed_m_s(recording, without=channel)
        for first, last in joined(runs(zero & (others > 0.3)), time, within_s=0.3):
            if time[last] - time[first] > 0.1 and others[first : last + 1].max() < 2 * least:
                words = (
                    f"{CHANNELS[channel].heading} reads 0 below {least * 3.6:.1f} km/h, where its sensor loses the "
                    "pulses; nothing is concluded there."
                )
                found.append(
                    Annotation("lost_pulses", "info", channel, float(time[first]), float(time[last]), words, True)
                )
    return found


def speeds_apart(recording: Recording, speed: FloatArray) -> list[Annotation]:
    """A ground speed that is another number than the wheels': one of them is not in the unit that is stated.

    Parameters
    ----------
    speed : (n,) about that of the car (m/s), as `rough_speed_m_s` gives it.
    """
    ground = recording.channels.get("gps_speed")
    if ground is None or not wheel_speeds_m_s(recording):
        return []
    rolling = rough_speed_m_s(recording, without="gps_speed")
    moving = (rolling > 5.0) & np.isfinite(ground)
    if np.count_nonzero(moving) < 100:
        return []
    ratio = float(np.median(ground[moving] / rolling[moving]))
    if SPEEDS_ALIKE[0] <= ratio <= SPEEDS_ALIKE[1]:
        return []
    words = (
        f"GPS speed reads {ratio:.2f} times the wheel speeds: one of them is not in the unit it is taken in; state the "
        "right one in a channel map."
    )
    return [Annotation("speeds_apart", "warning", "gps_speed", None, None, words)]


def throttle_range(recording: Recording, speed: FloatArray) -> list[Annotation]:
    """A throttle that never closes, never opens, or is at its end for most of the time.

    Parameters
    ----------
    speed : (n,) about that of the car (m/s), as `rough_speed_m_s` gives it.
    """
    throttle = recording.channels.get("throttle")
    if throttle is None or not np.isfinite(throttle).any():
        return []
    moving = throttle[(speed > 5.0) & np.isfinite(throttle)]
    if len(moving) < 100:
        return []
    low, high = np.percentile(moving, [0.5, 99.5])
    found = []
    if high - low < 0.02:
        words = f"Throttle stays at {100 * low:.0f} % while the car drives; it does not show the phases of a corner."
        return [Annotation("throttle_dead", "error", "throttle", None, None, words)]
    at_top = float(np.mean(moving >= high - 0.005))
    if at_top > 0.8:
        words = (
            f"Throttle is at its upper end for {100 * at_top:.0f} % of the time on the move: its range is set too "
            "small, and power application looks like full throttle."
        )
        found.append(Annotation("throttle_saturated", "warning", "throttle", None, None, words))
    if low > 0.03:
        words = (
            f"Throttle never closes: its lowest reading on the move is {100 * low:.0f} %; the sensor's zero may be off."
        )
        found.append(Annotation("throttle_range", "warning", "throttle", None, None, words))
    if high < 0.9 or high > 1.05:
        words = (
            f"Throttle is hardly ever above {100 * high:.0f} %; either the driver held back or the sensor's range is "
            "off."
        )
        found.append(Annotation("throttle_range", "info", "throttle", None, None, words))
    return found


@dataclass(frozen=True)
class LookedOver:
    """A recording with its signs and sides settled and false values taken out, and what was found on the way."""

    recording: Recording
    signs: tuple[Annotation, ...]
    faults: tuple[Annotation, ...]


def examined(recording: Recording) -> Recording:
    """The recording with what is certain put right, and everything found among its annotations."""
    return aligned(look_over(recording), None)[0]


def look_over(recording: Recording) -> LookedOver:
    """The first half: what is told by the channels as they are, before any of them is shifted."""
    recording, signs = settle_signs(recording)
    # faults before the shifts, which leave the ends of a late channel without values
    faults = find_faults(recording)
    return LookedOver(without_faults(recording, faults), tuple(signs), faults)


def aligned(found: LookedOver, delays: Mapping[str, Delay] | None) -> tuple[Recording, Mapping[str, Delay]]:
    """The second half of the examination: channels that come late are shifted back.

    Parameters
    ----------
    found : by `look_over`.
    delays : as known from another part of the log; None: they are estimated here.

    Returns
    -------
    tuple : the recording, all that was found among its annotations, and the delays.
    """
    recording = _smooth_ground_speed(found.recording)
    delays = estimate_delays(recording) if delays is None else delays
    recording, shifts = align_channels(recording, delays)
    return replace(recording, annotations=(*recording.annotations, *found.signs, *shifts, *found.faults)), delays


def _smooth_ground_speed(recording: Recording) -> Recording:
    held = recording.channels.get("gps_speed")
    if held is None:
        return recording
    return replace(recording, channels={**recording.channels, "gps_speed": without_steps(held, recording.time_s)})


def find_faults(recording: Recording) -> tuple[Annotation, ...]:
    """Every fault of a recording.

    Parameters
    ----------
    recording : as read; signs may be settled before or after, faults do not depend on them.

    Returns
    -------
    Annotations in order of time, those about the whole log first. `excludes` marks stretches whose samples must
    leave the estimates.
    """
    recording = without_false_zeros(recording)
    found = [
        annotation
        for check in (gaps, spliced, dropouts, stuck, interpolated, spikes, clipped, quantised, lost_pulses)
        for annotation in check(recording)
    ]
    speed = rough_speed_m_s(recording)
    found += [
        annotation
        for check in (speeds_apart, throttle_range, standing, towed)
        for annotation in check(recording, speed)
    ]
    return tuple(sorted(found, key=lambda a: (-1.0 if a.start_s is None else a.start_s, a.code, a.channel or "")))


def without_faults(recording: Recording, faults: Sequence[Annotation]) -> Recording:
    """The recording with no value where a channel's own value is known to be false: zeros of a lost signal, spikes,
    values that stick. Leaving such samples out is not enough, for a filter would carry them into their neighbours.

    Parameters
    ----------
    recording, faults : as read, and what `find_faults` found in it.
    """
    recording = without_false_zeros(recording)
    time, kept = recording.time_s, dict[str, FloatArray]()
    for fault in faults:
        if fault.code in FALSE_VALUES and fault.channel and fault.start_s is not None and fault.end_s is not None:
            if fault.channel not in kept:
                kept[fault.channel] = recording.channels[fault.channel].copy()
            kept[fault.channel][np.searchsorted(time, fault.start_s) : np.searchsorted(time, fault.end_s, "right")] = (
                np.nan
            )
    return replace(recording, channels={**recording.channels, **kept})
