"""What every question needs done to a log as read: signs and sides settled, faults found, late channels shifted."""

from dataclasses import replace

from analyzer.logs.recording import Recording
from analyzer.signals.delays import align_channels
from analyzer.signals.faults import find_faults
from analyzer.signals.signs import settle_signs


def examined(recording: Recording) -> Recording:
    """The recording with what is certain put right, and everything found among its annotations."""
    recording, signs = settle_signs(recording)
    faults = find_faults(recording)  # before the shifts, which leave the ends of a late channel without values
    recording, delays = align_channels(recording)
    return replace(recording, annotations=(*recording.annotations, *signs, *delays, *faults))
