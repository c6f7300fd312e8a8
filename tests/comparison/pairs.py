"""Simulated pairs of runs, and how often `compare` is right about them. All figures are invented.

    PYTHONPATH=tests python -m comparison.pairs [COUNT [FIRST]]

prints a line a pair, then how often a pair without a change is said to have changed (false alarm), and how often a
preload 40 % up is said to be up (power). 4 laps a run, cars of 760 to 1500 kg, loggers of 50 to 200 Hz; the tyre is of
another form than the fitted one, and the car file is wrong by about its stated uncertainty.
"""

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from accuracy.cases import analysed

from analyzer.analysis import Analysis
from analyzer.comparison.compare import Comparison, compare_runs
from analyzer.comparison.runs import Run
from analyzer.errors import InputError
from analyzer.simulation.circuit import demo_circuit, generated_circuit
from analyzer.simulation.parameters import LockParameters, SimTyre
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.session import simulate_session
from analyzer.vehicle.car import Car

LAPS = 4
KINDS = ("same", "preload")
PRELOAD_FACTOR = 1.4


@dataclass(frozen=True)
class Pairing:
    """One car with its differential before, as it truly is, and the car file that is given to `compare`."""

    car: Car
    car_file: Car
    lock: LockParameters
    tyre: SimTyre
    sensors: Sensors
    number: int

    def run(self, kind: str, laps: int = LAPS) -> Analysis:
        """An analysed run: `before`, `same` (again, another drive and sensor errors) or `preload` (40 % up)."""
        lock = self.lock
        if kind == "preload":
            lock = replace(lock, preload_Nm=PRELOAD_FACTOR * lock.preload_Nm)
        session = simulate_session(
            car=self.car,
            lock=lock,
            circuit=generated_circuit(self.number % 7) if self.number % 3 else demo_circuit(),
            laps=laps,
            seed=1000 * self.number + ("before", *KINDS).index(kind),
            tyre=self.tyre,
            sensors=self.sensors,
        )
        with tempfile.TemporaryDirectory() as folder:
            return analysed(session.log, self.car_file, Path(folder))


def pairing(number: int) -> Pairing:
    """The `number`-th invented car."""
    rng = np.random.default_rng(4_000_000 + number)
    mass = float(rng.uniform(760, 1500))
    size = mass / 1180
    car = Car(
        mass_kg=mass,
        wheelbase_m=rng.uniform(2.3, 2.7),
        front_weight_fraction=rng.uniform(0.40, 0.52),
        cg_height_m=rng.uniform(0.38, 0.52),
        front_track_m=1.45,
        rear_track_m=1.46,
        front_rolling_radius_m=0.30,
        rear_rolling_radius_m=0.31,
        steering_ratio=14,
        rear_load_transfer_fraction=rng.uniform(0.38, 0.52),
        downforce_area_m2=0.1,
    )
    lock = LockParameters(
        preload_Nm=size * rng.uniform(60, 180),
        drive_slope=rng.uniform(0.10, 0.45),
        drive_hold_Nm=size * rng.uniform(0, 80),
        coast_slope=rng.uniform(0.0, 0.25),
        coast_hold_Nm=size * rng.uniform(0, 100),
    )
    tyre = SimTyre(
        friction_x=rng.uniform(1.15, 1.5),
        friction_y=rng.uniform(1.15, 1.45),
        slip_stiffness=rng.uniform(18, 32),
        cornering_stiffness_per_rad=rng.uniform(15, 26),
        shape_x=rng.uniform(1.35, 1.6),
        friction_load_sensitivity=rng.uniform(0.06, 0.16),
        stiffness_load_sensitivity=rng.uniform(0.05, 0.2),
        reference_load_N=2600 * size,
    )
    sensors = Sensors(
        rate_Hz=float(rng.choice([50, 100, 200])),
        teeth=int(rng.choice([36, 48, 60])),
        lap=bool(rng.random() < 0.7),
        position=bool(rng.random() < 0.7),
        roll_deg_per_g=rng.uniform(0, 2.5),
    )
    off = rng.standard_normal(6)
    car_file = car.model_copy(
        update={
            "mass_kg": car.mass_kg * (1 + 0.02 * off[0]),
            "cg_height_m": car.cg_height_m * np.exp(0.10 * off[1]),
            "rear_load_transfer_fraction": car.rear_load_transfer * np.exp(0.10 * off[2]),
            "drag_area_m2": car.drag_area_m2 * np.exp(0.15 * off[3]),
            "wheel_inertia_kg_m2": car.wheel_inertia_kg_m2 * np.exp(0.15 * off[4]),
            "downforce_area_m2": car.downforce_area_m2 * np.exp(0.30 * off[5]),
        }
    )
    return Pairing(car, car_file, lock, tyre, sensors, number)


def compared(pair: Pairing, kinds: tuple[str, ...] = KINDS) -> dict[str, Comparison]:
    """The run before against a run of each kind."""
    before = Run(analysis=pair.run("before"), side=0)
    return {kind: compare_runs([before, Run(analysis=pair.run(kind), side=1)]) for kind in kinds}


def false_alarm(comparison: Comparison, *, changed: tuple[str, ...] = ()) -> bool:
    """Whether a side that did not change is said to have."""
    return any(c.verdict in ("stronger", "weaker") for side, c in comparison.sides.items() if side not in changed)


def main(count: int, first: int) -> None:
    """Print every pair and the rates."""
    alarms, told, missed, inside = [], [], [], []
    for number in range(first, first + count):
        pair = pairing(number)
        try:
            found = compared(pair)
        except InputError as error:  # a car that nobody could keep on the circuit
            print(f"{number}: left out, {error}", flush=True)
            continue
        true = (PRELOAD_FACTOR - 1) * pair.lock.preload_Nm
        words = []
        for kind, comparison in found.items():
            change = comparison.sides["preload"].change_Nm
            verdicts = " ".join(f"{c.verdict:12}" for c in comparison.sides.values())
            words.append(f"{kind}: {change.value:+4.0f} ({change.lower:+5.0f} to {change.upper:+5.0f}) {verdicts}")
            inside.append(change.lower <= (true if kind == "preload" else 0.0) <= change.upper)
        alarms.append(false_alarm(found["same"]))
        told.append(found["preload"].sides["preload"].verdict == "stronger")
        missed.append(found["same"].sides["preload"].verdict == "no_change")
        print(f"{number}: {pair.car.mass_kg:4.0f} kg, true {true:+3.0f} | " + " | ".join(words), flush=True)
    print(
        f"{len(told)} pairs: false alarms {100 * np.mean(alarms):.0f} %, power {100 * np.mean(told):.0f} %, "
        f"no_change said of an unchanged preload {100 * np.mean(missed):.0f} %, "
        f"interval of the preload's change holds the truth {100 * np.mean(inside):.0f} %"
    )


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["50", "0"][len(sys.argv) - 1 :])))
