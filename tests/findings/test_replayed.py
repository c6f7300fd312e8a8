"""What a spin cost and whose it was, from forces that are given: the balance in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_analysis import made_car
from scipy.stats import norm

from analyzer.findings.counterfactual import FORM_SD, READS_HIGH, TIMING_S, Judge

RATE_HZ, EVERY = 100.0, 5  # of the log, and its samples to a row of the fit
SPEED_M_S = 20.0
SPIN = (100, 150)
BRAKES = 300  # sample at which the next braking begins
ROWS = np.arange(SPIN[0] // EVERY, SPIN[1] // EVERY)


def judge(*, put_down_N=0.0, spinning_up_Nm=None):
    """A stretch at constant speed with the throttle open, up to the brakes; no fit behind it."""
    car, count = made_car(), 400
    index = np.arange(0, count, EVERY)
    signals = SimpleNamespace(
        rate_hz=RATE_HZ,
        speed_m_s=np.full(count, SPEED_M_S),
        throttle=np.ones(count),
        braking=np.arange(count) >= BRAKES,
    )
    axle = SimpleNamespace(input_torque_Nm=np.full(count, put_down_N * car.rear_rolling_radius_m))
    observed = SimpleNamespace(index=index)
    curve = np.array([60.0, 0.3, 100.0, 0.1, 100.0])
    made = Judge(SimpleNamespace(curve=curve), None, observed, signals, axle, car)
    up = np.zeros(len(index)) if spinning_up_Nm is None else spinning_up_Nm(index)
    object.__setattr__(made, "_spinning_up", up)
    return made


def of_spin(made, *, asked_N, could_N, inside_N=2000.0, scatter=0.0, inertia_sd=0.0):
    ones = np.ones(len(ROWS))
    z = np.tile([-1.0, 1.0], 12)[:, None]
    draws = (asked_N * np.exp(scatter * z) * ones, could_N * np.ones_like(z) * ones)
    return made._counterfactual(SPIN, ROWS, draws, [asked_N * ones, could_N * ones, inside_N * ones], inertia_sd)


def test_a_deficit_of_energy_costs_time_up_to_the_next_braking():
    """1000 N for 0.5 s at 20 m/s leave 10 kJ behind; dt/ds = E/(m v^3), so the time lost is the integral of E/(m v^2):
    2.5 kJ.s while it grows and 10 kJ times the 1.5 s up to the brakes (derived)."""
    made, ones = judge(put_down_N=4000.0), np.ones(len(ROWS))
    force, seconds, metres = made._cost(SPIN, ROWS, [5000.0 * ones, 6000.0 * ones, ones])
    assert force == pytest.approx(1000.0)
    expected = (0.5 * 0.5 + 1.5) * 10_000 / (made.car.mass_kg * SPEED_M_S**2)
    assert seconds == pytest.approx(expected, rel=0.01)
    assert metres == pytest.approx(SPEED_M_S * seconds)
    # what not even both tyres could take is not lost
    assert made._cost(SPIN, ROWS, [9000.0 * ones, 5000.0 * ones, ones])[0] == pytest.approx(1000.0)


@pytest.mark.parametrize(("asked_N", "could_N"), [(4000.0, 6000.0), (6000.0, 6000.0), (7500.0, 6000.0)])
def test_the_chance_is_that_of_a_share_under_one(asked_N, could_N):
    """The share is asked over what both tyres take, which the fitted envelope reads `READS_HIGH` too small; its error
    is that of the draws and of the tyre's form."""
    found = of_spin(judge(), asked_N=asked_N, could_N=could_N, scatter=0.08)
    share, sd = asked_N / (could_N * (1 + READS_HIGH)), np.hypot(0.08, FORM_SD)
    assert found.share == pytest.approx(share) and found.could_N == pytest.approx(could_N * (1 + READS_HIGH))
    assert found.probability_car == pytest.approx(norm.cdf(-np.log(share) / sd))
    assert np.log([found.lower, found.upper]) == pytest.approx(np.log(share) + np.array([-1.96, 1.96]) * sd)


def test_where_the_engine_spins_up_faster_and_faster_what_was_asked_for_is_less_sure():
    """Torques a row out of step: an error of the swing times the time out of step over the window (derived)."""
    made = judge(spinning_up_Nm=lambda index: 900.0 * (index - SPIN[0]) / (SPIN[1] - SPIN[0]))
    found = of_spin(made, asked_N=6000.0, could_N=6000.0)
    window_s, swing_Nm = 0.4, 900.0 * 0.35 / 0.5  # 8 rows of 0.05 s, the first to the last
    timing = TIMING_S / window_s * swing_Nm / made.car.rear_rolling_radius_m / 6000.0
    assert timing > 0.03
    assert np.log(found.upper / found.share) == pytest.approx(1.96 * np.hypot(FORM_SD, timing), rel=1e-3)


def test_how_much_of_the_doubt_is_the_engines_inertia():
    """What turns the engine is J times a known acceleration: its error over what was asked for is that of J times its
    share of it (derived)."""
    made = judge(spinning_up_Nm=lambda index: np.full(len(index), 600.0))
    share = 600.0 / made.car.rear_rolling_radius_m / 6000.0
    scatter = float(np.hypot(0.02, 0.35 * share))  # of the draws, that inertia in them
    found = of_spin(made, asked_N=6000.0, could_N=6000.0, scatter=scatter, inertia_sd=0.35)
    assert found.engine_error_share == pytest.approx((0.35 * share) ** 2 / (scatter**2 + FORM_SD**2))
    assert of_spin(made, asked_N=6000.0, could_N=6000.0, scatter=scatter).engine_error_share == 0


@pytest.mark.parametrize("stated", [None, 0.26])
def test_a_stated_engine_turns_through_the_logged_gear(stated):
    """J i^2 dw/dt at the wheels beyond what the car gains, i the engine's speed over theirs (derived)."""
    made = judge()
    car = made.car.model_copy(update={"engine_inertia_kg_m2": stated})
    count, radius = len(made.observed.index), car.rear_rolling_radius_m
    ones = np.ones(count)
    inputs = SimpleNamespace(
        left_m_s=22 * ones, right_m_s=18 * ones, left_acc_m_s2=9 * ones, right_acc_m_s2=3 * ones, long_m_s2=2 * ones
    )
    made.signals.time_s = np.arange(400) / RATE_HZ
    engine = (np.array([0.0, 4.0]), np.full(2, 7.0 * 20 / radius))
    observed = SimpleNamespace(index=made.observed.index, inputs=inputs)
    logged = Judge(made.fitted, None, observed, made.signals, None, car, engine=engine)
    inertia = stated or 0.13 / 1180 * car.mass_kg
    assert logged._spinning_up == pytest.approx(inertia * 7.0**2 * (6.0 - 2.0) / radius * ones)


def test_more_lock_than_there_is_would_have_held_what_both_tyres_take():
    """T - M(T) = 2 T_inside (the brief's free body); the axle's own curve is 60 N.m and 0.3 from 100 N.m on."""
    made = judge()
    found, radius = of_spin(made, asked_N=6000.0, could_N=9000.0), made.car.rear_rolling_radius_m
    torque = 6000.0 * radius
    assert found.needed_lock_Nm == pytest.approx(torque - 2 * 2000.0 * radius)
    assert found.lock_Nm == pytest.approx(60.0 + 0.3 * (torque - 100.0))
    held = found.held_N * radius
    assert held - (60.0 + 0.3 * (held - 100.0)) == pytest.approx(2 * 2000.0 * radius)
    assert found.less_throttle == pytest.approx(1 - held / torque)
