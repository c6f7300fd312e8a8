"""Chatter: planted tremble is found, noise, kerbs and spins are not, and a slow log says that it cannot see any."""

from dataclasses import replace

import numpy as np
import pytest
from accuracy.cases import LIGHT, analysed
from made_analysis import Made, made_car, made_signals_and_axle

from analyzer.findings.chatter import find_chatter
from analyzer.findings.rear_axle import rear_axle
from analyzer.presentation.words import chatter_words
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters, SimTyre
from analyzer.simulation.simulated_session import simulate_session

NOISE_M_S = 0.02
PLANTED_HZ, PLANTED_RAD_S = 12.0, 1.0


def session(*, rear: bool = False, front: bool = False):
    """A noisy logger; a tremble of 12 Hz planted through the middle of corner 1 in lap 2, on rear or on all wheels."""
    signals, axle, corners, laps = made_signals_and_axle(Made(spin_laps=()))
    rng = np.random.default_rng(3)
    wheels = signals.wheel_speed_m_s + rng.normal(0, NOISE_M_S, signals.wheel_speed_m_s.shape)
    corner = next(c for c in corners if (c.lap, c.number) == (2, 1))
    start = corner.start + int(0.42 * (corner.stop - corner.start))
    where = slice(start, start + int(1.2 * signals.rate_hz))
    tremble = (
        PLANTED_RAD_S / 2 * made_car().rear_rolling_radius_m * np.sin(2 * np.pi * PLANTED_HZ * signals.time_s[where])
    )
    for pair, planted in (((2, 3), rear), ((0, 1), front)):
        if planted:
            wheels[where, pair[0]] += tremble
            wheels[where, pair[1]] -= tremble
    return replace(signals, wheel_speed_m_s=wheels), axle, corners, laps, float(signals.time_s[start])


def chatter_of(signals, axle, corners):
    return find_chatter(rear_axle(signals, axle, made_car()), corners)


def found(made):
    signals, axle, corners, _, _ = made
    return chatter_of(signals, axle, corners)[1]


def test_a_planted_tremble_is_found_with_its_frequency_and_size():
    made = session(rear=True)
    events = found(made)
    assert [(f.lap, f.corner) for f in events] == [(2, 1)]
    event = events[0]
    assert event.start_s == pytest.approx(made[-1], abs=0.2)
    assert event.evidence.duration_s == pytest.approx(1.2, abs=0.3)
    assert event.evidence.frequency_Hz == pytest.approx(PLANTED_HZ, abs=0.8)
    # the root mean square of a sine of 1 rad/s is 1/sqrt(2) of it; the window smears its ends
    assert event.evidence.rms_rad_s == pytest.approx(PLANTED_RAD_S / np.sqrt(2), rel=0.2)
    run, _ = chatter_of(*made[:3])
    assert run.events == 1 and "chattered once" in chatter_words(run)


def test_noise_alone_and_a_kerb_that_shakes_all_wheels_are_silent():
    assert found(session()) == ()
    assert found(session(rear=True, front=True)) == ()
    run, _ = chatter_of(*session()[:3])
    assert run.events == 0 and run.rms_rad_s < 1.5 * run.background_rad_s


def test_a_log_too_slow_to_see_it_gives_nothing_and_the_reason():
    signals, axle, corners, *_ = session(rear=True)
    run, _ = chatter_of(replace(signals, rate_hz=20.0), axle, corners)
    assert run.events is None and run.rms_rad_s is None
    assert "20 Hz" in run.reason and "at least 31 Hz" in chatter_words(run)


@pytest.mark.parametrize(("static_ratio", "chatters"), [(2.0, True), (1.0, False)])
def test_packs_with_falling_friction_chatter_in_a_simulated_session_and_plain_ones_do_not(
    static_ratio, chatters, tmp_path
):
    simulated = simulate_session(
        car=LIGHT,
        lock=LockParameters(
            preload_Nm=150.0,
            drive_slope=0.2,
            static_ratio=static_ratio,
            falling_speed_rad_s=2.0,
            shaft_stiffness_Nm_rad=6000.0,
        ),
        circuit=demo_circuit(),
        laps=2,
        seed=5,
        tyre=SimTyre(reference_load_N=LIGHT.mass_kg * 9.81 / 4),
        sensors=Sensors(rate_Hz=100.0),
    )
    analysis = analysed(simulated.log, LIGHT, tmp_path)
    events = [f for f in analysis.findings if f.kind == "chatter"]
    assert len(events) >= 4 if chatters else events == []
    assert analysis.chatter.events == pytest.approx(len(events), abs=2)
    excess = analysis.chatter.rms_rad_s / analysis.chatter.background_rad_s
    assert excess > 1.3 if chatters else excess < 1.15
