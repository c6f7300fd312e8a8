"""Kinematic lock of a phase: when it is given, withheld or explained."""

from dataclasses import replace

import numpy as np
import pytest
from made_analysis import Made, made_signals_and_axle

from analyzer.analysis import phase_results

RATIO = 1.46 / 0.3  # track over radius of the made-up car


def of_corner(signals, axle, corners, phase="mid_corner", number=1):
    rows = phase_results(signals, corners, axle, None)
    return next(r for r in rows if (r.lap, r.corner, r.phase) == (1, number, phase))


def test_a_phase_that_rolls_at_sixty_per_cent_of_the_free_difference_is_locked_by_forty():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    row = of_corner(signals, axle, corners)
    assert row.kinematic_lock == pytest.approx(0.4, abs=0.02) and row.kinematic_lock_note is None


def test_an_over_speeding_inside_wheel_is_above_one_and_explained():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    spinning = replace(axle, speed_difference_rad_s=-1.9 * axle.free_difference_rad_s)
    row = of_corner(signals, spinning, corners)
    assert row.kinematic_lock == pytest.approx(2.9) and "inside wheel turned 1.9 times" in row.kinematic_lock_note


def test_a_small_denominator_gives_none_with_the_reason():
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    slow = replace(axle, free_difference_rad_s=0.05 * axle.free_difference_rad_s)
    row = of_corner(signals, slow, corners)
    assert row.kinematic_lock is None and "too little to tell" in row.kinematic_lock_note


@pytest.mark.parametrize(("yaw_sd", "given"), [(0.005, True), (0.2, False)])
def test_an_unsure_yaw_rate_withholds_it(yaw_sd, given):
    signals, axle, corners, _ = made_signals_and_axle(Made(spin_laps=()))
    unsure = replace(signals, yaw_rate_sd_rad_s=np.full(len(signals.time_s), yaw_sd))
    spinning = replace(axle, speed_difference_rad_s=-1.9 * axle.free_difference_rad_s)
    row = of_corner(unsure, spinning, corners)
    # by hand: sd = |d/f| sd_f/|f| with sd_f = yaw_sd track/radius
    sd = 1.9 * yaw_sd * RATIO / abs(row.free_difference_rad_s)
    assert (row.kinematic_lock is not None) == given == (sd < 0.5)
    assert given or "uncertain" in row.kinematic_lock_note
