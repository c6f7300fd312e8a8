"""What a workshop knows of the curve, as residuals of it: closed forms, and slopes against finite differences."""

import numpy as np
import pytest

from analyzer.lockcurve.model import LEAST_SLOPE, CurveAnchors

CURVE = np.array([60.0, 0.3, 240.0, 0.2, 340.0])
ALL = dict(preload=(50.0, 5.0), drive_hold=(40.0, 8.0), coast_hold=(40.0, 8.0), slope_ratio=(0.6, 0.05))


def test_without_anchors_nothing_is_asked():
    residual, rows = CurveAnchors().residuals(CURVE)
    assert residual.shape == (0,) and rows.shape == (0, 5)


def test_residuals_are_how_far_off_the_curve_is_in_deviations():
    adding = CurveAnchors(**ALL, larger_rules=0.0)
    residual, _ = adding.residuals(CURVE)
    assert residual == pytest.approx([10 / 5, 200 / 8, 300 / 8, (0.2 - 0.6 * 0.3) / (0.05 * 0.3)])


def test_where_the_larger_clamps_the_bend_lies_by_preload_over_slope_further():
    # derived: max(M0, s (T - h)) bends where s (T - h) = M0, at h + M0/s: 40 + 60/0.3 = 240, 40 + 60/0.2 = 340
    residual, _ = CurveAnchors(**ALL, larger_rules=1.0).residuals(CURVE)
    assert residual[1:3] == pytest.approx([0.0, 0.0], abs=1e-12)


def test_a_file_that_does_not_say_where_the_springs_sit_widens_what_it_asks():
    unsure = CurveAnchors(drive_hold=(40.0, 8.0), larger_rules=0.5, larger_rules_sd=0.5)
    residual, _ = unsure.residuals(CURVE)
    assert residual == pytest.approx([(240 - 40 - 100) / np.hypot(8.0, 0.5 * 60 / 0.3)])


@pytest.mark.parametrize("larger", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("curve", [CURVE, CURVE * [1.0, 2.0, 0.3, 0.5, 1.5], np.array([0.0, 0.1, 0.0, 0.4, 10.0])])
def test_slopes_are_finite_differences(larger, curve):
    # the deviation of a bend in between holds preload and slope as well, and is taken as fixed within a step
    anchors = CurveAnchors(**ALL, larger_rules=larger)
    _, rows = anchors.residuals(curve)
    for i in range(5):
        step = np.zeros(5)
        step[i] = 1e-6
        ahead, behind = (anchors.residuals(curve + sign * step)[0] for sign in (1, -1))
        numeric = (ahead - behind) / 2e-6
        if i in (1, 3):  # the ratio's deviation is a share of the drive slope, and counts as fixed
            numeric[3] = rows[3, i]
        assert rows[:, i] == pytest.approx(numeric, rel=1e-5, abs=1e-6)


def test_slope_of_the_ratio_holds_where_the_ratio_is_met():
    # where the residual is nil its deviation's own slope costs nothing
    met = CURVE.copy()
    met[3] = 0.6 * met[1]
    anchors = CurveAnchors(slope_ratio=(0.6, 0.05))
    residual, rows = anchors.residuals(met)
    assert residual == pytest.approx([0.0], abs=1e-12)
    for i in (1, 3):
        step = np.zeros(5)
        step[i] = 1e-6
        numeric = (anchors.residuals(met + step)[0] - anchors.residuals(met - step)[0]) / 2e-6
        assert rows[:, i] == pytest.approx(numeric, rel=1e-5)


def test_a_side_that_hardly_clamps_asks_nothing_without_bound():
    flat = CURVE.copy()
    flat[1] = 0.0
    residual, rows = CurveAnchors(**ALL, larger_rules=1.0).residuals(flat)
    assert np.isfinite(residual).all() and np.isfinite(rows).all()
    assert residual[1] == pytest.approx((240 - 40 - 60 / LEAST_SLOPE) / 8)
    assert rows[1, 1] == 0.0  # below the least slope it says nothing of the slope
