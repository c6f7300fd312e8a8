"""What is wrong with a recording, and where: annotations that later layers obey. The recording stays as it is."""

from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.fault_session import gaps, lost_pulses, speeds_apart, standing, throttle_range, towed
from analyzer.signals.fault_values import clipped, dropouts, quantised, spikes, stuck
from analyzer.signals.stretches import rough_speed_m_s


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
