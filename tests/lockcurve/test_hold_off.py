"""Where the ramps begin to clamp, and how steep they then are: what a log leaves open of both, against known curves."""

from dataclasses import replace

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.lockcurve import uncertainty
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.hold_off import along_holds
from analyzer.lockcurve.model import CurveAnchors
from analyzer.lockcurve.problem import anchored, make_problem
from analyzer.lockcurve.uncertainty import spread, summarise

# preload springs outside the packs: on drive the ramps clamp from h + M0 / slope = 20 + 90 / 0.25 on
LATE = np.array([90.0, 0.25, 380.0, 0.15, 620.0])
EARLY = np.array([90.0, 0.25, 20.0, 0.15, 20.0])


def fitted(curve, seed, *, drive_Nm, count=200):
    made = simulated_set(count, np.random.default_rng(seed), curve=curve, drive_Nm=drive_Nm)
    return fit(make_problem(made.observed, CAR, KNOWN))


def straight(found, count=400, seed=3):
    """Draws (count, 5) of the lock curve on straight lines through a fit, from its curvature alone."""
    covariance = np.linalg.inv(found.hessian)[-5:, -5:]
    return np.random.default_rng(seed).multivariate_normal(found.curve, covariance, count)


@pytest.mark.slow
def test_a_slope_whose_bend_comes_late_is_inside():
    """Drive slopes of 24 logs that slipped to 250 N.m beyond the bend: 95 % of the intervals, less four deviations of
    24 draws of that (binomial), hold the truth."""
    inside = []
    for seed in range(24):
        found = fitted(LATE, seed, drive_Nm=630.0, count=400)
        told = summarise(found, spread(found, replicates=200), largest_torque_Nm=630.0).parameters["drive_slope"]
        inside.append(told.lower <= LATE[1] <= told.upper)
    assert np.mean(inside) > 0.77


def test_preload_and_curve_are_told_by_straight_draws(monkeypatch):
    """What samples measure is levels."""
    found = fitted(LATE, 3, drive_Nm=630.0, count=400)
    drawn = spread(found, replicates=200)
    told = summarise(found, drawn, largest_torque_Nm=630.0)
    monkeypatch.setattr(uncertainty, "along_holds", lambda fit, draws: draws)
    straight_lines = summarise(found, drawn, largest_torque_Nm=630.0)
    assert told.points == straight_lines.points
    assert told.parameters["preload_Nm"] == straight_lines.parameters["preload_Nm"]
    assert told.parameters["drive_slope"].upper > 1.2 * straight_lines.parameters["drive_slope"].upper


def test_a_later_bend_goes_with_a_steeper_slope():
    """What the samples show is slope (T - h), so the slope goes as one over T - h."""
    found = fitted(LATE, 5, drive_Nm=630.0)
    drawn = along_holds(found, straight(found))
    late, early = drawn[:, 2] > np.percentile(drawn[:, 2], 80), drawn[:, 2] < np.percentile(drawn[:, 2], 20)
    assert np.median(drawn[late, 1]) > 1.5 * np.median(drawn[early, 1])
    assert np.all(drawn[:, 2] >= 0) and np.all(np.isfinite(drawn))


def test_where_the_log_shows_the_bend_little_changes():
    """Slips from far under to far over an early bend: the straight lines were right."""
    found = fitted(EARLY, 6, drive_Nm=1500.0, count=600)
    before = straight(found)
    after = along_holds(found, before)
    assert np.std(after[:, 1]) == pytest.approx(np.std(before[:, 1]), rel=0.3)
    assert np.median(after[:, 1]) == pytest.approx(np.median(before[:, 1]), abs=0.5 * np.std(before[:, 1]))


def test_what_a_workshop_states_is_left_alone():
    found = fitted(LATE, 7, drive_Nm=630.0)
    before = straight(found)
    both = CurveAnchors(drive_hold=(380.0, 20.0), coast_hold=(620.0, 30.0))
    stated = replace(found, problem=anchored(found.problem, both))
    assert along_holds(stated, before) is before
    one = replace(found, problem=anchored(found.problem, CurveAnchors(drive_hold=(380.0, 20.0))))
    after = along_holds(one, before)
    assert after[:, 2] == pytest.approx(before[:, 2]) and after[:, 4] != pytest.approx(before[:, 4])
    assert after[:, 0] == pytest.approx(before[:, 0])
