"""The truth of a measured lock curve: what the plates carried where they slipped."""

import numpy as np
import pandas as pd
import pytest
from accuracy.driven import Carried

from analyzer.simulation.simulated_car import LockParameters

LOCK = LockParameters(preload_Nm=60.0, drive_slope=0.3, drive_hold_Nm=50.0, coast_slope=0.2, coast_hold_Nm=80.0)


def truth(torque_Nm, locking_Nm, **columns):
    """Twenty seconds at 100 Hz that slip off the brakes."""
    count = len(torque_Nm)
    plain = {"speed_difference": 1.0, "locked": False, "brake_torque": 0.0, "vx": 20.0} | columns
    return pd.DataFrame(
        {"time": 0.01 * np.arange(count), "input_torque": torque_Nm, "locking_capacity": locking_Nm}
        | {name: np.broadcast_to(value, count) for name, value in plain.items()}
    )


TORQUE_Nm = np.linspace(-400.0, 1200.0, 2000)


def locking(share):
    """Locking torque (n,) where the ramps thrust `share` times as much as they do midway."""
    return LOCK.preload_Nm + share * (np.array([LOCK.locking_torque(t) for t in TORQUE_Nm]) - LOCK.preload_Nm)


def test_plates_without_friction_of_pins_carry_the_curve_bend_and_all():
    found = Carried.of(truth(TORQUE_Nm, locking(1.0)), LOCK)
    for torque in (-300.0, 0.0, 50.0, 900.0):
        assert found.at(torque) == pytest.approx(LOCK.locking_torque(torque), abs=1e-6)
    assert (found.slope("drive"), found.slope("coast")) == pytest.approx((0.3, 0.2))


@pytest.mark.parametrize("share", [0.8, 1.2])
def test_rising_or_falling_torque_alone_is_that_branch(share):
    found = Carried.of(truth(TORQUE_Nm, locking(share)), LOCK)
    assert found.at(900.0) == pytest.approx(60.0 + share * 0.3 * 850.0)
    assert (found.slope("drive"), found.slope("coast")) == pytest.approx((share * 0.3, share * 0.2))


def test_only_what_slips_off_the_brakes_while_driving_counts():
    half = np.arange(len(TORQUE_Nm)) % 2 == 0
    mixed = np.where(half, locking(1.0), 5000.0)
    for other in ({"locked": ~half}, {"brake_torque": 500.0 * ~half}, {"vx": np.where(half, 20.0, 5.0)}):
        assert Carried.of(truth(TORQUE_Nm, mixed, **other), LOCK).at(600.0) == pytest.approx(LOCK.locking_torque(600.0))


def test_where_too_little_slips_there_is_no_truth():
    found = Carried.of(truth(TORQUE_Nm, locking(1.0)), LOCK)
    assert found.at(-395.0) is None and found.at(3000.0) is None
    nothing = Carried.of(truth(TORQUE_Nm, locking(1.0), locked=True), LOCK)
    assert nothing.at(100.0) is None and nothing.slope("drive") == 0.3
