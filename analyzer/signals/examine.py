"""What every question needs done to a log as read: signs and sides settled, faults found, late channels shifted."""

from collections.abc import Mapping
from dataclasses import replace

from analyzer.logs.recording import Recording
from analyzer.signals.delays import Delay, align_channels, estimate_delays
from analyzer.signals.faults import find_faults
from analyzer.signals.signs import settle_signs


def examined(recording: Recording) -> Recording:
    """The recording with what is certain put right, and everything found among its annotations."""
    return examine(recording, None)[0]


def examine(recording: Recording, delays: Mapping[str, Delay] | None) -> tuple[Recording, Mapping[str, Delay]]:
    """The same with the delays of its channels, `delays` where they are known from another part of the log."""
    recording, signs = settle_signs(recording)
    faults = find_faults(recording)  # before the shifts, which leave the ends of a late channel without values
    delays = estimate_delays(recording) if delays is None else delays
    recording, shifts = align_channels(recording, delays)
    return replace(recording, annotations=(*recording.annotations, *signs, *shifts, *faults)), delays
