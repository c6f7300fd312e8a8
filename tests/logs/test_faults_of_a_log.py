"""Every fault of the table, from a written file through reading, signs, faults and alignment."""

import tempfile
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from fault_table import FAULTS
from made_log import made_log
from writers import CONTRACT_UNITS, text

from analyzer.errors import HalfshaftError
from analyzer.logs.mapping import ChannelEntry, ChannelMap
from analyzer.logs.read import read_log
from analyzer.signals.delays import align_channels, estimate_delays
from analyzer.signals.examine import find_faults
from analyzer.signals.signs import settle_signs


@pytest.fixture(scope="module")
def log():
    return made_log(120.0)


def _examined(path):
    recording = read_log(path)
    recording, signs = settle_signs(recording)
    faults = find_faults(recording)
    recording, delays = align_channels(recording, estimate_delays(recording))
    return recording, (*recording.annotations, *signs, *delays, *faults)


@pytest.fixture(scope="module")
def examined_fault(log):
    """What was read of the log with a fault and noted of it; both tests of a fault look at the same."""

    @cache
    def examined(fault):
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "spoilt.csv"
            path.write_text(text(fault.spoil(log), header="{name} [{unit}]"))
            return _examined(path)

    return examined


def test_the_table_is_as_long_as_promised():
    assert len(FAULTS) >= 40


def test_a_healthy_log_has_no_fault(log, tmp_path):
    path = tmp_path / "healthy.csv"
    path.write_text(text(log, header="{name} [{unit}]"))
    _, notes = _examined(path)
    assert not notes


@pytest.mark.parametrize("fault", FAULTS, ids=lambda f: f"{f.group}: {f.words}")
def test_fault(fault, log, examined_fault, tmp_path):
    if not fault.code:
        path = tmp_path / "spoilt.csv"
        path.write_text(text(fault.spoil(log), header="{name} [{unit}]"))
        with pytest.raises(HalfshaftError, match=fault.says) as caught:
            read_log(path)
        assert caught.value.exit_status in (2, 3)
        return
    recording, notes = examined_fault(fault)
    found = [a for a in notes if a.code == fault.code and (fault.channel is None or a.channel == fault.channel)]
    assert found, [(a.code, a.channel) for a in notes]
    if fault.stretch:
        covering = [
            a
            for a in found
            if a.start_s is not None and a.start_s <= fault.stretch[0] + 0.05 and a.end_s >= fault.stretch[1]
        ]
        assert covering, [(a.start_s, a.end_s) for a in found]
        assert all(a.excludes == fault.excludes for a in covering)
    if fault.restored:
        for name, expected in log.channels.items():
            offset = 0.02 if name == "throttle" else 1e-9
            np.testing.assert_allclose(
                recording.channels[name], expected, rtol=0, atol=offset * max(1, np.abs(expected).max())
            )


@pytest.mark.parametrize(
    ("words", "size"),
    [
        ("a rear wheel, one sample", "spikes by 53"),  # 15 m/s is 54 km/h, less what braking takes in a sample
        ("lateral acceleration clipped", "end of its range (0.71 g)"),  # 7 m/s2
        ("yaw rate clipped", "end of its range (22.9 deg/s)"),  # 0.4 rad/s
    ],
)
def test_sizes_are_told_in_the_units_of_the_file(words, size, log, tmp_path):
    (fault,) = (f for f in FAULTS if f.words == words)
    path = tmp_path / "spoilt.csv"
    path.write_text(text(fault.spoil(log), header="{name} [{unit}]"))
    told = " ".join(a.message for a in _examined(path)[1] if a.code == fault.code)
    assert size in told and "rad" not in told and "m/s" not in told


def test_a_spike_of_a_sensor_ring_is_told_as_a_rotation(log, tmp_path):
    # 48 teeth at a radius of 0.31 m; the recording keeps no teeth, so 15 m/s is 48 rad/s, less what braking takes
    ring = {f"wheel_speed_{w}": ("Hz", 48 / (2 * np.pi * 0.31)) for w in ("fl", "fr", "rl", "rr")}
    (fault,) = (f for f in FAULTS if f.words == "a rear wheel, one sample")
    path = tmp_path / "ring.csv"
    path.write_text(text(fault.spoil(log), units=CONTRACT_UNITS | ring, header="{name} [{unit}]"))
    wheels = {name: ChannelEntry(column=name, teeth=48) for name in ring}
    entries = {name: ChannelEntry(column=name) for name in log.channels} | wheels
    recording = read_log(path, channel_map=ChannelMap({"time": ChannelEntry(column="time"), **entries}))
    (told,) = (a.message for a in find_faults(recording) if a.code == "spike")
    assert "spikes by 47" in told and " rad/s for" in told


@pytest.mark.parametrize("fault", [f for f in FAULTS if f.code], ids=lambda f: f"{f.group}: {f.words}")
def test_a_fault_brings_no_false_exclusions(fault, examined_fault):
    """Outside the stretch of the fault nothing is left out."""
    _, notes = examined_fault(fault)
    others = [a for a in notes if a.excludes and a.code != fault.code]
    if fault.code in (
        "lost_pulses",
        "towed",
        "clock_jump",
        "rows_without_time",
    ):  # made by a stop or a break of their own
        others = [a for a in others if a.code not in ("standing", "pit_stop", "gap")]
    assert not others, [(a.code, a.channel, a.start_s, a.end_s) for a in others]


@pytest.mark.parametrize(("channel", "late_s"), [("yaw_rate", 0.3), ("gps_speed", 0.4), ("wheel_speed_fr", 0.1)])
def test_a_delay_is_taken_out(channel, late_s, log, tmp_path):
    """The shift that was made by hand is found to 0.02 s, one sample."""
    shift = round(late_s * 50)
    late = np.concatenate([np.full(shift, log.channels[channel][0]), log.channels[channel]])[: len(log.time)]
    path = tmp_path / "late.csv"
    path.write_text(text(log.change(**{channel: late})))
    recording = read_log(path)
    recording, _ = align_channels(recording, estimate_delays(recording))
    (step,) = [h for h in recording.history if h.startswith(f"shifted {channel}")]
    assert float(step.split(" by ")[1].split()[0]) == pytest.approx(-late_s, abs=0.02)
