"""The fit's samples of a long session: alike from every stretch, and with the weight of what they stand for."""

from dataclasses import fields, replace

import numpy as np
import pytest

from analyzer.lockcurve import session_problem as room
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.session_problem import pooled
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle_inputs import AxleInputs

COUNT = 1000


def stretch(start: int) -> Observations:
    """Rows 5 samples apart, numbered through the session by their front speed; every second one slips."""
    number = start + np.arange(COUNT, dtype=float)
    yes, odd = np.ones(COUNT, bool), number % 2 > 0
    return Observations(
        index=5 * np.arange(COUNT),
        time_s=number,
        inputs=replace(AxleInputs(**{f.name: np.zeros(COUNT) for f in fields(AxleInputs)}), front_m_s=number),
        speed_difference_rad_s=number,
        slipping=odd,
        locked=np.zeros(COUNT, bool),
        usable=yes,
        group=np.arange(COUNT) // 100,
        slip_noise=number,
        torque_rate_Nm_s=number,
        weight=0.02,
        sensors=Sensors(),
    )


def test_one_stretch_keeps_every_row_that_says_something():
    found = pooled([(stretch(0), slice(0, 5 * COUNT))])
    np.testing.assert_array_equal(found.inputs.front_m_s, np.arange(1, COUNT, 2))
    assert found.weight == 0.02


def test_many_stretches_are_thinned_alike_and_weigh_the_same(monkeypatch):
    monkeypatch.setattr(room, "KEPT", 1000)
    own = slice(500, 4500)  # 800 of the rows, 400 of which slip
    found = pooled([(stretch(k * COUNT), own) for k in range(10)])
    by_stretch = np.bincount((found.inputs.front_m_s // COUNT).astype(int), minlength=10)
    assert len(found.index) <= 1000 and by_stretch.max() - by_stretch.min() <= 1
    assert found.weight * len(found.index) == pytest.approx(0.02 * 10 * 400)
    assert not (found.inputs.front_m_s % 2 == 0).any()
    within = found.inputs.front_m_s % COUNT
    assert within.min() >= 100 and within.max() < 900
    assert len(np.unique(found.group)) == 10 * 8  # passes of two stretches are never one
