"""A car that pushes off the throttle: the advice asks for less lock, and a simulated run with it bears that out."""

import pytest
from advice.pairs import REAR_HEAVY_CAR, Pair, setup_toml, simulated, true_coast_moment_Nm

from analyzer.advice.advice import advise
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.presentation.advice_words import advice_answer, depends_on
from analyzer.simulation.simulated_car import LockParameters
from analyzer.vehicle.car import load_car

SETUP = setup_toml(name="too much preload", drive_deg=50, coast_deg=45, cone_N=8000)
SHELF = """[[parts.cone_spring]]
name = "soft"
force_N = 2000
[[parts.ramp_rings]]
name = "50/80"
drive_ramp_angle_deg = 50
coast_ramp_angle_deg = 80
[[parts.ramp_rings]]
name = "35/45"
drive_ramp_angle_deg = 35
coast_ramp_angle_deg = 45
"""


@pytest.fixture(scope="module")
def advised(tmp_path_factory):
    """Car, pair and the advice on two laps."""
    folder = tmp_path_factory.mktemp("less")
    for name, text in (("car", REAR_HEAVY_CAR), ("setup", SETUP), ("shelf", SHELF)):
        (folder / f"{name}.toml").write_text(text)
    car = load_car(folder / "car.toml")
    lock = LockParameters.from_prediction(predict_lock_curve(load_setup(folder / "setup.toml")))
    pair = Pair("pushes", REAR_HEAVY_CAR, lock, lock, power=1.5)
    simulated(pair, lock, car, 1, laps=2).log.to_parquet(folder / "log.parquet")
    advice = advise(
        log_paths=[folder / "log.parquet"],
        car_path=folder / "car.toml",
        setup_path=folder / "setup.toml",
        parts_path=folder / "shelf.toml",
        cures=("entry",),
    )
    return car, pair, advice


def test_less_lock_off_the_throttle_is_advised(advised):
    _, _, advice = advised
    assert advice.causes["entry"].advise
    assert advice.top[0].build.changes == {"cone_spring": "soft", "ramp_rings": "50/80"}
    for option in advice.top:
        assert option.change["coast_moment_Nm"].upper < 0
        assert option.build.changes.get("ramp_rings") != "35/45" or "cone_spring" in option.build.changes
    most = advice.top[0].outcome["inside_spin_s"].upper  # less lock can bring what the laps never showed
    assert most > 1.0 and f" {most:.1f}" in advice_answer(advice)
    assert "inside tyre" in depends_on(advice.top[0], advice)


def test_the_simulated_run_with_it_pushes_as_much_less(advised):
    car, pair, advice = advised
    said = advice.top[0].outcome["coast_moment_Nm"]
    run = simulated(pair, LockParameters.from_prediction(advice.top[0].build.curve), car, 1, laps=2)
    true = true_coast_moment_Nm(run, car)
    assert said.lower <= true <= said.upper
    # measured: 8 to 26 % on four seeds, for what the log itself shows there reads high on cars with little lock
    assert said.value == pytest.approx(true, rel=0.39)
    assert said.upper < 0.5 * advice.fitted.outcome["coast_moment_Nm"].value
