"""The pulse timer against derived figures of toothed rings."""

import math

import numpy as np
import pytest

from analyzer.simulation.sensors import tooth_speed

RADIUS, TEETH = 0.31, 48


def reported(*, speed_m_s, rate_Hz, seconds=2.0, tooth_error=0.0, timer_s=1e-9):
    """Speed (m/s) reported while rolling at a constant speed, after the first reports."""
    step = 1e-3
    angle = speed_m_s / RADIUS * step * np.arange(1, round(seconds / step) + 1)
    at = np.arange(1, int(seconds * rate_Hz) + 1) / rate_Hz
    spin = tooth_speed(
        angle_rad=angle,
        step_s=step,
        at_s=at,
        teeth=TEETH,
        tooth_error=tooth_error,
        timer_s=timer_s,
        rng=np.random.default_rng(3),
    )
    return spin[10:-10] * RADIUS


def test_perfect_ring_reports_a_constant_speed_exactly():
    assert reported(speed_m_s=20.0, rate_Hz=100) == pytest.approx(20.0, rel=1e-6)


def test_timer_resolution_is_the_derived_one():
    # derived: one tooth at a time, dv = v^2 N dt / (2 pi R); N 48, R 0.31 m, 1 us, 20 m/s: 0.00986 m/s;
    # teeth pass at 492.87 Hz there, so at 490 reports a second nearly every report spans one tooth
    speeds = reported(speed_m_s=20.0, rate_Hz=490, timer_s=1e-6)
    steps = np.unique(np.round(speeds, 6))
    assert np.diff(steps).min() == pytest.approx(0.00986, rel=0.01)
    assert np.abs(speeds - 20).max() < 0.0099


def test_pitch_error_repeats_every_turn():
    # one report per wheel turn sees the same tooth each time: the pitch error cancels
    turn_s = 2 * math.pi * RADIUS / 20.0
    assert reported(speed_m_s=20.0, rate_Hz=1 / turn_s, seconds=6.0, tooth_error=0.02) == pytest.approx(20.0, rel=1e-4)
    # ten reports a turn: each end is off by 0.02 of a pitch of 48 / 9.74 pitches
    ten = reported(speed_m_s=20.0, rate_Hz=100, seconds=6.0, tooth_error=0.02)
    assert np.std(ten) / 20 == pytest.approx(0.02 * math.sqrt(2) / (492.87 / 100), rel=0.35)


def test_standing_wheel_reports_no_speed():
    spin = tooth_speed(
        angle_rad=np.zeros(1000),
        step_s=1e-3,
        at_s=np.arange(1, 101) / 100,
        teeth=TEETH,
        tooth_error=0.0,
        timer_s=1e-6,
        rng=np.random.default_rng(1),
    )
    assert (spin == 0).all()
