"""Short simulated sessions and their answers, each made once per test session."""

import pytest
from accuracy.cases import Case, analysed

from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters


@pytest.fixture(scope="session")
def answer(tmp_path_factory):
    """(case, session, analysis) of the club car with a differential, three laps."""
    made: dict[str, tuple] = {}

    def get(kind: str):
        if kind not in made:
            case = Case(
                lock=LockParameters(kind=kind if kind in ("open", "spool") else "plate"),
                sensors=Sensors(channels="minimum") if kind == "minimum" else Sensors(),
            )
            session = case.drive()
            made[kind] = case, session, analysed(session.log, case.car, tmp_path_factory.mktemp(kind))
        return made[kind]

    return get


CAR_TOML = """[car]
name = "invented car"
mass_kg = 1180
wheelbase_m = 2.42
front_weight_fraction = 0.46
cg_height_m = 0.47
front_track_m = 1.45
rear_track_m = 1.47
front_rolling_radius_m = 0.312
rear_rolling_radius_m = 0.312
steering_ratio = 14.5
rear_load_transfer_fraction = 0.46
"""


@pytest.fixture(scope="session")
def short_log():
    """Two laps of the club car as a table."""
    return Case(laps=2).drive().log


@pytest.fixture
def car_file(tmp_path):
    path = tmp_path / "car.toml"
    path.write_text(CAR_TOML)
    return path
