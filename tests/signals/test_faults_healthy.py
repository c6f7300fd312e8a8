"""Healthy logs: nothing of a real car's doing is taken for a fault. On the invented sample logs, whose cars "
"spin, lock and slide."""

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import sample_logs
from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.read import read_log
from analyzer.logs.recording import Recording
from analyzer.signals.delays import align_channels, estimate_delays
from analyzer.signals.examine import find_faults
from analyzer.signals.log_stretches import joined, rough_speed_m_s, runs
from analyzer.signals.signs import settle_signs

LOGS = sorted(
    p
    for p in Path(sample_logs.__file__).parent.iterdir()
    if p.suffix in (".parquet", ".csv", ".gz") and "truth" not in p.name
)


@pytest.fixture(scope="module", params=LOGS, ids=lambda p: p.name)
def recording(request) -> Recording:
    return read_log(request.param)


def test_there_are_sample_logs():
    assert len(LOGS) >= 3


def test_nothing_is_left_out(recording):
    assert [a for a in find_faults(recording) if a.excludes] == []


def test_signs_and_sides_are_right_as_they_are(recording):
    settled, notes = settle_signs(recording)
    assert settled is recording and not [a for a in notes if a.severity != "info"]


def test_no_wheel_yaw_or_acceleration_is_out_of_step(recording):
    aligned, _ = align_channels(recording, estimate_delays(recording))
    shifted = {name for name in recording.channels if aligned.channels[name] is not recording.channels[name]}
    assert shifted <= {"gps_speed"}  # a receiver's own lag is real


def test_an_axle_that_turns_as_one_is_not_stuck(recording):
    """Both rear wheels with the same numbers, as a spool gives them."""
    mean = (recording.channels["wheel_speed_rl"] + recording.channels["wheel_speed_rr"]) / 2
    locked = replace(recording, channels={**recording.channels, "wheel_speed_rl": mean, "wheel_speed_rr": mean.copy()})
    assert [a for a in find_faults(locked) if a.excludes] == []
    settled, _ = settle_signs(locked)
    assert settled is locked


@pytest.mark.parametrize("names", [("steer",), ("lat_g",), ("steer", "lat_g")], ids="+".join)
def test_a_turned_sensor_is_turned_back(recording, names):
    spoilt = replace(recording, channels={**recording.channels, **{n: -recording.channels[n] for n in names}})
    settled, notes = settle_signs(spoilt)
    for name in recording.channels:
        np.testing.assert_array_equal(settled.channels[name], recording.channels[name])
    assert {a.channel for a in notes if a.code == "sign_flipped"} == set(names)


def test_a_mirrored_log_is_as_healthy(recording):
    """Left for right in everything is another valid log: nothing may be put right."""
    mirrored = dict(recording.channels)
    for end in "fr":
        left, right = f"wheel_speed_{end}l", f"wheel_speed_{end}r"
        mirrored[left], mirrored[right] = recording.channels[right], recording.channels[left]
    for name in ("steer", "lat_g", "yaw_rate"):
        if name in mirrored:
            mirrored[name] = -mirrored[name]
    mirrored.pop("latitude", None), mirrored.pop("longitude", None)
    twin = replace(recording, channels=mirrored)
    settled, notes = settle_signs(twin)
    assert settled is twin and not [a for a in notes if a.severity != "info"]


def test_a_swapped_rear_axle_is_never_passed_in_silence(recording):
    """Put right where the axle rolls freely enough to tell; where it is locked nothing can tell, and "
    "nothing changes."""
    wheels = {
        "wheel_speed_rl": recording.channels["wheel_speed_rr"],
        "wheel_speed_rr": recording.channels["wheel_speed_rl"],
    }
    spoilt = replace(recording, channels={**recording.channels, **wheels})
    settled, notes = settle_signs(spoilt)
    told = [a.code for a in notes if a.code in ("wheels_swapped", "sides_doubtful")]
    assert told
    if "wheels_swapped" in told:
        np.testing.assert_array_equal(settled.channels["wheel_speed_rl"], recording.channels["wheel_speed_rl"])


def test_faults_do_not_depend_on_the_order_or_the_kind_of_wheel_unit(recording):
    rotation = {n: v / 0.3 if n in WHEEL_CHANNELS else v for n, v in reversed(recording.channels.items())}
    turned = replace(recording, channels=rotation, wheel_speed_unit="rad/s")
    codes = lambda r: sorted((a.code, a.channel or "", a.start_s or 0) for a in find_faults(r))  # noqa: E731
    assert codes(turned) == codes(recording)


@pytest.mark.parametrize("late_s", [0.2, 0.5, -0.3])
def test_a_shift_made_by_hand_is_found_on_top_of_what_is_there(recording, late_s):
    """The estimate moves by the shift, to 0.03 s."""
    before = estimate_delays(recording)
    clear = {name for name, delay in before.items() if delay.correlation >= 0.7}
    assert "lat_g" in clear  # of every log that is shipped, else nothing would be asked here
    for name in clear & {"lat_g", "yaw_rate", "gps_speed", "long_g"}:
        moved = np.interp(recording.time_s - late_s, recording.time_s, recording.channels[name])
        after = estimate_delays(replace(recording, channels={**recording.channels, name: moved}))[name]
        assert after.delay_s - before[name].delay_s == pytest.approx(late_s, abs=0.03), name


def test_seven_minutes_at_100_hz_are_searched_quickly():
    """0.1 s on the machine it was written on; the bound leaves room for a slow one."""
    recording = read_log(LOGS[0])
    repeats = int(np.ceil(42_000 / len(recording.time_s)))
    channels = {n: np.tile(v, repeats)[:42_000] for n, v in recording.channels.items()}
    long = replace(recording, time_s=np.arange(42_000) / 100, channels=channels)
    started = time.process_time()
    find_faults(long)
    assert time.process_time() - started < 1.0


def test_runs_and_joined():
    mask = np.array([True, False, True, True, False, False, True])
    assert runs(mask).tolist() == [[0, 0], [2, 3], [6, 6]]
    assert runs(np.zeros(4, bool)).shape == (0, 2)
    assert joined(runs(mask), np.arange(7.0), within_s=2.0).tolist() == [[0, 3], [6, 6]]


def test_rough_speed_is_the_middle_one_and_skips_gaps():
    nan = np.nan
    channels = {"wheel_speed_fl": [1, nan, nan, 2], "wheel_speed_fr": [2, 4, nan, 4], "wheel_speed_rl": [9, 6, nan, 3]}
    log = Recording("x", np.arange(4.0), {n: np.array(v, float) for n, v in channels.items()})
    np.testing.assert_array_equal(rough_speed_m_s(log), [2, 5, nan, 3])
    np.testing.assert_array_equal(rough_speed_m_s(log, without="wheel_speed_rl"), [1.5, 4, nan, 3])
