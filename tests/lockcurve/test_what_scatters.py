"""What scatters in the locking torque is measured slip: it must not pull the tyre's stiffness either way."""

from dataclasses import replace

import numpy as np
from lockcurve.simulated_sets import CAR, KNOWN, inputs_of, simulated_set

from analyzer.lockcurve import model
from analyzer.lockcurve.loss import STIFFNESS, evaluate, slopes
from analyzer.lockcurve.problem import LOCK_SD_Nm, make_problem

CURVE = np.array([80.0, 0.25, 30.0, 0.2, 30.0])


def test_scatter_pulls_the_stiffness_neither_way():
    """At the truth the mean of z dz/d(log C) is 0: the torque that a tyre of stiffness C makes of a slip goes with C,
    and its scatter with it. With a fixed deviation it is the mean of z^2 (derived)."""
    rng = np.random.default_rng(5)
    count = 6000
    torque = rng.uniform(100.0, 1200.0, count)
    carried = model.locking_torque_Nm(CURVE, torque) + LOCK_SD_Nm * rng.standard_normal(count)
    observed = replace(
        simulated_set(count, rng).observed,
        inputs=inputs_of(torque, -carried, rng),
        speed_difference_rad_s=np.ones(count),
        slipping=np.full(count, True),
        locked=np.full(count, False),
    )
    problem = make_problem(observed, CAR, KNOWN)
    theta = problem.start.copy()
    theta[-5:] = CURVE
    now = evaluate(problem, theta, None, None)
    z = now.measured
    pull = z * slopes(problem, theta, now).measured[problem.unknowns.names.index(STIFFNESS)]
    error = pull.std() / np.sqrt(len(pull))
    assert abs(pull.mean()) < 3 * error < 0.5
    assert (pull + z**2).mean() > 3 * error  # what it would be
