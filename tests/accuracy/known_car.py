"""`python -m tests.accuracy.known_car [CARS]`: what knowledge of a car is worth to its third run.

    python -m tests.accuracy.known_car 8                     laps alone in all three runs
    python -m tests.accuracy.known_car 8 --first laps+circles    slow circles once, in the first run
    python -m tests.accuracy.known_car 8 --report            on the seeds kept for reporting

A random car with all nuisances, its car file wrong within its limits. Each run is on a circuit of its own, with rubber
that differs by `RUBBER` from run to run, and the first two with another differential (more or less preload, other
ramps): nothing of that may be handed on. The third run is analysed alone and with the first two's knowledge.
"""

import argparse
import tempfile
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analyzer.analysis import Analysis
from analyzer.errors import CannotTell
from analyzer.knowledge.known_car import Knowledge
from analyzer.logs.read import read_log
from analyzer.logs.read_blocks import LogBlock
from analyzer.pipeline import analyze_sessions
from analyzer.signals.long_session import read_session
from analyzer.simulation.circuit import demo_circuit, generated_circuit
from analyzer.simulation.simulated_session import Session

from .cases import Case, Measured, measure
from .random_sessions import PROTOCOLS, RandomCar, random_car, with_seeds

RUNS = 3
RUBBER = {"friction": 0.03, "stiffness": 0.04}  # one standard deviation from run to run; common practice, no source
PROCESSES = 2


def days(seed: int, nuisances: str = "all") -> Iterator[RandomCar]:
    """The car as it is in each run."""
    car, rng = random_car(seed, nuisances), np.random.default_rng([seed, 77])
    for number in range(RUNS):
        circuit = demo_circuit() if rng.random() < 1 / 3 else generated_circuit(int(rng.integers(0, 40)))
        grip, stiffness = np.exp(rng.normal(0, list(RUBBER.values())))
        tyre = replace(
            car.tyre,
            friction_x=car.tyre.friction_x * grip,
            friction_y=car.tyre.friction_y * grip,
            slip_stiffness=car.tyre.slip_stiffness * stiffness,
            cornering_stiffness_per_rad=car.tyre.cornering_stiffness_per_rad * stiffness,
        )
        lock = car.lock
        if number < RUNS - 1:
            lock = replace(
                lock,
                preload_Nm=lock.preload_Nm * rng.uniform(0.6, 1.6),
                drive_slope=lock.drive_slope * rng.uniform(0.75, 1.3),
            )
        yield replace(
            car, circuit=circuit, tyre=tyre, lock=lock, road=replace(car.road, road_shape=RUNS * seed + number)
        )


def analysed(sessions: list[Session], car: RandomCar, folder: Path, knowledge: Knowledge | None = None) -> Analysis:
    """One run's logs, through files and their reader."""
    read = []
    for number, session in enumerate(sessions):
        path = folder / f"log{number}.parquet"
        session.log.to_parquet(path)
        read.append(read_session((LogBlock(lambda path=path: read_log(path)),), car=car.file))
    return analyze_sessions(sessions=read, car=car.file, knowledge=knowledge)


@dataclass(frozen=True)
class Worth:
    """The third run: without knowledge, with it, and whether the first two were used."""

    alone: Measured
    known: Measured
    used: int
    probability: float | None


def worth(task: tuple[int, str, str]) -> Worth | None:
    """Of two runs' knowledge to the third of car (seed, first protocol, nuisances); None where a run tells nothing."""
    seed, first, nuisances = task
    told = []
    try:
        for number, car in enumerate(days(seed, nuisances)):
            protocol = PROTOCOLS[first if number == 0 else "laps"]
            sessions = [car.drive(name, number=10 * number + k) for k, name in enumerate(protocol)]
            with tempfile.TemporaryDirectory() as folder:
                if number < RUNS - 1:
                    told.append(analysed(sessions, car, Path(folder)).told)
                    continue
                knowledge = Knowledge("random car", tuple(run for run in told if run is not None))
                found = analysed(sessions, car, Path(folder), knowledge)
    except CannotTell:
        return None
    if found.knowledge is None:
        return None
    case = Case(car=car.car, lock=car.lock, told=car.file)
    alone = replace(found, lock_curve=found.knowledge.alone)
    return Worth(
        alone=measure(case, sessions[0], alone),
        known=measure(case, sessions[0], found),
        used=len(found.knowledge.runs),
        probability=found.knowledge.probability,
    )


def main(argv: list[str] | None = None) -> None:
    """Print a row a car, and all together."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.known_car", description=__doc__.split("\n\n")[0])
    parser.add_argument("cars", nargs="?", type=int, default=8, help="how many (default %(default)s)")
    parser.add_argument("--first", choices=tuple(PROTOCOLS), default="laps", help="logs of the first run")
    parser.add_argument("--nuisances", default="all", choices=("all", "none"), help="(default %(default)s)")
    asked, first = with_seeds(parser, argv)
    print("| car | runs | curve off, alone % | known % | points inside, alone | known | width, alone % | known % |")
    print("|" + "---|" * 8, flush=True)
    rows = []
    with ProcessPoolExecutor(PROCESSES) as workers:
        cars = range(first, first + asked.cars)
        for seed, found in zip(
            cars, workers.map(worth, [(seed, asked.first, asked.nuisances) for seed in cars]), strict=True
        ):
            if found is None or found.alone.lock_error is None or found.known.lock_error is None:
                print(f"| {seed} | - |" + " - |" * 6, flush=True)
                continue
            row = [
                [getattr(one, name) for one in (found.alone, found.known)]
                for name in ("lock_error", "coverage", "width")
            ]
            rows.append(np.array(row, float))
            _print(str(seed), str(found.used), rows[-1])
    every = np.array(rows)
    summed = np.array([np.median(every[:, 0], axis=0), np.mean(every[:, 1], axis=0), np.median(every[:, 2], axis=0)])
    _print(f"median of {len(rows)} (inside: mean)", "", summed)


def _print(name: str, used: str, row: np.ndarray) -> None:
    (off, off_known), (inside, inside_known), (width, width_known) = row
    cells = [name, used, f"{100 * off:.1f}", f"{100 * off_known:.1f}", f"{inside:.2f}", f"{inside_known:.2f}"]
    print("| " + " | ".join([*cells, f"{100 * width:.0f}", f"{100 * width_known:.0f}"]) + " |", flush=True)


if __name__ == "__main__":
    main()
