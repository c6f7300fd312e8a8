"""What must stay the same all through a log: each of these changes a part of it, which no mean shows."""

from dataclasses import replace

import numpy as np
import pytest
from signals.contradictions import CAR, FL, FR, RL, RR

from analyzer.signals.log_view import view_of
from analyzer.signals.throughout import throughout

REAR = "rear left wheel over rear right wheel, from straight to straight"
FRONT = "front left wheel over front right wheel, from straight to straight"
AXLES = "rear axle over front axle, from third to third of the straights"
SIDES = "rear axle over front axle, left turns less right ones, from third to third"
SCATTER = "rear axle over front axle, on straights"


def told(recording, changed=None):
    """Name of a test -> it, with some channels changed."""
    recording = replace(recording, channels=recording.channels | (changed or {}))
    return {test.name: test for test in throughout(view_of(recording, CAR))}


def part(recording, first, last):
    """Rows from one share of the log to another."""
    return (np.arange(len(recording.time_s)) / len(recording.time_s) >= first) & (
        np.arange(len(recording.time_s)) / len(recording.time_s) < last
    )


def test_a_log_that_stays_the_same_agrees(recording):
    found = told(recording)
    assert found.keys() == {REAR, FRONT, AXLES, SIDES, SCATTER}
    assert {test.outcome for test in found.values()} == {"agrees"}


@pytest.mark.parametrize(("wheel", "name"), [(RL, REAR), (FR, FRONT)])
@pytest.mark.parametrize(("first", "last"), [(0.5, 1.0), (0.33, 0.66)])
def test_one_wheel_1_5_per_cent_off_in_a_part_of_the_log(recording, wheel, name, first, last):
    factor = np.where(part(recording, first, last), 1.015, 1.0)
    found = told(recording, {wheel: recording.channels[wheel] * factor})[name]
    assert found.outcome == "disagrees" and found.number == pytest.approx(0.015, abs=0.003)


def test_both_rear_wheels_2_per_cent_off_in_the_second_half(recording):
    factor = np.where(part(recording, 0.5, 1.0), 1.02, 1.0)
    found = told(recording, {wheel: recording.channels[wheel] * factor for wheel in (RL, RR)})
    assert found[AXLES].outcome == "disagrees" and found[AXLES].number == pytest.approx(0.02, abs=0.004)
    assert found[REAR].outcome == "agrees"


@pytest.mark.parametrize("side", [1, -1])
def test_a_rear_wheel_2_per_cent_off_in_turns_of_one_side_of_a_half(recording, side):
    there = part(recording, 0.5, 1.0) & (side * recording.channels["lat_g"] > 1.0)
    found = told(recording, {RR: recording.channels[RR] * np.where(there, 1.02, 1.0)})
    # of the axle's middle half as much
    assert found[SIDES].outcome == "disagrees" and found[SIDES].number == pytest.approx(0.01, abs=0.003)
    assert found[REAR].outcome == "agrees"


@pytest.mark.parametrize("wheels", [(FL, FR), (RL, RR)])
def test_an_axle_of_the_lap_before(recording, wheels):
    lap = len(recording.time_s) // 3
    found = told(recording, {wheel: np.roll(recording.channels[wheel], lap) for wheel in wheels})
    assert found[SCATTER].outcome == "disagrees"
    assert told(recording)[SCATTER].number < found[SCATTER].number / 3
