"""What was found in the blocks of a long log, told once."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyzer.in_words import signed
from analyzer.logs.read_blocks import LogBlock
from analyzer.logs.recording import Annotation
from analyzer.signals.session import CalibrationStep


def annotations_of_all(found: Sequence[tuple[LogBlock, Sequence[Annotation]]]) -> tuple[Annotation, ...]:
    """Annotations in log time: what every block says alike is said of the log, and a stretch by the block in which it
    begins.

    Parameters
    ----------
    found : blocks in order, each with its annotations in its own time.
    """
    if len(found) == 1:
        return tuple(found[0][1])
    said = [{(a.code, a.channel, a.message) for a in notes} for _, notes in found]
    everywhere = set.intersection(*said)
    told: list[Annotation] = []
    for k, (block, notes) in enumerate(found):
        start, stop = block.own_s
        for note in notes:
            if note.start_s is None or note.end_s is None:
                if (note.code, note.channel, note.message) not in everywhere:
                    told.append(_moved(note, block.starts_s, start, stop))
                elif k == 0:
                    told.append(note)
            elif start <= note.start_s < stop or (note.start_s <= 0.0 < start < note.end_s):
                # one that was there before the block began is told by both: each knows how long it saw it
                told.append(_moved(note, block.starts_s, note.start_s, note.end_s))
    return tuple(told)


def _moved(note: Annotation, by_s: float, start_s: float, end_s: float) -> Annotation:
    return replace(note, start_s=float(start_s + by_s), end_s=float(end_s + by_s))


def calibration_of_all(found: Sequence[tuple[CalibrationStep, ...]]) -> tuple[CalibrationStep, ...]:
    """One step of each kind: the middle one of the blocks, which says from where to where they go."""
    if len(found) == 1:
        return found[0]
    told = []
    for code in dict.fromkeys(step.code for steps in found for step in steps):
        same = sorted((s for steps in found for s in steps if s.code == code), key=lambda s: s.value)
        middle, low, high = same[len(same) // 2], same[0], same[-1]
        sure = [s.standard_deviation for s in same if s.standard_deviation is not None]
        told.append(
            replace(
                middle,
                standard_deviation=float(np.median(sure)) if sure else None,
                message=f"{middle.message.rstrip('.')}, block by block ({signed(low.value, 2)} to "
                f"{signed(high.value, 2)} {middle.unit} in {len(same)} blocks).",
            )
        )
    return tuple(told)
