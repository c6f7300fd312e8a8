"""Columns, ties and beliefs of a fit of several logs, on small made cases worked out by hand."""

import numpy as np
import pytest

from analyzer.lockcurve import model
from analyzer.lockcurve.unknowns import (
    ALIKE_SHARE,
    BETWEEN_LOGS_SD,
    CURVE,
    HOLD_OFF,
    HOLDS,
    LOCK_CURVE,
    Measured,
    Owner,
    measured_by,
    unknowns,
)
from analyzer.vehicle.parameters import Prior

PRIORS = (
    Prior("log_friction", 0.3, 0.14, "tyre"),
    Prior("log_yaw_scale", 0.0, 0.01, "yaw_rate"),
    Prior("sensor_x_m", 0.1, 0.4, "sensor_pose"),
    Prior("long_bias", 0.0, 0.10, "acceleration"),
    Prior("log_mass", 0.0, 0.02, "car"),
)
TWO = (Owner(0, "morning"), Owner(0, "noon"))
SIDES = (Owner(0, "before"), Owner(1, "after"))


def names(made):
    return [column.name for column in made.columns]


def believed_covariance(made):
    """(P, P) of the unknowns by their beliefs alone."""
    return np.linalg.inv(made.information)


def test_one_log_has_a_column_a_parameter_and_starts_where_its_priors_do():
    made = unknowns(PRIORS, [Owner()], hold_sd_Nm=200.0)
    assert names(made) == [p.name for p in PRIORS] and made.count == len(PRIORS) + CURVE
    assert made.parameters(made.start, Owner()) == pytest.approx([0.3, 0.0, 0.1, 0.0, 0.0])
    assert np.sqrt(np.diag(believed_covariance(made)))[:5] == pytest.approx([p.deviation for p in PRIORS])
    # nobody believes a preload; hold-offs are believed small
    assert [g for g in made.groups if g in (LOCK_CURVE, HOLD_OFF)].count(HOLD_OFF) == len(HOLDS)
    assert made.rows @ made.start == pytest.approx(made.targets)


def test_car_tyre_and_pose_are_one_and_zeros_are_each_logs_own():
    made = unknowns(PRIORS, TWO, hold_sd_Nm=200.0)
    assert sorted(names(made)) == sorted([*(p.name for p in PRIORS), "long_bias"])
    theta = made.start.copy()
    own = [i for i, c in enumerate(made.columns) if c.name == "long_bias"]
    theta[own] = 0.05, -0.07
    place = made.names.index("long_bias")
    assert [made.parameters(theta, owner)[place] for owner in TWO] == [0.05, -0.07]
    theta[names(made).index("log_friction")] = 0.5
    assert [made.parameters(theta, owner)[0] for owner in TWO] == [0.5, 0.5]


def test_the_tyre_of_a_log_differs_by_what_adds_to_it():
    made = unknowns(PRIORS, TWO, hold_sd_Nm=200.0, tyre_drifts=True)
    added = [i for i, c in enumerate(made.columns) if c.adds]
    assert [made.columns[i].name for i in added] == ["log_friction"] * 2
    theta = made.start.copy()
    theta[added] = 0.02, -0.01
    assert [made.parameters(theta, owner)[0] for owner in TWO] == pytest.approx([0.32, 0.29])
    assert np.sqrt(np.diag(believed_covariance(made)))[added] == pytest.approx([BETWEEN_LOGS_SD["log_friction"]] * 2)
    # alone, a log's tyre is the tyre
    assert not any(c.adds for c in unknowns(PRIORS, TWO[:1], hold_sd_Nm=200.0, tyre_drifts=True).columns)


def test_sides_have_their_own_curves_and_what_is_named_as_own():
    made = unknowns(PRIORS, SIDES, hold_sd_Nm=200.0, own=("tyre", "log_yaw_scale"))
    assert made.sides == 2 and names(made).count("log_friction") == names(made).count("log_yaw_scale") == 2
    assert names(made).count("log_mass") == names(made).count("sensor_x_m") == 1
    theta = np.arange(made.count, dtype=float)
    before, after = made.curves(theta)
    assert (theta[made.curve_slice(0)] == before).all() and (theta[made.curve_slice(1)] == after).all()
    assert after[0] - before[0] == CURVE


