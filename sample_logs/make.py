"""Makes the sample logs anew: `python -m sample_logs.make`. Every log is invented; the truth is not kept."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.simulation import driver_plan
from analyzer.simulation.circuit import demo_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters, SimTyre
from analyzer.simulation.simulated_session import simulate_session, write_table
from analyzer.vehicle.car import load_car

FOLDER = Path(__file__).parent


@dataclass(frozen=True)
class Sample:
    """One log: its file, the setup that the car ran, and what the logger recorded."""

    file: str
    setup: str
    seed: int
    sensors: Sensors
    manoeuvre: driver_plan.Name = "laps"


SAMPLES = (
    Sample("baseline.parquet", "baseline.setup.toml", 11, Sensors()),
    Sample("stiffer_cone.csv.gz", "stiffer_cone.setup.toml", 12, Sensors(position=False, diff_temperature=False)),
    Sample("steeper_ramps.parquet", "steeper_ramps.setup.toml", 13, Sensors(lap=False)),
    Sample("baseline_minimum.csv", "baseline.setup.toml", 11, Sensors(rate_Hz=50.0, channels="minimum")),
    Sample("baseline_circles.parquet", "baseline.setup.toml", 14, Sensors(), manoeuvre="circles"),
)
LAPS = 4
# every tyre rolls on a smaller radius under load: by 0.2 to 0.55 % in published tyre files
TYRE = SimTyre(radius_fall_percent=0.3)
# The bench: half the preload that the baseline's packs hold, as `Breakaway.locking_torque_Nm` says of one held wheel,
# read with an error of this standard deviation to the nearest half newton metre.
BENCH_SEED, BENCH_ERROR, BENCH_STEP_Nm = 14, 0.08, 0.5
BENCH = """
[differential.breakaway]   # turned by hand after the session, warm: the other wheel held, the case free
torque_Nm = {torque_Nm:g}
method = "one_wheel_held"
state = "turning_warm"
"""


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
            tyre=TYRE,
            sensors=sample.sensors,
            manoeuvre=sample.manoeuvre,
        )
        write_table(session.log, folder / sample.file)
    setup = FOLDER / "baseline.setup.toml"
    error = 1 + BENCH_ERROR * float(np.random.default_rng(BENCH_SEED).standard_normal())
    preload_Nm = predict_lock_curve(load_setup(setup)).preload_Nm
    if preload_Nm is None:
        raise ValueError(f"{setup.name}: the sample has no preload; give it cone springs.")
    reading = BENCH_STEP_Nm * round(preload_Nm / 2 * error / BENCH_STEP_Nm)
    text = setup.read_text("utf-8").replace("# As the car came to the test.", "# As baseline, with a bench reading.")
    (folder / "baseline_bench.setup.toml").write_text(text + BENCH.format(torque_Nm=reading), encoding="utf-8")


if __name__ == "__main__":
    make()
