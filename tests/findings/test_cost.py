"""What spins are said to have cost. The least cost shown was chosen on sessions 3 to 8; this is another one."""

from dataclasses import replace

import numpy as np
import pytest
from findings.cost import holding, lost_and_said

from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.pipeline import analyze
from analyzer.presentation.finding_words import LEAST_COST_S
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.simulated_car import LockParameters
from analyzer.simulation.simulated_session import simulate_session, write_table
from analyzer.vehicle.car import load_car
from sample_logs.make import FOLDER

SESSION = 9


@pytest.mark.parametrize("drive_slope", [0.13, 0.05])
def test_what_spins_cost_is_what_the_same_laps_without_them_save(tmp_path, drive_slope):
    car = load_car(FOLDER / "club_car.toml")
    sample = LockParameters.from_prediction(predict_lock_curve(load_setup(FOLDER / "baseline.setup.toml")))
    own = replace(sample, drive_slope=drive_slope)
    session, held = (
        simulate_session(car=car, lock=lock, circuit=demo_circuit(), laps=4, seed=SESSION)
        for lock in (own, holding(own))
    )
    write_table(session.log, tmp_path / "log.parquet")
    analysis = analyze(log_path=[tmp_path / "log.parquet"], car_path=FOLDER / "club_car.toml")
    true_s, said_s = lost_and_said(session, held, analysis).T
    told = said_s >= LEAST_COST_S
    assert told.sum() > 8 and (~told).sum() > 8
    # sessions 3 to 8: 0.017 s of scatter, sums 0.9 to 1.3 of the truth
    assert np.sqrt(np.mean((said_s - true_s)[told] ** 2)) < 1.5 * 0.02
    assert 0.75 < said_s[told].sum() / true_s[told].sum() < 1.45
    assert np.corrcoef(true_s, said_s)[0, 1] > 0.8
    # those whose cost is not shown cost next to nothing
    assert true_s[~told].mean() < 0.015
