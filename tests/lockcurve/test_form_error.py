"""The error put down to the tyre's form, against its own definition: a share of the curve, and a turn about a pivot."""

import numpy as np
import pytest

from analyzer.lockcurve import uncertainty
from analyzer.lockcurve.uncertainty import model_error

CURVE = np.array([60.0, 0.3, 20.0, 0.15, 20.0])
SLIPPING_Nm = np.array([-300.0, 200.0, 400.0, 700.0, 500.0])  # the middle of their sizes is 400
MANY = 20_000


def errors(monkeypatch, **shares):
    for name in ("CURVE_ERROR_SHARE", "SPLIT_ERROR_SHARE", "TILT_ERROR"):
        monkeypatch.setattr(uncertainty, name, shares.get(name, 0.0))
    rng = np.random.default_rng(3)
    return model_error(CURVE, slipping_torque_Nm=SLIPPING_Nm, rng=rng, replicates=MANY)


def test_a_tilt_turns_the_curve_about_the_middle_of_the_slipping_torques(monkeypatch):
    error = errors(monkeypatch, TILT_ERROR=0.02)
    for slope in (1, 3):
        assert np.allclose(error[:, 0] + 400.0 * error[:, slope], 0.0)  # M at the pivot stays put
    assert np.std(error[:, 1]) == pytest.approx(0.02, rel=0.03)


def test_a_common_share_scales_the_curve(monkeypatch):
    error = errors(monkeypatch, CURVE_ERROR_SHARE=0.05)
    share = error[:, 0] / CURVE[0]
    assert np.allclose(error[:, 1], share * CURVE[1]) and np.allclose(error[:, 3], share * CURVE[3])
    assert np.std(share) == pytest.approx(0.05, rel=0.03)


def test_a_wrong_split_moves_each_slope_by_itself_and_no_hold_off(monkeypatch):
    error = errors(monkeypatch, SPLIT_ERROR_SHARE=0.02)
    assert np.all(error[:, [0, 2, 4]] == 0)
    assert np.std(error[:, 1]) == pytest.approx(0.02, rel=0.03)
    assert abs(np.corrcoef(error[:, 1], error[:, 3])[0, 1]) < 0.03
