"""What every question needs done to a log as read: signs and sides settled, faults found, late channels shifted."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.alignment import align_channels
from analyzer.signals.delays import Delay, estimate_delays
from analyzer.signals.fault_session import gaps, lost_pulses, speeds_apart, standing, throttle_range, towed
from analyzer.signals.fault_values import clipped, dropouts, quantised, spikes, stuck, without_false_zeros
from analyzer.signals.ground_speed import without_steps
from analyzer.signals.signs import settle_signs
from analyzer.signals.stretches import rough_speed_m_s

FALSE_VALUES = ("spike", "stuck")


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
    """The second half, and the delays of the channels: `delays` where they are known from another part of the log."""
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
        for check in (gaps, dropouts, stuck, spikes, clipped, quantised, lost_pulses)
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
    time, kept = recording.time_s, dict[str, np.ndarray]()
    for fault in faults:
        if fault.code in FALSE_VALUES and fault.channel and fault.start_s is not None and fault.end_s is not None:
            if fault.channel not in kept:
                kept[fault.channel] = recording.channels[fault.channel].copy()
            kept[fault.channel][np.searchsorted(time, fault.start_s) : np.searchsorted(time, fault.end_s, "right")] = (
                np.nan
            )
    return replace(recording, channels={**recording.channels, **kept})
