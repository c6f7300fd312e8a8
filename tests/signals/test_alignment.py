"""Which channels are late, told apart by what can be late against what."""

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.read import read_log
from analyzer.signals.delays import ALL_WHEELS, NATURAL, Delay, align_channels, estimate_delays, late_channels

SAMPLES = Path(str(resources.files("sample_logs")))
UNIT = ("yaw_rate", "lat_g", "long_g")


@pytest.fixture(scope="module")
def recording():
    return read_log(SAMPLES / "baseline.parquet")


def _late(recording, names, seconds):
    moved = {n: np.interp(recording.time_s - seconds, recording.time_s, recording.channels[n]) for n in names}
    return replace(recording, channels={**recording.channels, **moved})


def _delays(**seconds):
    return {name: Delay(value, 0.004, 0.95, "another channel") for name, value in seconds.items()}


@pytest.mark.parametrize(
    ("names", "seconds"), [(UNIT, 0.10), (UNIT, 0.15), (("lat_g", "long_g"), 0.15), (("long_g",), 0.10)], ids=str
)
def test_a_late_sensor_unit_comes_back_as_a_whole_and_a_channel_by_itself(names, seconds, recording):
    late = _late(recording, names, seconds)
    found = late_channels(estimate_delays(late), 0.01)
    assert set(names) == found.keys() - {"gps_speed"}
    for name in names:
        assert found[name].delay_s == pytest.approx(seconds, abs=0.02)
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
    found = late_channels(_delays(long_g=0.002, yaw_rate=-0.277, lat_g=-0.128, steer=-0.457, gps_speed=0.0), 0.01)
    assert found == {}


def test_a_yaw_rate_late_by_itself_is_shifted_alone():
    found = late_channels(_delays(long_g=0.03, yaw_rate=0.3, lat_g=0.12), 0.01)
    assert found.keys() == {"yaw_rate"} and found["yaw_rate"].delay_s == pytest.approx(0.3)


def test_what_is_usual_is_not_taken_out():
    found = late_channels(_delays(lat_g=0.5), 0.01)
    assert found["lat_g"].delay_s == pytest.approx(0.5 - NATURAL["lat_g"].usual)
    assert late_channels(_delays(lat_g=NATURAL["lat_g"].usual, long_g=NATURAL["long_g"].usual), 0.01) == {}


def test_what_is_not_certain_stays():
    unsure = {"long_g": Delay(0.3, 0.2, 0.95, "x"), "yaw_rate": Delay(0.3, 0.0, 0.4, "x")}
    assert late_channels(unsure, 0.01) == {}
