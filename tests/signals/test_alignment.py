"""Which channels are late, told apart by what can be late against what."""

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.read import read_log
from analyzer.signals.delays import (
    ALL_WHEELS,
    LATERAL_BEHIND_GYRO,
    NATURAL,
    Delay,
    align_channels,
    estimate_delays,
    late_channels,
)

SAMPLES = Path(str(resources.files("sample_logs")))
UNIT = ("yaw_rate", "lat_g", "long_g")


@pytest.fixture(scope="module")
def recording():
    return read_log(SAMPLES / "baseline.parquet")


def _late(recording, names, seconds):
    moved = {n: np.interp(recording.time_s - seconds, recording.time_s, recording.channels[n]) for n in names}
    return replace(recording, channels={**recording.channels, **moved})


def _delays(*, behind_gyro=None, **seconds):
    """By the wheels; `behind_gyro` is lateral acceleration by the gyro."""
    found = {name: Delay(value, 0.004, 0.95, "another channel", NATURAL[name]) for name, value in seconds.items()}
    if behind_gyro is not None:
        found["lat_g"] = Delay(behind_gyro, 0.004, 0.99, "speed times yaw rate", LATERAL_BEHIND_GYRO)
    return found


@pytest.mark.parametrize(
    ("names", "seconds"),
    [
        (UNIT, 0.10),
        (UNIT, 0.15),
        (("lat_g", "long_g"), 0.15),
        (("long_g",), 0.10),
        (("lat_g",), 0.25),
        (("yaw_rate",), 0.2),
        (("yaw_rate", "lat_g"), 0.2),
    ],
    ids=str,
)
def test_a_late_sensor_unit_comes_back_as_a_whole_and_a_channel_by_itself(names, seconds, recording):
    late = _late(recording, names, seconds)
    found = late_channels(estimate_delays(late), 0.01)
    assert set(names) == found.keys() - {"gps_speed"}
    for name in names:
        # by itself lateral acceleration is known to what a car puts between it and its turning, 0.02 to 0.16 s
        assert found[name].delay_s == pytest.approx(seconds, abs=0.07 if names == ("lat_g",) else 0.02)
    aligned, notes = align_channels(late, estimate_delays(late))
    inner = slice(100, -100)
    for name in names:
        there, back = recording.channels[name][inner], aligned.channels[name][inner]
        gone = late.channels[name][inner]
        assert np.nanstd(back - there) < 0.35 * np.nanstd(gone - there)
    assert {note.channel for note in notes} >= set(names)


@pytest.mark.parametrize("seconds", [0.06, 0.12])
def test_wheel_speeds_that_are_late_move_together(seconds, recording):
    """All that is measured against them comes early; the yaw rate must stay where it is."""
    late = _late(recording, WHEEL_CHANNELS, seconds)
    found = late_channels(estimate_delays(late), 0.01)
    assert found.keys() - {"gps_speed"} == {ALL_WHEELS}
    assert found[ALL_WHEELS].delay_s == pytest.approx(seconds, abs=0.02)
    aligned, notes = align_channels(late, estimate_delays(late))
    assert "The wheel speeds come" in " ".join(note.message for note in notes)
    for name in WHEEL_CHANNELS:
        there, back = recording.channels[name][200:-200], aligned.channels[name][200:-200]
        assert np.nanstd(back - there) < 0.4 * np.nanstd(late.channels[name][200:-200] - there)
    assert aligned.channels["yaw_rate"] is late.channels["yaw_rate"]


def test_turning_channels_that_come_early_are_the_front_wheels_doing():
    """As measured on a simulated car of 760 kg with nothing late: its inner front wheel slips at the exits.
    Shifting the yaw rate by this once doubled its drive slope."""
    turning = _delays(long_g=0.002, yaw_rate=-0.277, behind_gyro=0.149, steer=-0.457, gps_speed=0.0)
    assert late_channels(turning, 0.01) == {}
    without_gyro = _delays(long_g=0.002, lat_g=-0.128, steer=-0.457, gps_speed=0.0)
    assert late_channels(without_gyro, 0.01) == {}


def test_a_yaw_rate_late_by_itself_is_shifted_alone():
    found = late_channels(_delays(long_g=0.03, yaw_rate=0.3, behind_gyro=-0.18), 0.01)
    assert found.keys() == {"yaw_rate"} and found["yaw_rate"].delay_s == pytest.approx(0.3)


@pytest.mark.parametrize(("behind", "lateral"), [(0.05, 0.3), (0.13, 0.3), (0.29, 0.3 + 0.29 - 0.09)], ids=str)
def test_lateral_acceleration_is_as_late_as_the_gyro_that_it_goes_with(behind, lateral):
    """Of one unit, or by 0.2 s more than it."""
    found = late_channels(_delays(long_g=0.03, yaw_rate=0.3, behind_gyro=behind), 0.01)
    assert {name: late.delay_s for name, late in found.items()} == pytest.approx({"yaw_rate": 0.3, "lat_g": lateral})


def test_lateral_acceleration_is_held_against_the_gyro_where_front_wheels_slip():
    """As measured on a sound simulated car (6002): behind its front wheels by 0.56 s, and 0.45 s was taken out."""
    found = late_channels(
        _delays(long_g=0.042, behind_gyro=0.144) | {"yaw_rate": Delay(0.136, 0.208, 0.71, "x", NATURAL["yaw_rate"])},
        0.01,
    )
    assert found == {}


def test_what_is_usual_is_not_taken_out():
    found = late_channels(_delays(lat_g=0.5), 0.01)
    assert found["lat_g"].delay_s == pytest.approx(0.5 - NATURAL["lat_g"].usual)
    assert late_channels(_delays(lat_g=NATURAL["lat_g"].usual, long_g=NATURAL["long_g"].usual), 0.01) == {}


def test_what_is_not_certain_stays():
    unsure = {
        "long_g": Delay(0.3, 0.2, 0.95, "x", NATURAL["long_g"]),
        "yaw_rate": Delay(0.3, 0.0, 0.4, "x", NATURAL["yaw_rate"]),
    }
    assert late_channels(unsure, 0.01) == {}
