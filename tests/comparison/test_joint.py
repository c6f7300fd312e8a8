"""How sure a joint fit is, against its own definitions: corners, the tyre's form, and over which torques it speaks."""

from dataclasses import replace

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.comparison import joint as module
from analyzer.comparison.joint import (
    PIVOT_SHARE,
    SLOPE_CHANGE_LOG_SD,
    JointLog,
    few_corners,
    fit_jointly,
    form_error,
    joint_draws,
)
from analyzer.lockcurve import uncertainty
from analyzer.lockcurve.problem import log_part
from analyzer.lockcurve.unknowns import Owner

CURVE = np.array([60.0, 0.30, 20.0, 0.15, 20.0])
SLIPPING_Nm = np.array([-300.0, -100.0, 200.0, 400.0, 900.0])  # middle 400 on drive, 200 on coast
NONE = np.zeros((0, 2))


def test_few_corners_widen_by_students_t():
    """t over 1.960 at 97.5 %, of the table in any textbook: 12.706, 2.776, 2.365 and 2.045 of 1, 4, 7 and 29."""
    for count, t in ((2, 12.706), (5, 2.776), (8, 2.365), (30, 2.045)):
        assert few_corners(count) == pytest.approx(t / 1.960, rel=1e-3)


def test_corners_scatter_by_their_pulls_and_few_of_them_by_more(monkeypatch):
    """Resampled with replacement, pulls that add up to nothing have the variance of their squares' sum."""
    monkeypatch.setattr(module, "REPLICATES", 40_000)
    pulls = np.array([3.0, -1.0, -2.0, 4.0, -5.0, 1.0, 2.0, -2.0])
    influence = np.column_stack([pulls, np.zeros(8)])
    draws = joint_draws(np.array([10.0, 0.0]), influence, tuple((k,) for k in range(8)), NONE)
    assert draws[:, 0].mean() == pytest.approx(10.0, abs=0.2)
    assert draws[:, 0].std() == pytest.approx(2.365 / 1.960 * np.sqrt(np.square(pulls).sum()), rel=0.02)


def test_errors_common_to_a_corner_cancel_between_the_sides_and_beliefs_are_redrawn(monkeypatch):
    monkeypatch.setattr(module, "REPLICATES", 20_000)
    pulls = np.array([3.0, -1.0, -2.0, 4.0, -5.0, 1.0])
    nothing = np.zeros(6)
    influence = np.vstack([np.column_stack([pulls, nothing]), np.column_stack([nothing, pulls])])
    paired = tuple((k,) for k in range(6)) * 2
    apart = tuple((k, side) for side in (0, 1) for k in range(6))
    change = lambda corners, prior=NONE: np.diff(joint_draws(np.zeros(2), influence, corners, prior)).ravel()  # noqa: E731
    assert np.abs(change(paired)).max() < 1e-9
    assert change(apart).std() == pytest.approx(np.sqrt(2 * np.square(pulls).sum()) * few_corners(12), rel=0.03)
    assert change(paired, np.array([[1.0, 4.0]])).std() == pytest.approx(3.0, rel=0.03)


def test_the_error_of_the_tyre_s_form_is_common_to_both_sides():
    error = form_error(np.array([CURVE, CURVE]), SLIPPING_Nm)
    assert np.std(error[:, 0, 1]) > 0.01
    np.testing.assert_array_equal(error[:, 0], error[:, 1])


@pytest.mark.parametrize(("slope", "middle_Nm"), [(1, 400.0), (3, 200.0)])
def test_a_changed_slope_is_known_to_a_factor_about_a_pivot(monkeypatch, slope, middle_Nm):
    """The change times a log-normal factor; the curve stays put at the pivot, on the side that changed."""
    monkeypatch.setattr(module, "REPLICATES", 40_000)
    for name in ("CURVE_ERROR_SHARE", "SPLIT_ERROR_SHARE", "TILT_ERROR_Nm"):
        monkeypatch.setattr(uncertainty, name, 0.0)
    after = CURVE.copy()
    after[slope] += 0.20
    error = form_error(np.array([CURVE, after]), SLIPPING_Nm)
    assert not error[:, 0].any()
    variance = (np.exp(SLOPE_CHANGE_LOG_SD**2) - 1) * np.exp(SLOPE_CHANGE_LOG_SD**2)  # of exp(sd z); any textbook
    assert np.std(error[:, 1, slope]) == pytest.approx(0.20 * np.sqrt(variance), rel=0.03)
    assert error[:, 1, 0] + PIVOT_SHARE * middle_Nm * error[:, 1, slope] == pytest.approx(0.0, abs=1e-9)


def sides(*, seed=3, count=300, keep=(lambda torque: torque > -np.inf,) * 2):
    """Both sides of one differential as logs of a joint fit: the same samples, some of them left out."""
    made = simulated_set(count, np.random.default_rng(seed))
    logs = []
    for side in (0, 1):
        observed = replace(made.observed, usable=keep[side](made.torque_Nm), group=np.arange(count) // 5)
        part = replace(log_part(observed), owner=Owner(side, side, "circuit"))
        logs.append(JointLog(part, tuple(("circuit", int(g), None) for g in np.unique(part.group))))
    return logs


def test_a_comparison_speaks_of_torques_at_which_both_sides_slipped():
    logs = sides(keep=(lambda torque: torque > -150.0, lambda torque: torque < 700.0))
    low, high = fit_jointly(logs, car=CAR, priors=KNOWN).torque_span_Nm
    assert -150.0 < low < -90.0 and 600.0 < high < 700.0


def test_the_same_samples_twice_have_not_changed_and_hold_offs_are_tied():
    """All that is unsure of one curve is in the other as well; what is left is how far hold-offs may be apart."""
    logs = sides()
    tied, free = (fit_jointly(logs, car=CAR, priors=KNOWN, tied=tie) for tie in (True, False))
    for found in (tied, free):
        assert np.abs(found.curves[1] - found.curves[0]).max() < 0.2
    apart = lambda found: (found.draws[:, 1] - found.draws[:, 0])[:, [2, 4]].std(axis=0)  # noqa: E731
    assert free.tie_sd_Nm is None
    assert (apart(tied) < 18.0).all()  # measured 12 N.m on either side, free 69 and 126
    assert (apart(tied) < 0.3 * apart(free)).all()
