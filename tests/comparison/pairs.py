"""Simulated pairs of runs, and how often `compare` is right about them. All figures are invented.

    PYTHONPATH=tests python -m comparison.pairs [COUNT [FIRST]]

prints, by kind of change, how often each side is said to have changed or not, how often its 95 % interval holds the
truth, and the spread of the errors over their stated standard deviation. 4 laps a run, cars of 760 to 1500 kg, loggers
of 50 to 200 Hz; the tyre is of another form than the fitted one, and the car file is wrong by about its stated
uncertainty. `ramps` are steeper drive ramps with the same ring springs, which then begin to clamp sooner; `rings` are
other ring springs, and `compare` is told so.
"""

import sys
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from accuracy.cases import analysed, random_body, random_lock, random_tyre

from analyzer.analysis import Analysis
from analyzer.comparison.compared_runs import Run
from analyzer.comparison.comparison import Comparison, compare_runs
from analyzer.comparison.sides import level_Nm
from analyzer.errors import InputError
from analyzer.lockcurve import model
from analyzer.simulation.circuit import demo_circuit, generated_circuit
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters, SimTyre
from analyzer.simulation.simulated_session import simulate_session
from analyzer.vehicle.car import Car

LAPS = 4
PRELOAD_FACTOR = 1.4
RING_SPRINGS_Nm = 50.0  # of hold-off, on 1180 kg


def changed(lock: LockParameters, kind: str, size: float) -> LockParameters:
    """The differential after a change of `kind`; `size` is the car's mass over 1180 kg."""
    match kind:
        case "preload":
            return replace(lock, preload_Nm=PRELOAD_FACTOR * lock.preload_Nm)
        case "slope":
            return replace(lock, drive_slope=1.4 * lock.drive_slope)
        case "ramps":
            return replace(lock, drive_slope=1.6 * lock.drive_slope, drive_hold_Nm=lock.drive_hold_Nm / 1.6)
        case "coast":
            return replace(lock, coast_slope=lock.coast_slope + 0.12)
        case "rings":
            more = RING_SPRINGS_Nm * size
            return replace(lock, drive_hold_Nm=lock.drive_hold_Nm + more, coast_hold_Nm=lock.coast_hold_Nm + more)
        case "before" | "same":  # another drive, with other sensor errors
            return lock
        case _:
            raise ValueError(f"no change of kind {kind!r}")


KINDS = ("same", "preload", "slope", "ramps", "coast", "rings")


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
        """An analysed run, `before` or after a change of `kind`."""
        lock = changed(self.lock, kind, self.car.mass_kg / 1180)
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
        front_track_m=1.45,
        rear_track_m=1.46,
        front_rolling_radius_m=0.30,
        rear_rolling_radius_m=0.31,
        steering_ratio=14,
        **random_body(rng),
    )
    lock = random_lock(rng, size, least_preload_Nm=60, steepest=0.45)
    tyre = random_tyre(rng, reference_load_N=2600 * size)
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


def compared(pair: Pairing, kinds: tuple[str, ...] = ("same", "preload")) -> dict[str, Comparison]:
    """The run before against a run of each kind."""
    before = Run(analysis=pair.run("before"), side=0)
    return {
        kind: compare_runs([before, Run(analysis=pair.run(kind), side=1)], ring_springs_changed=kind == "rings")
        for kind in kinds
    }


def false_alarm(comparison: Comparison, *, changed: tuple[str, ...] = ()) -> bool:
    """Whether a side that did not change is said to have."""
    return any(c.verdict in ("stronger", "weaker") for side, c in comparison.sides.items() if side not in changed)


def errors(pair: Pairing, kind: str, comparison: Comparison) -> pd.DataFrame:
    """A row a figure that has a change: whether the interval holds the truth, the error in standard deviations, and the
    verdict of a side."""
    locks = [changed(pair.lock, k, pair.car.mass_kg / 1180) for k in ("before", kind)]
    curves = np.array([[getattr(lock, name) for name in model.NAMES] for lock in locks])
    draws, rows = comparison.joint.draws[:, 1] - comparison.joint.draws[:, 0], []
    for name, change in comparison.change.items():
        if change.value is not None:
            i = model.NAMES.index(name)
            rows.append((name, change, curves[1, i] - curves[0, i], draws[:, i].std(), ""))
    for side, found in comparison.sides.items():
        if found.change_Nm.value is not None:
            levels = level_Nm(side, curves, found.torque_Nm)
            rows.append((side, found.change_Nm, levels[1] - levels[0], found.standard_error_Nm, found.verdict))
    return pd.DataFrame(
        [
            {"kind": kind, "of": of, "held": c.lower <= true <= c.upper, "z": (c.value - true) / sd, "verdict": verdict}
            for of, c, true, sd, verdict in rows
        ]
    )


def main(count: int, first: int) -> None:
    """Print the rates by kind and figure."""
    found, alarms = [], []
    for number in range(first, first + count):
        pair = pairing(number)
        try:
            comparisons = compared(pair, KINDS)
        except InputError as error:  # a car that nobody could keep on the circuit
            print(f"{number}: left out, {error}", flush=True)
            continue
        alarms.append(false_alarm(comparisons["same"]))
        found += [errors(pair, kind, comparison) for kind, comparison in comparisons.items()]
        print(f"{number}: {pair.car.mass_kg:4.0f} kg", flush=True)
    print(f"{len(alarms)} pairs: false alarms in {100 * np.mean(alarms):.0f} %")
    for (kind, of), rows in pd.concat(found).groupby(["kind", "of"], sort=False):
        said = rows["verdict"].value_counts(normalize=True)
        verdicts = ", ".join(f"{word} {100 * share:.0f} %" for word, share in said.items() if word)
        print(
            f"{kind:8} {of:14} interval holds the truth {100 * rows['held'].mean():3.0f} %, "
            f"error over its sd: mean {rows['z'].mean():+.2f}, spread {rows['z'].std():.2f}  {verdicts}"
        )


if __name__ == "__main__":
    main(*(int(a) for a in (sys.argv[1:] + ["50", "0"][len(sys.argv) - 1 :])))
