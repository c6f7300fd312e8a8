"""Brakes leave the axle's balance at the front share, and push the demand on the driven axle down, not up."""

import numpy as np
import pytest
from vehicle.made_axle import made_car, made_inputs

from analyzer.lockcurve.session_state import _without_brakes


def test_brake_force_beyond_coasting_is_shared_front_and_rear():
    # derived: 1500 N.m of braking through 0.3 m beyond 200 N.m of coasting; 62 % of it at the front
    car = made_car(front_brake_fraction=0.62, rear_rolling_radius_m=0.30)
    torque, coast = np.array([-1700.0, -1700.0]), np.array([-200.0, -200.0])
    inputs, rear = _without_brakes(made_inputs(long=[-5.0, -5.0]), torque, coast, np.array([True, False]), car)
    assert inputs.front_brake_N == pytest.approx([0.62 * 1500 / 0.30, 0.0])
    assert rear == pytest.approx([0.38 * 1500, 0.0])
