"""The engine's inertia from a log: planted engines, T/G = T_e(w, p) - J dw/dt (Newton's law about the crank)."""

from types import SimpleNamespace

import numpy as np
import pytest
from made_analysis import made_car

from analyzer.findings import engine_inertia as module
from analyzer.findings.counterfactual import Judge
from analyzer.findings.engine_inertia import FLOOR, driven_rows, engine_inertia
from analyzer.vehicle.car import ENGINE_INERTIA_SD

STEP_S, USUAL, SD, ROWS = 0.05, 0.13, 0.35, 120
LOW, HIGH = 8.4, 5.0  # a second and a fourth gear


def weighed(error):
    """Standard deviation of the belief and a look at it with `error`, the floor included."""
    return (SD**-2 + 1 / (error**2 + FLOOR**2)) ** -0.5


def pull(ratio, *, inertia, spins=False, loses=0.0, throttle=1.0):
    """Rows of one pull: torque at the axle, ratio, engine speed and its change, throttle, whether the wheels grip.

    A car of 1100 kg on wheels of 0.31 m takes what the engine gives (dw/dt = T G / (m R^2)); a spinning wheel takes the
    engine up and down again, faster than the car."""
    speed = np.linspace(450.0, 700.0, ROWS)
    if spins:
        gain = 500.0 * np.sin(np.linspace(0, 2 * np.pi, ROWS))
        speed = 600.0 + np.cumsum(gain) * STEP_S / 4
    given = (260.0 - 0.1 * (speed - 450.0)) * throttle - 40.0 * (1 - throttle)
    if not spins:
        gain = given * ratio**2 / (1100 * 0.31**2)
    torque = ((1 - loses) * given - inertia * gain) * ratio
    return torque, np.full(ROWS, ratio), speed, gain, np.full(ROWS, throttle), np.full(ROWS, not spins)


def read(*pulls, belief=SD):
    torque, ratio, speed, gain, throttle, grips = (np.concatenate(parts) for parts in zip(*pulls, strict=True))
    return engine_inertia(
        torque_Nm=torque,
        ratio=ratio,
        speed_rad_s=speed,
        gain_rad_s2=gain,
        throttle=throttle,
        driven=np.ones(len(torque), bool),
        grips=grips,
        step_s=STEP_S,
        believed=(USUAL, belief),
    )


@pytest.mark.parametrize("inertia", [0.06, 0.13, 0.2])
def test_with_one_gear_and_no_spin_the_belief_stands(inertia):
    """dw/dt then hangs on w alone, as T_e does."""
    share, sd = read(pull(LOW, inertia=inertia), pull(LOW, inertia=inertia))
    assert share == pytest.approx(1.0, abs=0.02) and sd == pytest.approx(SD, rel=0.02)


@pytest.mark.parametrize("throttle", [1.0, 0.7])
@pytest.mark.parametrize("share", [0.0, 0.6, 1.5])
def test_a_wheel_that_spins_up_shows_the_engine(share, throttle):
    made = dict(inertia=share * USUAL, throttle=throttle)
    found, sd = read(pull(LOW, **made), pull(LOW, **made), pull(LOW, **made, spins=True))
    assert sd == pytest.approx(weighed(0.0), rel=0.1)
    believes = (sd / SD) ** 2  # what the belief still counts
    assert found == pytest.approx(share + believes * (1 - share), abs=0.05)


def test_an_engine_that_is_stated_counts_for_as_much_as_it_is_known():
    pulls = [pull(LOW, inertia=0.6 * USUAL), pull(LOW, inertia=0.6 * USUAL), pull(LOW, inertia=0.6 * USUAL, spins=True)]
    found, sd = read(*pulls, belief=0.05)
    assert found == pytest.approx(1 - 0.4 * 0.05**2 / (0.05**2 + FLOOR**2), abs=0.02) and sd < 0.05


@pytest.mark.parametrize("share", [0.5, 1.5])
def test_two_gears_show_it_as_far_as_they_lose_the_same(share, monkeypatch):
    pulls = [pull(ratio, inertia=share * USUAL) for ratio in (LOW, HIGH)]
    found, sd = read(*pulls)
    # derived: gears' losses apart by sqrt(2) of GEAR_SD over what the inertia takes more in the lower gear
    apart = USUAL * (LOW**2 - HIGH**2) / (1100 * 0.31**2)
    assert sd == pytest.approx(weighed(np.sqrt(2) * module.GEAR_SD / apart), rel=0.15)
    assert abs(found - share) < 1.5 * sd and abs(found - share) < abs(1 - share)
    monkeypatch.setattr(module, "GEAR_SD", 1e-5)
    monkeypatch.setattr(module, "FLOOR", 0.0)
    assert read(*pulls)[0] == pytest.approx(share, abs=0.1)


def test_a_gear_that_loses_more_is_no_inertia():
    lossy = read(pull(LOW, inertia=USUAL, loses=0.01), pull(HIGH, inertia=USUAL))
    assert abs(lossy[0] - 1) < lossy[1]
    pulls = [pull(LOW, inertia=USUAL, loses=0.01) for _ in range(2)]
    share, _ = read(*pulls, pull(LOW, inertia=USUAL, spins=True, loses=0.01))
    assert share == pytest.approx(1.0, abs=0.03)  # in one gear it is part of T_e


