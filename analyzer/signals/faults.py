"""What is wrong with a recording, and where: annotations that later layers obey."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.fault_session import gaps, lost_pulses, speeds_apart, standing, throttle_range, towed
from analyzer.signals.fault_values import clipped, dropouts, quantised, spikes, stuck, without_false_zeros
from analyzer.signals.stretches import rough_speed_m_s

FALSE_VALUES = ("spike", "stuck")


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
