"""What a spin cost and whose it was, from forces that are given: the balance in closed form."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_analysis import made_car
from scipy.stats import norm

from analyzer.findings.counterfactual import FORM_SD, TIMING_S, TRANSFER_READS_LOW, Judge
from analyzer.lockcurve.observations import CUTOFF_HZ
from analyzer.signals.timebase import low_pass

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
    """The share is asked over what both tyres take. Of 6000 N the inside one's are 2000, a third: transfer is a sixth
    of the load, half of that wheel's, and friction read off it is low by half of what transfer is (derived). The
    share's error is that of the draws and of the tyre's form."""
    found = of_spin(judge(), asked_N=asked_N, could_N=could_N, scatter=0.08)
    taken_N = could_N * (1 + TRANSFER_READS_LOW / 2)
    share, sd = asked_N / taken_N, np.hypot(0.08, FORM_SD)
    assert found.share == pytest.approx(share) and found.could_N == pytest.approx(taken_N)
    assert found.probability_car == pytest.approx(norm.cdf(-np.log(share) / sd))
    assert np.log([found.lower, found.upper]) == pytest.approx(np.log(share) + np.array([-1.96, 1.96]) * sd)


def test_where_the_engine_spins_up_faster_and_faster_what_was_asked_for_is_less_sure():
    """Torques a row out of step: an error of the swing times the time out of step over the window (derived)."""
    made = judge(spinning_up_Nm=lambda index: 900.0 * (index - SPIN[0]) / (SPIN[1] - SPIN[0]))
    found = of_spin(made, asked_N=6000.0, could_N=6000.0)
    window_s, swing_Nm = 0.4, 900.0 * 0.35 / 0.5  # 8 rows of 0.05 s, the first to the last
    timing = TIMING_S / window_s * swing_Nm / made.car.rear_rolling_radius_m / 6000.0
    assert timing > 0.02
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


FRICTION = 1.3
AS_FILED = dict.fromkeys(
    [
        *("log_mass", "log_friction_ratio", "log_slip_stiffness", "log_cornering_ratio"),
        *("log_rolling_resistance", "log_wheel_inertia", "friction_fall", "stiffness_fall"),
    ],
    0.0,
) | dict(shape=1.5, combined_weight=1.0, log_friction=np.log(FRICTION))


def pushed(*, long_m_s2, wheels_m_s=None, engine_inertia_kg_m2=0.1):
    """A judge of a log with its fit's rows: the car's acceleration and the rear wheels' speed (400,), in a left turn
    without side force, at 20 m/s, all as filed."""
    made = judge()
    car = made.car.model_copy(update={"engine_inertia_kg_m2": engine_inertia_kg_m2})
    smooth = lambda x: low_pass(x, cutoff_hz=CUTOFF_HZ, rate_hz=RATE_HZ)  # noqa: E731
    wheels = SPEED_M_S + np.cumsum(long_m_s2) / RATE_HZ if wheels_m_s is None else wheels_m_s
    at, gains = made.observed.index, smooth(np.gradient(wheels, 1 / RATE_HZ))
    made.signals.long_m_s2, made.signals.yaw_rate_rad_s = long_m_s2, np.ones(400)
    made.signals.wheel_speed_m_s, made.signals.time_s = np.tile(wheels, (4, 1)).T, np.arange(400) / RATE_HZ
    inputs = SimpleNamespace(
        left_m_s=smooth(wheels)[at],
        right_m_s=smooth(wheels)[at],
        left_acc_m_s2=gains[at],
        right_acc_m_s2=gains[at],
        long_m_s2=smooth(long_m_s2)[at],
    )
    observed = SimpleNamespace(index=at, inputs=inputs)
    engine = (made.signals.time_s, 7.0 * wheels / car.rear_rolling_radius_m)
    return Judge(made.fitted, None, observed, made.signals, None, car, engine=engine)


def test_wheels_that_put_down_all_they_can_were_asked_for_just_that():
    """T = R F_x + R c_rr F_z + I dw/dt of both wheels (the module `vehicle.axle`), F_x the friction circle's mu F_z:
    what rolls them and spins them up with the car is no more than they take (derived)."""
    gain = 4.0
    made = pushed(long_m_s2=np.full(400, gain))
    car, rows = made.car, np.arange(20, 60)
    loads, radius = np.array([1500.0, 4000.0])[:, None] * np.ones(len(rows)), car.rear_rolling_radius_m
    put_down = FRICTION * loads.sum(axis=0)
    torque = radius * (put_down + car.rolling_resistance * loads.sum(axis=0))
    torque += 2 * car.wheel_inertia_kg_m2 * gain / radius
    at = SimpleNamespace(load_N=loads, lateral_demand=np.zeros(len(rows)), input_torque_Nm=torque)
    asked, could, inside = made._asked_and_could(AS_FILED, at, rows, 1.0)
    assert asked == pytest.approx(could, rel=2e-3) and asked[5] > 1.02 * put_down[5]
    own = 1500.0 * (FRICTION + car.rolling_resistance)
    assert inside == pytest.approx(own + car.wheel_inertia_kg_m2 * gain / radius**2, rel=2e-3)


def test_a_short_push_is_not_blunted_by_the_filter_of_the_fit():
    """0.4 s at 6 m/s2 after 2, in which the rear wheels gain 2 m/s more than the car: m a + (2 I + J i^2) w'/R less
    what the engine gains with the car (derived). Behind the fit's filter a twentieth of it is missing."""
    push = np.zeros(400)
    push[SPIN[0] - EVERY // 2 : SPIN[0] - EVERY // 2 + 40] = 1.0  # as eight rows have it
    gain = 2.0 + 4.0 * push
    wheels = SPEED_M_S + np.cumsum(gain + 5.0 * push) / RATE_HZ
    made = pushed(long_m_s2=gain, wheels_m_s=wheels)
    car, rows = made.car, ROWS[:8]
    radius, inertia_w = car.rear_rolling_radius_m, car.wheel_inertia_kg_m2
    felt = car.mass_kg * radius * made.observed.inputs.long_m_s2
    felt += 2 * inertia_w * made.observed.inputs.left_acc_m_s2 / radius  # as the fit has the torque, filtered
    at = SimpleNamespace(load_N=np.ones((2, 8)), lateral_demand=np.zeros(8), input_torque_Nm=felt[rows])
    asked, _, _ = made._asked_and_could(AS_FILED, at, rows, 1.0)
    turning = 2 * inertia_w * 11.0 / radius + 0.1 * 7.0**2 * 5.0 / radius
    expected = (car.mass_kg * radius * 6.0 + turning) / radius
    assert asked.mean() == pytest.approx(expected, rel=0.01)
    assert (felt[rows] + made._spinning_up[rows]).mean() / radius < 0.95 * expected
