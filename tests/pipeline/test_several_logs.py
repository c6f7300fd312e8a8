"""Several logs of one car, fitted together."""

import numpy as np
import pytest
from accuracy.cases import Case, analysed, analysed_together

LAPS = 4


@pytest.fixture(scope="module")
def halves_and_whole(tmp_path_factory):
    """Answers of two halves fitted together, cut between laps, of the log they were cut from, and of the first half."""
    case = Case(laps=LAPS)
    log = case.drive().log
    cut = int(np.flatnonzero(log["lap"].to_numpy() > LAPS // 2)[0])
    first, second = log.iloc[:cut].reset_index(drop=True), log.iloc[cut:].reset_index(drop=True)
    folder = tmp_path_factory.mktemp
    return (
        analysed_together([first, second], case.car, folder("halves")),
        analysed(log, case.car, folder("whole")),
        analysed(first, case.car, folder("first")),
    )


def measured(analysis):
    """(k, 4) input torque, locking torque and its limits (N.m) where it was measured."""
    points = [p for p in analysis.lock_curve.points if p.kind == "measured"]
    return np.array([(p.input_torque_Nm, p.locking_torque_Nm, p.lower_Nm, p.upper_Nm) for p in points])


def test_halves_give_the_curve_of_the_whole(halves_and_whole):
    halves, whole, _ = halves_and_whole
    torque, value, lower, upper = measured(halves).T
    at_once = measured(whole)
    shared = at_once[(at_once[:, 0] >= torque[0]) & (at_once[:, 0] <= torque[-1])]
    assert len(shared) >= 6
    again, low, high = (np.interp(shared[:, 0], torque, column) for column in (value, lower, upper))
    assert (shared[:, 2] <= again).all() and (again <= shared[:, 3]).all()
    # the same driving tells the same: neither log counts twice, none is lost
    assert 0.7 < np.median((high - low) / (shared[:, 3] - shared[:, 2])) < 1.4


def test_two_logs_tell_more_than_one(halves_and_whole):
    halves, _, first = halves_and_whole
    together, alone = (a.lock_curve.parameters["preload_Nm"] for a in (halves, first))
    assert together.upper - together.lower < alone.upper - alone.lower


def test_every_log_has_its_own_laps_zeros_and_phases(halves_and_whole):
    halves, whole, _ = halves_and_whole
    (other,) = halves.others
    assert len(halves.corners) + len(other.corners) == pytest.approx(len(whole.corners), abs=2)
    assert halves.tyre["log_mass"] == other.tyre["log_mass"] and halves.tyre["sensor_x_m"] == other.tyre["sensor_x_m"]
    assert halves.tyre["lat_bias"] != other.tyre["lat_bias"]
    assert halves.lock_curve is other.lock_curve
