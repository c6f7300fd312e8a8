"""A channel that another one tells to the last was computed from it, whatever filter lies between."""

from dataclasses import replace
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from scipy import ndimage, signal
from signals.contradictions import CAR

from analyzer.logs.read import read_log
from analyzer.signals.computed_tests import computed
from analyzer.signals.log_stretches import wheel_speeds_m_s
from analyzer.signals.log_view import view_of

LONG, LAT = "longitudinal acceleration beyond the change of", "lateral acceleration beyond"
QUICK = "{} acceleration within two seconds that the car's motion does not show"


def told(recording, **changed):
    """Name of a test -> it, with some channels changed."""
    recording = replace(recording, channels=recording.channels | changed)
    return {test.name: test for test in computed(view_of(recording, CAR))}


def _mean(values, recording):
    return ndimage.uniform_filter1d(values, round(0.3 / float(np.median(np.diff(recording.time_s)))))


def _low_pass(values, recording):
    keeps = np.exp(-float(np.median(np.diff(recording.time_s))) / 0.1)
    return signal.lfilter([1 - keeps], [1, -keeps], values)


FILTERS = [_mean, _low_pass]


def test_sensors_have_something_of_their_own(recording):
    found = told(recording)
    assert len(found) == 9 and {test.outcome for test in found.values()} == {"agrees"}


def test_circles_leave_sensors_something_of_their_own():
    """All that turns tells their lateral acceleration to a hundredth, for it hardly changes."""
    circles = read_log(Path(str(resources.files("sample_logs"))) / "baseline_circles.parquet")
    found = {test.name: test for test in computed(view_of(circles, CAR))}
    assert len(found) == 9 and {test.outcome for test in found.values()} == {"agrees"}


@pytest.mark.parametrize("behind", FILTERS)
@pytest.mark.parametrize("source", ["front wheels' speed", "rear wheels' speed", "GPS speed"])
def test_an_accelerometer_made_of_a_speed(recording, source, behind):
    wheels = wheel_speeds_m_s(recording)
    of = {"f": "front", "r": "rear"}
    speed = recording.channels["gps_speed"] if source[0] == "G" else None
    if speed is None:
        speed = np.mean([v for name, v in wheels.items() if of[name[-2]] == source.split()[0]], axis=0)
    made = behind(np.gradient(speed, recording.time_s), recording)
    found = told(recording, long_g=made + np.random.default_rng(1).normal(0, 0.1, len(made)))
    assert found[f"{LONG} {source}"].outcome == "disagrees"
    assert found[f"{LONG} {source}"].holds == {"long_g"}


@pytest.mark.parametrize("behind", FILTERS)
def test_lateral_acceleration_made_of_the_gyro(recording, behind):
    wheels = wheel_speeds_m_s(recording)
    made = behind(recording.channels["yaw_rate"] * np.mean(list(wheels.values()), axis=0), recording)
    found = told(recording, lat_g=made)[f"{LAT} speed x yaw rate"]
    assert found.outcome == "disagrees" and found.holds == {"lat_g", "yaw_rate"}


def test_lateral_acceleration_made_of_steer(recording):
    """As an understeering car that never slides would have it: steer v^2 / (l + K v^2)."""
    v = np.mean(list(wheel_speeds_m_s(recording).values()), axis=0)
    made = recording.channels["steer"] / CAR.steering_ratio * v**2 / (CAR.wheelbase_m + 0.004 * v**2)
    assert told(recording, lat_g=made)[f"{LAT} what steer asks for"].outcome == "disagrees"


@pytest.mark.parametrize(("channel", "words"), [("long_g", "longitudinal"), ("lat_g", "lateral")])
def test_a_vibration_that_the_rate_folds_down(recording, channel, words):
    """The middle of |sin| is 0.707 and a normal scatter 1.483 of it; half a second's mean leaves 0.667 of a tone (sinc)
    of which two periods go into the 2.1 s that are taken out."""
    name, amplitude, hz = QUICK.format(words), 1.5, 2 / 2.1
    shakes = amplitude * np.sin(2 * np.pi * hz * recording.time_s)
    before, after = (told(recording, **{channel: recording.channels[channel] + x})[name] for x in (0.0, shakes))
    assert before.outcome == "agrees"
    assert after.outcome == "disagrees" and after.holds == {channel}
    assert after.number == pytest.approx(0.667 * 0.707 * 1.483 * amplitude, rel=0.1)
