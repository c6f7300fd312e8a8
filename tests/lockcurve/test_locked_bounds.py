"""What a locked axle says of the lock curve: what plates carry that stick, at the torque where they stuck."""

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.lockcurve import model
from analyzer.lockcurve.fit import fit
from analyzer.lockcurve.loss import STATIC, STIFFNESS, evaluate, normal_equations, slopes
from analyzer.lockcurve.problem import make_problem
from analyzer.lockcurve.session_state import _moved
from analyzer.lockcurve.uncertainty import _points, _Seen
from analyzer.signals.session import Sensors
from analyzer.vehicle.parameters import priors

(USUAL,) = [p for p in priors(CAR, sensors=Sensors(), long_bias_sd_m_s2=0.03) if p.name == STATIC]
BELIEVED = tuple(USUAL if p.name == STATIC else p for p in KNOWN)
AT_Nm = np.array([-300.0, 0.0, 600.0, 1300.0])


def test_slope_of_the_loss_is_that_of_its_difference():
    made = simulated_set(300, np.random.default_rng(3), sticking=1.2)
    problem = make_problem(made.observed, CAR, BELIEVED)
    where, stiffness = (problem.unknowns.names.index(name) for name in (STATIC, STIFFNESS))
    theta = problem.start.copy()
    theta[-5:] = made.curve * 0.9 + 0.01
    now = evaluate(problem, theta, None, None)
    _, gradient, _ = normal_equations(problem, theta, now, slopes(problem, theta, now), False)
    for j in (where, stiffness, len(theta) - 5, len(theta) - 4):
        step = np.zeros(len(theta))
        step[j] = 1e-4 * max(abs(theta[j]), 1.0)
        up, down = (evaluate(problem, theta + s, now.solution.state, now.scale).loss for s in (step, -step))
        assert gradient[j] == pytest.approx((up - down) / (2 * step[j]), rel=2e-3, abs=1e-3)


def test_plates_that_stick_a_quarter_harder_read_as_more_lock_unless_that_is_allowed_for():
    # seeds 0 to 5: told that they stick no harder, sets read 7 to 15 % high; with the usual belief -8 to +1 %, -3.3 in
    # the mean (a locked axle says "at least" only, so nothing but the belief keeps the ratio from growing)
    off = {"told none": [], "usual belief": []}
    for seed in range(6):
        made = simulated_set(480, np.random.default_rng(seed), sticking=1.25)
        true = model.locking_torque_Nm(made.curve, AT_Nm)
        for name, known in (("told none", KNOWN), ("usual belief", BELIEVED)):
            curve = fit(make_problem(made.observed, CAR, known)).curve
            off[name].append(np.mean(model.locking_torque_Nm(curve, AT_Nm) / true - 1))
    assert np.mean(off["told none"]) > 0.05
    assert abs(np.mean(off["usual belief"])) < 0.05


def test_what_was_moved_hears_the_lock_curve_only_where_the_packs_slip():
    split, sd = np.array([200.0, 200.0, np.nan]), np.array([60.0, 60.0, 60.0])
    curve = np.array([100.0, 100.0, 100.0]), np.full(3, 30.0**2)
    moved, moved_sd = _moved(curve, split, sd, np.array([True, False, True]))
    # derived: weights 30^2 and 60^2, one part of the split in five; the deviation is the same mean of both
    assert moved[:2].tolist() == pytest.approx([0.2 * 200 + 0.8 * 100, 200.0])
    assert np.isnan(moved[2])
    assert moved_sd.tolist() == pytest.approx([0.2 * 60 + 0.8 * 30, 60.0, 0.2 * 60 + 0.8 * 30])


def test_what_held_at_a_higher_torque_bounds_a_lower_one_by_less():
    # 60 N.m and half of the torque; the axle held all of that at 250 to 350 N.m, on either side
    curve = np.array([60.0, 0.5, 0.0, 0.5, 0.0])
    torque = np.concatenate([np.linspace(250.0, 350.0, 40), np.linspace(-350.0, -250.0, 40)])
    seen = _Seen(
        curve=curve,
        draws=np.tile(curve, (10, 1)),
        torque_Nm=torque,
        difference_Nm=model.locking_torque_Nm(curve, torque),
        slipping=np.zeros(80, bool),
        locked=np.ones(80, bool),
        group=np.repeat(np.arange(8), 10),
        slip_known=True,
        log_sticking=(0.0, 0.0),
    )
    at = np.array([-300.0, -150.0, 150.0, 300.0])
    points = _points(seen, at, window_Nm=150.0)
    bound = np.array([point.lower_Nm for point in points])
    assert [point.kind for point in points] == ["bound"] * 4
    assert (bound <= model.locking_torque_Nm(curve, at)).all()
    # the least of what held, less 1.645 deviations of it, brought from 250 to 150 N.m; the bend's rounding takes 4 N.m
    assert bound[1:3] == pytest.approx([60 + 75 - 4.2 - 1.645 * np.hypot(25, 0.08 * 181)] * 2, abs=0.5)
