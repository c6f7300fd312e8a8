"""Which side of the lock curve a log tells: drive where the axle slipped on drive, coast where it did on coast."""

from dataclasses import replace

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.problem import make_problem
from analyzer.lockcurve.uncertainty import spread, summarise


@pytest.mark.parametrize("side, other, sign", [("drive", "coast", 1), ("coast", "drive", -1)])
def test_only_the_side_that_slipped_is_told(side, other, sign):
    made = simulated_set(300, np.random.default_rng(3))
    there = replace(made.observed, usable=sign * made.torque_Nm > -40, group=np.arange(300) // 3)
    fitted = fit(make_problem(there, CAR, KNOWN))
    estimate = summarise(fitted, spread(fitted), largest_torque_Nm=1500.0)
    supported = {"drive": estimate.drive_supported, "coast": estimate.coast_supported}
    assert supported == {side: True, other: False}
    known, unknown = (estimate.parameters[f"{name}_slope"] for name in (side, other))
    assert known.value is not None and known.lower < known.value < known.upper
    assert (unknown.value, unknown.lower, unknown.upper) == (None, None, None)
    assert f"on {other}" in unknown.reason
    measured = np.array([p.input_torque_Nm for p in estimate.points if p.kind == "measured"])
    assert (sign * measured > -150).all() and (sign * measured > 200).any()