def test_a_wheel_that_meets_the_limiter_shows_nothing():
    """The limiter holds it at 720 rad/s and takes most of the torque; wheels that grip are shifted up at 700."""
    quiet = pull(LOW, inertia=USUAL)
    _, ratio, speed, _, throttle, grips = pull(LOW, inertia=USUAL, spins=True)
    held = np.minimum(speed, 720.0)
    gain = np.gradient(held, STEP_S / 4)
    given = np.where(speed > 720.0, 0.3, 1.0) * (260.0 - 0.1 * (held - 450.0))
    share, _ = read(quiet, quiet, ((given - USUAL * gain) * ratio, ratio, held, gain, throttle, grips))
    assert share == pytest.approx(1.0, abs=0.01)


def test_too_little_grip_says_nothing():
    few = tuple(part[:30] for part in pull(LOW, inertia=0.0))
    assert read(few, pull(LOW, inertia=0.0, spins=True)) == (1.0, SD)


def test_an_engine_that_follows_the_throttle_late_is_no_inertia():
    """Torque of a pedal a tenth of a second ago, which falls while a spin ends."""
    grip = [pull(ratio, inertia=USUAL, throttle=p) for ratio in (LOW, HIGH) for p in (0.6, 0.8, 1.0)]
    _, ratio, speed, gain, _, grips = pull(LOW, inertia=USUAL, spins=True)
    pedal = np.interp(np.arange(ROWS), [0, 40, 80, ROWS], [1.0, 1.0, 0.6, 0.6])
    late = np.interp(np.arange(ROWS) - 0.1 / STEP_S, np.arange(ROWS), pedal)
    given = (260.0 - 0.1 * (speed - 450.0)) * late - 40.0 * (1 - late)
    spin = ((given - USUAL * gain) * ratio, ratio, speed, gain, pedal, grips)
    share, sd = read(*grip, spin)
    assert share == pytest.approx(1.0, abs=sd)


def test_rows_are_driven_where_the_throttle_stays_open_in_one_gear():
    rate, count = 100.0, 600
    throttle = np.ones(count)
    throttle[100:120] = 0.3
    index = np.arange(0, count, 5)
    ratio = np.where(index < 300, LOW, HIGH)
    ratio[index > 500] = np.nan
    driven = driven_rows(throttle=throttle, rate_hz=rate, index=index, ratio=ratio, step_s=STEP_S)
    at = lambda sample: bool(driven[sample // 5])  # noqa: E731
    assert at(80) and not at(90) and not at(130) and at(140)
    assert at(250) and not at(270) and not at(330) and at(350)
    assert at(450) and not at(470) and not at(550)


def judged(share, *, engine_logged=True):
    """A judge of a log of three pulls, one of them with a spin, `share` of the usual inertia planted."""
    car = made_car()
    inertia = share * car.engine_inertia(ratio_logged=True)[0]
    pulls = [pull(LOW, inertia=inertia, spins=spins) for spins in (False, False, True)]
    torque, ratio, speed, gain, _, grips = (np.concatenate(parts) for parts in zip(*pulls, strict=True))
    radius, count, every = car.rear_rolling_radius_m, len(torque), 5
    wheels, gains = radius * speed / ratio, radius * gain / ratio
    inputs = SimpleNamespace(
        left_m_s=wheels, right_m_s=wheels, left_acc_m_s2=gains, right_acc_m_s2=gains, long_m_s2=0 * gains
    )
    observed = SimpleNamespace(index=every * np.arange(count), inputs=inputs, usable=np.ones(count, bool))
    fine = lambda x: np.repeat(x, every)  # noqa: E731
    time = np.arange(every * count) * STEP_S / every
    signals = SimpleNamespace(
        rate_hz=every / STEP_S, throttle=np.ones(len(time)), time_s=time, speed_m_s=fine(wheels), braking=time < 0
    )
    use = np.where(fine(grips), 0.5, 1.5)
    axle = SimpleNamespace(input_torque_Nm=fine(torque), use_left=use, use_right=np.full(len(time), 0.5))
    engine = (time, fine(speed)) if engine_logged else None
    return Judge(None, None, observed, signals, axle, car, engine=engine)


@pytest.mark.parametrize("share", [0.5, 1.4])
def test_a_log_with_the_engines_speed_says_it_of_its_spins(share):
    found, sd = judged(share)._inertia()
    assert abs(found - share) < 1.5 * sd and sd == pytest.approx(weighed(0.0), rel=0.1)


def test_without_the_engines_speed_torque_that_does_not_follow_the_throttle_leaves_the_belief():
    without = judged(0.5, engine_logged=False)
    wavers = 1 + 0.05 * np.random.default_rng(3).standard_normal(len(without.axle.input_torque_Nm))
    without.axle.input_torque_Nm = without.axle.input_torque_Nm * wavers
    assert without._inertia() == (1.0, ENGINE_INERTIA_SD)
