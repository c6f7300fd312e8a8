"""Findings on simulated sessions with known truth; the whole table: `PYTHONPATH=tests python -m findings.sessions`."""

from dataclasses import replace

import pytest
from accuracy.cases import LIGHT, STIFF, Case, analysed
from findings.sessions import Score, drive, score

from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.simulated_car import Driver, LockParameters
from analyzer.simulation.simulated_session import simulate_session

FULL, MINIMUM = (1, 8, 9, 12), (3, 18)


@pytest.fixture(scope="module")
def scores(tmp_path_factory):
    folder = tmp_path_factory.mktemp("sessions")
    found = {}
    for name, seeds in (("full", FULL), ("minimum", MINIMUM)):
        spin, understeer = Score(), Score()
        for seed in seeds:
            score(seed, folder, spin, understeer)
        found[name] = spin, understeer
    return found


@pytest.mark.parametrize("channels", ["full", "minimum"])
def test_inside_spins_are_found_and_none_is_invented(scores, channels):
    spin, _ = scores[channels]
    assert spin.clear >= 3  # else this says nothing
    assert spin.caught >= 0.9 * spin.clear
    assert spin.near >= 0.95 * spin.found


@pytest.mark.parametrize(("channels", "least_true", "least_found"), [("full", 0.9, 0.5), ("minimum", 0.75, 0.5)])
def test_coast_understeer_has_a_moment_behind_it(scores, channels, least_true, least_found):
    _, understeer = scores[channels]
    assert understeer.clear >= 10 and understeer.found >= 10
    assert understeer.near >= least_true * understeer.found
    assert understeer.caught >= least_found * understeer.clear


@pytest.mark.parametrize("seed", [0, 3])
def test_a_car_without_coast_locking_has_no_coast_understeer(seed, tmp_path):
    """Drivers 0 and 3 coast into every corner; 3 has the minimum channels."""
    case, session = drive(seed, lock=LockParameters(kind="open"))
    analysis = analysed(session.log, case.car, tmp_path)
    held = [f for f in analysis.findings if f.kind == "coast_understeer" and f.evidence.of_the_differential]
    assert held == []


@pytest.mark.parametrize(("throttle_rate", "slope", "snaps"), [(12.0, 0.8, True), (3.0, 0.3, False)])
def test_steep_ramps_under_a_stabbed_throttle_snap_and_flat_ones_under_a_smooth_foot_do_not(
    throttle_rate, slope, snaps, tmp_path
):
    case = Case(car=LIGHT, tyre=replace(STIFF, reference_load_N=2000.0))
    session = simulate_session(
        car=LIGHT,
        lock=LockParameters(preload_Nm=0.0, drive_slope=slope, coast_slope=0.0),
        circuit=demo_circuit(),
        laps=3,
        seed=0,
        tyre=case.tyre,
        driver=Driver(throttle_rate_per_s=throttle_rate),
    )
    found = [f for f in analysed(session.log, LIGHT, tmp_path).findings if f.kind == "lock_up_snap"]
    # ten seeds: none of the smooth foot's in any, 7 to 9 of the steep ramps' in each
    assert len(found) >= 4 if snaps else not found
