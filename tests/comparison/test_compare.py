"""Compare simulated runs whose change is known. The simulator's tyre is another formula than the fit's."""

import json

import pytest

from analyzer.cli.main import main
from analyzer.comparison.compare import compare
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.parameters import LockParameters
from analyzer.simulation.session import simulate_session
from analyzer.vehicle.car import load_car

CAR = """[car]
mass_kg = 1050
wheelbase_m = 2.4
front_weight_fraction = 0.46
cg_height_m = 0.46
front_track_m = 1.43
rear_track_m = 1.45
front_rolling_radius_m = 0.30
rear_rolling_radius_m = 0.30
steering_ratio = 14
"""
PRELOAD_BEFORE_Nm, PRELOAD_AFTER_Nm = 60.0, 180.0
DRIVE_SLOPE_BEFORE, DRIVE_SLOPE_AFTER = 0.15, 0.40


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Folder with a car and four runs: the same setup twice, more preload, steeper drive ramps."""
    folder = tmp_path_factory.mktemp("runs")
    (folder / "car.toml").write_text(CAR)
    car = load_car(folder / "car.toml")
    runs = {
        "base": (PRELOAD_BEFORE_Nm, DRIVE_SLOPE_BEFORE, 11),
        "again": (PRELOAD_BEFORE_Nm, DRIVE_SLOPE_BEFORE, 12),
        "preload": (PRELOAD_AFTER_Nm, DRIVE_SLOPE_BEFORE, 13),
        "ramps": (PRELOAD_BEFORE_Nm, DRIVE_SLOPE_AFTER, 14),
    }
    for name, (preload, slope, seed) in runs.items():
        lock = LockParameters(
            preload_Nm=preload, drive_slope=slope, drive_hold_Nm=30.0, coast_slope=0.1, coast_hold_Nm=50.0
        )
        session = simulate_session(car=car, lock=lock, circuit=demo_circuit(), laps=3, seed=seed)
        session.log.to_parquet(folder / f"{name}.parquet")
    return folder


def compared(files, after):
    return compare(before=[files / "base.parquet"], after=[files / f"{after}.parquet"], car_path=files / "car.toml")


def holds(interval, truth):
    return interval.lower <= truth <= interval.upper


def test_more_preload_is_seen_on_the_preload_side_only(files):
    result = compared(files, "preload")
    change = result.change["preload_Nm"]
    assert holds(change, PRELOAD_AFTER_Nm - PRELOAD_BEFORE_Nm)
    assert change.value == pytest.approx(PRELOAD_AFTER_Nm - PRELOAD_BEFORE_Nm, rel=0.35)
    assert result.sides["preload"].verdict == "stronger"
    assert result.sides["drive"].verdict in ("no_change", "cannot_tell")


def test_steeper_ramps_are_seen_on_drive_only(files):
    result = compared(files, "ramps")
    change = result.change["drive_slope"]
    assert holds(change, DRIVE_SLOPE_AFTER - DRIVE_SLOPE_BEFORE)
    assert change.lower > 0
    assert result.sides["drive"].verdict == "stronger"
    assert result.sides["preload"].verdict in ("no_change", "cannot_tell")


def test_the_same_setup_twice_has_not_changed(files):
    result = compared(files, "again")
    assert holds(result.change["preload_Nm"], 0.0)
    assert holds(result.change["drive_slope"], 0.0)
    assert {side.verdict for side in result.sides.values()} <= {"no_change", "cannot_tell"}


def test_the_interval_of_a_change_is_narrower_than_those_of_its_curves(files):
    result = compared(files, "again")
    own = [r.analysis.lock_curve.parameters["preload_Nm"] for r in result.runs]
    independent = sum((i.upper - i.lower) ** 2 for i in own) ** 0.5
    change = result.change["preload_Nm"]
    assert change.upper - change.lower < 0.6 * independent


def test_json_by_the_contract(files, capsys):
    status = main(
        ["compare", "--before", str(files / "base.parquet"), "--after", str(files / "preload.parquet"),
         "--car", str(files / "car.toml"), "--json", "-"]
    )  # fmt: skip
    assert status == 0
    result = json.loads(capsys.readouterr().out)
    assert result["schema"] == 1
    assert result["before"]["logs"] == ["base.parquet"]
    assert set(result["change"]) == {"preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope"}
    assert result["predicted_change"]["preload_Nm"] is None
    assert set(result["verdict"]) == {"preload", "drive", "coast"}


def test_one_setup_file_alone_is_refused(files, capsys):
    run = str(files / "base.parquet")
    status = main(
        ["compare", "--before", run, "--after", run, "--car", str(files / "car.toml"), "--before-setup", "x.toml"]
    )
    assert status == 2
    assert "give both" in capsys.readouterr().err
