"""What every question needs done to a log as read: signs and sides settled, faults found, late channels shifted."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.alignment import align_channels
from analyzer.signals.delays import Delay, estimate_delays
from analyzer.signals.faults import find_faults, without_faults
from analyzer.signals.ground_speed import without_steps
from analyzer.signals.signs import settle_signs


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