def test_a_tie_keeps_hold_offs_together_and_leaves_their_level_as_it_was():
    tie = (16.0, 30.0)
    free = believed_covariance(unknowns(PRIORS, SIDES, hold_sd_Nm=200.0))
    made = unknowns(PRIORS, SIDES, hold_sd_Nm=200.0, tie_sd_Nm=tie)
    tied = believed_covariance(made)
    for hold, sd in zip(HOLDS, tie, strict=True):
        before, after = made.curve_slice(0).start + hold, made.curve_slice(1).start + hold
        apart = np.zeros(made.count)
        apart[[before, after]] = -1.0, 1.0
        assert np.sqrt(apart @ tied @ apart) == pytest.approx(sd)
        assert np.sqrt(tied[before, before]) == pytest.approx(200.0)
        assert np.sqrt(apart @ free @ apart) == pytest.approx(200.0 * np.sqrt(2))


def test_a_tie_of_ring_springs_lets_the_hold_offs_go_with_the_preload():
    # derived: hold = h + M0/s outside the packs, so with h as it was 60 N.m more on a slope of 0.2 move it by 300 N.m
    made = unknowns(PRIORS, SIDES, hold_sd_Nm=200.0, tie_sd_Nm=(16.0, 30.0), tie_preload=((5.0, 5.0), (10.0, 10.0)))
    free = unknowns(PRIORS, SIDES, hold_sd_Nm=200.0, tie_sd_Nm=(16.0, 30.0))
    before, after = made.curve_slice(0).start, made.curve_slice(1).start
    moved = made.start.copy()
    moved[after] = moved[before] + 60.0
    moved[after + HOLDS[0]] = moved[before + HOLDS[0]] + 300.0
    moved[after + HOLDS[1]] = moved[before + HOLDS[1]] + 600.0
    assert (made.rows @ moved - made.targets)[-2:] == pytest.approx([0.0, 0.0])
    assert (free.rows @ moved - free.targets)[-2:] == pytest.approx([300 / 16, 600 / 30])


def test_zeros_that_err_alike_cancel_between_logs_and_are_no_surer_alone():
    made = unknowns(PRIORS, TWO, hold_sd_Nm=200.0, alike=True)
    covariance = believed_covariance(made)
    a, b = (i for i, c in enumerate(made.columns) if c.name == "long_bias")
    share = ALIKE_SHARE["long_bias"]
    assert covariance[a, a] == pytest.approx(0.1**2) and covariance[b, b] == pytest.approx(0.1**2)
    assert covariance[a, b] == pytest.approx(share * 0.1**2)


def test_what_a_log_measures_is_a_belief_over_its_own_columns():
    # derived: a mean of two normal beliefs, 0 within 0.1 and 0.06 within 0.05: 0.048 within 0.0447
    made = unknowns(PRIORS, TWO, hold_sd_Nm=200.0)
    told = Measured({"long_bias": 1.0}, 0.06, 0.05, "acceleration", "longitudinal_zero")
    after = measured_by(made, TWO[1], [told])
    covariance = believed_covariance(after)
    mean = covariance @ (after.rows.T @ after.targets)
    first, second = (i for i, c in enumerate(made.columns) if c.name == "long_bias")
    assert mean[second] == pytest.approx(0.06 * 0.1**2 / (0.1**2 + 0.05**2))
    assert np.sqrt(covariance[second, second]) == pytest.approx(1 / np.sqrt(1 / 0.1**2 + 1 / 0.05**2))
    assert mean[first] == pytest.approx(0.0) and np.sqrt(covariance[first, first]) == pytest.approx(0.1)
    assert after.groups[-1] == "acceleration" and len(made.groups) + 1 == len(after.groups)


def test_a_measured_sum_ties_its_parts():
    made = unknowns(PRIORS, [Owner()], hold_sd_Nm=200.0)
    told = Measured({"log_yaw_scale": 1.0, "sensor_x_m": 2.0}, 0.3, 1e-4, "sensor_pose", "lateral_gain")
    after = measured_by(made, Owner(), [told])
    mean = believed_covariance(after) @ (after.rows.T @ after.targets)
    assert mean[1] + 2 * mean[2] == pytest.approx(0.3, abs=1e-5)


def test_curve_names_are_the_models():
    assert [model.NAMES[i] for i in HOLDS] == ["drive_hold_Nm", "coast_hold_Nm"]
