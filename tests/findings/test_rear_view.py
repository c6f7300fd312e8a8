"""The rear axle seen from the corner, and what it could have held: by geometry and the friction circle (derived)."""

from dataclasses import replace

import numpy as np
import pytest
from accuracy.cases import UNLIKE
from analyzer.findings.grip import locked_drive_force_N, rear_lateral_force_N
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


def test_what_the_axle_could_drive_is_what_its_side_force_leaves(made):
    """F_x = sqrt((mu F_z)^2 - F_y^2), mu the highest friction seen: on a straight all of it, in a corner less."""
    signals, axle = made
    held = locked_drive_force_N(signals, axle, UNLIKE)
    side = rear_lateral_force_N(signals, UNLIKE)
    load = axle.load_left_N + axle.load_right_N
    along = axle.longitudinal_force_left_N + axle.longitudinal_force_right_N
    worked = signals.valid & ~axle.braked
    friction = np.percentile((np.hypot(along, side) / load)[worked], 99)
    assert held**2 + np.minimum(np.abs(side), friction * load) ** 2 == pytest.approx((friction * load) ** 2)
    hard = np.abs(side) > 0.5 * friction * load
    assert hard.sum() > 100 and (held[hard] < 0.9 * (friction * load)[hard]).all()
