"""What stands in where a car file is silent on the load transfer."""

import math

import numpy as np
import pytest
from vehicle.made_axle import made_car

from analyzer.signals.session import Sensors
from analyzer.vehicle.parameters import priors


def load_transfer(**changes):
    car = made_car(**changes)
    found = {p.name: p for p in priors(car, sensors=Sensors(), long_bias_sd_m_s2=0.03)}
    return car.rear_load_transfer, found["log_load_transfer"].deviation


def test_a_guess_is_the_weight_share_less_a_little_and_is_known_as_a_guess():
    # common practice, no source; limits over the root of three: [JCGM100]
    assert load_transfer() == (pytest.approx(0.55 - 0.05), pytest.approx(np.log(1.4) / np.sqrt(3)))
    stated = load_transfer(rear_load_transfer_fraction=0.44)
    assert stated == (0.44, pytest.approx(np.log(1.1) / np.sqrt(3)))


def test_a_stated_uncertainty_does_not_make_a_guess_surer():
    assert load_transfer(uncertainty={"load_transfer_percent": 5.0})[1] == pytest.approx(np.log(1.4) / np.sqrt(3))
    stated = load_transfer(rear_load_transfer_fraction=0.44, uncertainty={"load_transfer_percent": 5.0})
    assert stated[1] == pytest.approx(np.log(1.05) / np.sqrt(3))


def test_a_stated_engine_is_as_sure_as_its_limits_once_the_log_shows_the_gear():
    silent, stated = made_car(), made_car(engine_inertia_kg_m2=0.2, uncertainty={"engine_inertia_percent": 12.0})
    assert silent.engine_inertia(ratio_logged=True) == silent.engine_inertia(ratio_logged=False)
    assert silent.engine_inertia(ratio_logged=True)[0] == pytest.approx(0.13)  # 1180 kg; common practice, no source
    # equally likely between limits: JCGM 100:2008, 4.3.7
    assert stated.engine_inertia(ratio_logged=True) == pytest.approx((0.2, 0.12 / math.sqrt(3)))
    assert stated.engine_inertia(ratio_logged=False) == (0.2, silent.engine_inertia(ratio_logged=False)[1])
