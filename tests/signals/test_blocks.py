"""Blocks of a session, and what is told of several of them at once."""

import itertools

import numpy as np
import pytest

from analyzer.logs.read_blocks import LogBlock
from analyzer.logs.recording import Annotation, Recording
from analyzer.signals.long_session import BLOCK_ROWS, LEAD_S, annotations_of_all, calibration_of_all, cut
from analyzer.signals.session import CalibrationStep


@pytest.mark.parametrize("count", [100, BLOCK_ROWS, 2 * BLOCK_ROWS, 2 * BLOCK_ROWS + 3, 17 * BLOCK_ROWS - 1])
def test_every_sample_belongs_to_one_block(count):
    found = cut(count, rate_hz=100.0, step=5)
    owned = [(b.start, b.stop) for b in found]
    assert owned[0][0] == 0 and owned[-1][1] == count
    assert all(a[1] == b[0] for a, b in itertools.pairwise(owned))
    assert all(stop - start <= 1.5 * BLOCK_ROWS for start, stop in owned)
    for block in found:
        assert block.first % 5 == 0 and 0 <= block.first <= block.start < block.stop <= block.last <= count
        assert block.first == max(block.start - LEAD_S * 100, 0) and block.last == min(block.stop + LEAD_S * 100, count)
        samples = np.arange(count)
        np.testing.assert_array_equal(samples[block.read][block.own], samples[block.start : block.stop])


def block(starts_s, own_s):
    return LogBlock(lambda: Recording("r", np.empty(0), {}), starts_s, own_s)


def note(code, start_s=None, end_s=None, message="as it is"):
    return Annotation(code, "info", None, start_s, end_s, message)


def test_notes_of_blocks_are_told_once_and_in_log_time():
    first, second = block(0.0, (0.0, 100.0)), block(70.0, (30.0, 130.0))  # 30 s overlap on both sides
    told = annotations_of_all(
        [
            (first, [note("unit"), note("range", message="98 %"), note("spike", 50, 51), note("spike", 110, 111)]),
            (second, [note("unit"), note("range", message="97 %"), note("spike", 40, 41), note("standing", 0, 60)]),
        ]
    )
    assert [(a.code, a.start_s, a.end_s) for a in told] == [
        ("unit", None, None),  # what both say alike
        ("range", 0.0, 100.0),  # what they do not, each of its own stretch
        ("spike", 50.0, 51.0),
        ("range", 100.0, 200.0),
        ("spike", 110.0, 111.0),  # seen by both, told by the one it belongs to
        ("standing", 70.0, 130.0),
    ]
    alone = [note("unit"), note("spike", 1, 2)]
    assert annotations_of_all([(first, alone)]) == tuple(alone)


def test_the_calibration_of_blocks_is_the_middle_one_with_its_range():
    steps = [(CalibrationStep("yaw_rate_bias", v, 0.1, "deg/s", f"off by {v}."),) for v in (0.3, -0.1, 0.2)]
    (told,) = calibration_of_all(steps)
    assert told.value == 0.2 and told.standard_deviation == 0.1
    assert told.message == "off by 0.2, block by block (-0.10 to +0.30 deg/s in 3 blocks)."
    assert calibration_of_all(steps[:1]) == steps[0]
