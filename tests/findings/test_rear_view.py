"""The rear axle seen from the corner, by geometry (derived)."""

from dataclasses import replace

import numpy as np
import pytest
from accuracy.cases import UNLIKE
from made_analysis import Made, made_signals_and_axle

from analyzer.findings.rear_axle import rear_axle


@pytest.fixture(scope="module")
def made():
    signals, axle, _, _ = made_signals_and_axle(Made())
    return signals, axle


def test_how_sure_the_slips_are_counts_the_wheels_noise_and_the_yaw_rates_error(made):
    """Slips differ by (v_i - v_o)/u - r t_r/u: two wheel noises, and the error of r over the rear track."""
    signals, axle = made
    quiet = replace(signals, wheel_speed_noise_m_s=0.03, yaw_rate_sd_rad_s=np.full(len(signals.time_s), 0.02))
    wanted = np.sqrt(2 * 0.03**2 + (0.02 * UNLIKE.rear_track_m) ** 2) / signals.speed_m_s
    assert rear_axle(quiet, axle, UNLIKE).slip_difference_sd == pytest.approx(wanted)


def test_over_speed_and_moment_are_had_with_the_rear_wheels_figures(made):
    signals, axle = made
    view = rear_axle(signals, axle, UNLIKE)
    turn = np.where(signals.yaw_rate_rad_s >= 0, 1.0, -1.0)
    assert view.over_speed_m_s == pytest.approx(turn * axle.speed_difference_rad_s * UNLIKE.rear_rolling_radius_m)
    # each wheel's force is half the transfer torque over the radius, at half the track
    force = view.transfer_torque_Nm / 2 / UNLIKE.rear_rolling_radius_m
    assert view.opposing_moment_Nm == pytest.approx(2 * force * UNLIKE.rear_track_m / 2)
