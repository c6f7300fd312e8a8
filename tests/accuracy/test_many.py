"""The random sessions that the estimate is measured on: what they draw, and plain arithmetic on the errors."""

import numpy as np
import pytest
from accuracy.many import Off, off, on_bench, row
from accuracy.random_sessions import NUISANCES, PROTOCOLS, SHARE_OF_ALL, random_car, random_setup, simulate_random

from analyzer.differential.predicted import predict_lock_curve
from analyzer.simulation.nuisances import OPTIONS


def test_a_drawn_car_file_is_wrong_but_within_what_it_says():
    cars = [random_car(seed, "none") for seed in range(40)]
    for key, limit in (("mass_kg", 0.02), ("cg_height_m", 0.1), ("rear_load_transfer_fraction", 0.1)):
        wrong = np.array([getattr(c.file, key) / getattr(c.car, key) - 1 for c in cars])
        assert 0.7 * limit < np.abs(wrong).max() <= limit
        assert wrong.min() < 0 < wrong.max()
    assert {c.car.mass_kg for c in cars} == {760, 1000, 1180, 1500}
    assert random_car(0, "none").car == cars[0].car


def test_a_nuisance_changes_nothing_but_itself():
    plain = random_car(7, "none")
    assert plain.drawn == {}
    for name in NUISANCES:
        one = random_car(7, name)
        assert (one.car, one.file, one.circuit.name) == (plain.car, plain.file, plain.circuit.name)
        assert one.lock.preload_Nm == plain.lock.preload_Nm and one.tyre.friction_x == plain.tyre.friction_x
        for key, value in one.drawn.items():
            choice = OPTIONS[key]
            assert choice.low <= value <= choice.high and value != choice.default
    everything = [random_car(seed).drawn for seed in range(60)]
    assert {key for drawn in everything for key in drawn} >= set(OPTIONS)
    for key, name in (("hillside_percent", "hillside"), ("grip_step_percent", "grip_step")):
        assert np.mean([key in drawn for drawn in everything]) == pytest.approx(SHARE_OF_ALL[name], abs=0.2)
    assert all(("radius_fall_percent" in d) != ("radius_stiffness_N_mm" in d) for d in everything)
    with pytest.raises(ValueError, match="'rain' is no nuisance; allowed: all, none, radius"):
        random_car(1, "rain")


def test_the_setup_file_is_true_of_the_differential():
    # two codes for the same statics: the draw's own and the prediction's
    for seed in range(8):
        setup, lock = random_setup(np.random.default_rng(seed), size=0.5 + 0.2 * seed)
        torque = np.linspace(-1500, 2500, 41)
        assert predict_lock_curve(setup).locking_torque_Nm(torque) == pytest.approx(
            np.array([lock.locking_torque(t) for t in torque]), rel=1e-6
        )


def test_a_bench_reads_the_preload_where_paper_is_a_fifth_off():
    runs = [simulate_random(seed, "none", "laps", rate_Hz=50.0) for seed in (0, 1)]
    for run in runs:
        setup = on_bench(run)
        assert setup.breakaway.locking_torque_Nm == pytest.approx(run.lock.preload_Nm, rel=3 * 0.08)
        of_paper = setup.model_copy(update={"breakaway": None})
        off_by = predict_lock_curve(of_paper).preload_Nm / run.lock.preload_Nm
        assert min(abs(off_by - both) for both in (0.64, 0.96, 1.44)) < 1e-6


def test_protocols_put_slow_driving_beside_the_laps(tmp_path):
    run = simulate_random(2, "radius", "laps+circles", rate_Hz=50.0)
    assert [len(log) for log in run.logs] == [len(s.truth) for s in run.sessions] and len(run.logs) == 2
    joined = run.end_to_end
    steps = joined.log["time"].diff().dropna()
    assert (steps > 0).all() and (steps > 0.1).sum() == 1 and len(joined.log) == sum(map(len, run.logs))
    assert run.sessions[1].truth["vx"].max() < 20 < run.sessions[0].truth["vx"].max()
    paths = run.write(tmp_path)
    assert [p.name for p in paths] == ["laps.parquet", "circles.parquet"]
    from analyzer.differential.setup import load_setup
    from analyzer.vehicle.car import load_car

    assert load_car(tmp_path / "car.toml") == run.file
    assert load_setup(tmp_path / "setup.toml").cone_spring == run.setup.cone_spring
    assert set(PROTOCOLS) == {"laps", "laps+circles", "laps+slow"}


def test_a_row_leaves_out_what_was_not_measured():
    said = row("radius", [
        Off(0.10, 1.0, 0.5, 0.3, True, -0.2, True, False),
        Off(0.20, 0.9, 0.7, -0.4, False, None, None, True),
        Off(),
    ])  # fmt: skip
    cells = [cell.strip() for cell in said.strip("|").split("|")]
    assert cells == ["radius", "2 of 3", "15.0", "15.8", "95", "60", "-5", "35", "50", "-20", "100", "1 of 2"]
    assert row("none", [Off()]).count(" - ") == 9


@pytest.mark.slow
def test_one_session_comes_out_whole():
    run = simulate_random(1, "none")
    full, least = off(run), off(run, channels="minimum")
    assert full.lock < 0.4 and full.width < 2.0 and full.false_alarm is False
    assert least.lock is not None
