"""Values that are known to be false must not reach their neighbours through a filter."""

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from analyzer.channels import WHEEL_CHANNELS
from analyzer.logs.read import read_log
from analyzer.signals.calibrate import prepare
from analyzer.signals.examine import aligned, look_over
from analyzer.vehicle.car import load_car

SAMPLES = Path(str(resources.files("sample_logs")))


@pytest.fixture(scope="module")
def log():
    recording = read_log(SAMPLES / "baseline.parquet")
    upto = np.searchsorted(recording.time_s, 90.0)
    parts = {name: values[:upto] for name, values in recording.channels.items()}
    return replace(recording, time_s=recording.time_s[:upto], channels=parts)


@pytest.fixture(scope="module")
def car():
    return load_car(SAMPLES / "club_car.toml")


def _signals(recording, car):
    return prepare(aligned(look_over(recording), None)[0], car=car)


@pytest.mark.parametrize("false", ["zero", "half", "double"])
def test_single_false_values_of_wheels_leave_the_others_alone(false, log, car):
    """One row in a thousand. What is left is what a neighbour's noise (0.07 m/s) puts in place of a value's own."""
    rng = np.random.default_rng(5)
    factor = {"zero": 0.0, "half": 0.5, "double": 2.0}[false]
    spoilt = {n: log.channels[n] * np.where(rng.random(len(log.time_s)) < 1e-3, factor, 1.0) for n in WHEEL_CHANNELS}
    clean, found = _signals(log, car), _signals(replace(log, channels={**log.channels, **spoilt}), car)
    both = clean.valid & found.valid & (clean.speed_m_s > 12)
    assert both.sum() > 0.8 * np.sum(clean.valid & (clean.speed_m_s > 12))
    assert np.abs(found.wheel_speed_m_s - clean.wheel_speed_m_s)[both].max() < 0.3
    assert np.abs(found.speed_m_s - clean.speed_m_s)[both].max() < 0.1


@pytest.mark.parametrize("channel", ["lat_g", "long_g", "yaw_rate", "steer"])
def test_single_spikes_of_other_channels_leave_the_others_alone(channel, log, car):
    values = log.channels[channel].copy()
    values[500::997] = 5 * np.nanmax(np.abs(values))
    clean, found = _signals(log, car), _signals(replace(log, channels={**log.channels, channel: values}), car)
    both = clean.valid & found.valid
    signal = {"lat_g": "lat_m_s2", "long_g": "long_m_s2", "yaw_rate": "yaw_rate_rad_s", "steer": "steer_rad"}[channel]
    off = np.abs(getattr(found, signal) - getattr(clean, signal))[both]
    assert off.max() < 0.05 * np.ptp(getattr(clean, signal))
