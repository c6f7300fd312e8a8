"""The error put down to the tyre's form, against its own definition: a share of the curve, and a turn about a pivot."""

from dataclasses import replace

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.lockcurve import uncertainty
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.problem import make_problem
from analyzer.lockcurve.uncertainty import model_error, spread
from analyzer.signals.session import Sensors

CURVE = np.array([60.0, 0.3, 20.0, 0.15, 20.0])
SLIPPING_Nm = np.array([-300.0, 200.0, 400.0, 700.0, 500.0])  # the middle of their sizes is 400
MANY = 20_000


def errors(monkeypatch, **shares):
    for name in ("CURVE_ERROR_SHARE", "SPLIT_ERROR_SHARE", "TILT_ERROR_Nm"):
        monkeypatch.setattr(uncertainty, name, shares.get(name, 0.0))
    rng = np.random.default_rng(3)
    return model_error(CURVE, slipping_torque_Nm=SLIPPING_Nm, rng=rng, replicates=MANY)


def test_a_tilt_turns_the_curve_about_the_middle_of_the_slipping_torques(monkeypatch):
    error = errors(monkeypatch, TILT_ERROR_Nm=5.0)
    for slope in (1, 3):
        assert np.allclose(error[:, 0] + 400.0 * error[:, slope], 0.0)  # M at the pivot stays put
    range_Nm = 172.05  # standard deviation of 300, 200, 400, 700, 500
    assert np.std(error[:, 1]) == pytest.approx(5.0 / range_Nm, rel=0.03)


def test_a_slope_from_a_narrow_range_of_torques_is_less_sure_but_not_without_end(monkeypatch):
    monkeypatch.setattr(uncertainty, "TILT_ERROR_Nm", 5.0)
    for name in ("CURVE_ERROR_SHARE", "SPLIT_ERROR_SHARE"):
        monkeypatch.setattr(uncertainty, name, 0.0)
    for torques, slope in (([200.0, 300.0], 0.1), ([249.0, 251.0], 5 / 30), ([], 5 / 30)):
        rng = np.random.default_rng(3)
        error = model_error(CURVE, slipping_torque_Nm=np.array(torques), rng=rng, replicates=MANY)
        assert np.std(error[:, 1]) == pytest.approx(slope, rel=0.03)


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


@pytest.mark.parametrize(
    ("known", "wider"), [("gyro", uncertainty.WITHOUT_GYRO), ("lat_g", uncertainty.WITHOUT_LATERAL)]
)
def test_without_a_sensor_of_turning_the_form_error_is_widened_by_what_is_stated(known, wider):
    """A yaw rate or lateral acceleration put together errs alike in like corners, which resampling cannot see."""
    fitted = fit(make_problem(simulated_set(300, np.random.default_rng(8)).observed, CAR, KNOWN))
    put_together = replace(fitted, problem=replace(fitted.problem, sensors=Sensors(**{known: False})))
    with_gyro, without = (spread(f, replicates=100) for f in (fitted, put_together))
    error = (without.draws - with_gyro.draws)[:, -5:] / (wider - 1)
    assert wider > 1 and np.std(error[:, 1]) > 0.5 * uncertainty.SPLIT_ERROR_SHARE
    part = [s.budget["tyre_model"][1] / (1 - s.budget["tyre_model"][1]) for s in (with_gyro, without)]
    assert part[1] / part[0] == pytest.approx(wider**2)
