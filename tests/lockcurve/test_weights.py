"""Measurement errors from residuals: derived, and as they go into the second fit and its draws."""

from dataclasses import replace

import numpy as np
import pytest
from lockcurve.simulated_sets import CAR, KNOWN, simulated_set

from analyzer.lockcurve.fit import ASSUMED_PASSES, COMMON, FRONT, LEAST_SHARE, fit, shown, weighed
from analyzer.lockcurve.loss import evaluate
from analyzer.lockcurve.problem import LOCK_SD_Nm, make_problem
from analyzer.lockcurve.uncertainty import spread
from analyzer.signals.session import Sensors

PASSES, ROWS = 40, 15


def passes(means, rows=10):
    return np.repeat(means, rows), np.repeat(np.arange(len(means)), rows)


def test_many_passes_tell_the_error_and_none_leaves_it_assumed():
    rng = np.random.default_rng(5)
    means = 0.4 * rng.standard_normal(400)
    assert shown(*passes(means)) == pytest.approx(COMMON * 0.4, rel=0.1)
    assert shown(np.empty(0), np.empty(0, int)) == pytest.approx(1.0)
    # derived: two passes of 0.1 among three assumed ones of 1 / COMMON
    square = (2 * 0.01 + ASSUMED_PASSES / COMMON**2) / (2 + ASSUMED_PASSES)
    assert shown(*passes([0.1, -0.1])) == pytest.approx(COMMON * np.sqrt(square))


def test_what_averages_out_within_a_pass_does_not_count():
    noise = np.tile([1.0, -1.0], 500)
    assert shown(noise, np.repeat(np.arange(50), 20)) < 0.3
    nothing = COMMON * np.sqrt(ASSUMED_PASSES / COMMON**2 / (100 + ASSUMED_PASSES))
    assert shown(np.zeros(1000), np.repeat(np.arange(100), 10)) == pytest.approx(nothing)


def test_one_pass_that_went_wrong_does_not_speak_for_the_others():
    means = 0.3 * np.array([1.0, -1.0] * 15)
    spoilt = means.copy()
    spoilt[3] = 40.0
    assert shown(*passes(spoilt)) < 1.25 * shown(*passes(means))


def seen(front, slipping, locked, *, gyro=True):
    """A problem of `PASSES` passes, and an evaluation that leaves residuals of these sizes: of the front wheels' speed,
    of the locking torque where the axle slips, and (where it does not) what would be one were it slipping. The sign
    changes from pass to pass, so that all passes err as much."""
    made = simulated_set(PASSES * ROWS, np.random.default_rng(4))
    group = np.tile(np.arange(PASSES), ROWS)  # each with slipping and locked samples
    problem = replace(make_problem(replace(made.observed, group=group), CAR, KNOWN), sensors=Sensors(gyro=gyro))
    now = evaluate(problem, problem.start, None, None)
    sign = np.where(group % 2, 1.0, -1.0)
    residual = now.solution.at.residual.copy()
    residual[FRONT] = front * sign
    at = replace(now.solution.at, residual=residual)
    left = np.where(problem.slipping, slipping, locked) * sign
    return problem, replace(now, solution=replace(now.solution, at=at), measured=left)


def test_each_error_comes_from_its_own_residuals_and_counts_as_said():
    """40 passes and 3 assumed ones; the locking torque's error is what the slipping samples leave."""
    problem, now = seen(0.5, 1.5, 40.0)
    found = weighed(problem, now)
    of = lambda size: COMMON * np.sqrt((PASSES * size**2 + ASSUMED_PASSES / COMMON**2) / (PASSES + ASSUMED_PASSES))  # noqa: E731
    assert found.inputs.front_sd_m_s == pytest.approx(problem.inputs.front_sd_m_s * of(0.5))
    assert found.lock_sd_Nm == pytest.approx(LOCK_SD_Nm * of(1.5))
    assert found.widened == pytest.approx(np.sqrt(1 + of(0.5) ** 2))


def test_errors_are_never_taken_for_much_less_than_assumed_and_without_a_gyro_not_for_less_at_all():
    for gyro, least in ((True, LEAST_SHARE), (False, 1.0)):
        problem, now = seen(0.01, 0.01, 0.01, gyro=gyro)
        found = weighed(problem, now)
        assert found.inputs.front_sd_m_s == pytest.approx(least * problem.inputs.front_sd_m_s)
        assert found.lock_sd_Nm == pytest.approx(LEAST_SHARE * LOCK_SD_Nm)


def test_draws_are_as_much_wider_as_the_errors_that_do_not_average_out():
    fitted = fit(make_problem(simulated_set(300, np.random.default_rng(8)).observed, CAR, KNOWN))
    once, twice = (
        spread(replace(fitted, problem=replace(fitted.problem, widened=by)), replicates=200).draws for by in (1.0, 2.0)
    )
    assert twice[:, :-5] - fitted.theta[:-5] == pytest.approx(2 * (once[:, :-5] - fitted.theta[:-5]))
    wider = np.std(twice[:, -5], ddof=1) / np.std(once[:, -5], ddof=1)
    assert 1.5 < wider < 2.0  # the form of the tyre, which is in the curve's draws too, is not widened
