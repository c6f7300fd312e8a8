"""Makes the sample logs anew: `python -m sample_logs.make`. Every log is invented; the truth is not kept."""

from dataclasses import dataclass
from pathlib import Path

from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.parameters import LockParameters
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.session import simulate_session
from analyzer.simulation.write import write_table
from analyzer.vehicle.car import load_car

FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Sample:
    """One log: its file, the setup that the car ran, and what the logger recorded."""

    file: str
    setup: str
    seed: int
    sensors: Sensors


SAMPLES = (
    Sample("baseline.parquet", "baseline.setup.toml", 11, Sensors()),
    Sample("stiffer_cone.csv.gz", "stiffer_cone.setup.toml", 12, Sensors(position=False, diff_temperature=False)),
    Sample("steeper_ramps.parquet", "steeper_ramps.setup.toml", 13, Sensors(lap=False)),
    Sample("baseline_minimum.csv", "baseline.setup.toml", 11, Sensors(rate_Hz=50.0, channels="minimum")),
)
LAPS = 4


def make(folder: Path = FOLDER) -> None:
    """Simulate every sample and write it to `folder`."""
    car, circuit = load_car(FOLDER / "club_car.toml"), demo_circuit()
    for sample in SAMPLES:
        curve = predict_lock_curve(load_setup(FOLDER / sample.setup))
        session = simulate_session(
            car=car,
            lock=LockParameters.from_prediction(curve),
            circuit=circuit,
            laps=LAPS,
            seed=sample.seed,
            sensors=sample.sensors,
        )
        write_table(session.log, folder / sample.file)


if __name__ == "__main__":
    make()
