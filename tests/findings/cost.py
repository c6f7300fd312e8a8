"""What spins are said to have cost, held against the same laps driven with an axle that holds.

`PYTHONPATH=tests python -m findings.cost [SESSIONS] [--report]` prints it for random cars with everything that real
cars do and wrong car files, which lock three times less than usual on drive; each as full and as minimum log.

The simulator knows the truth: the same driver on the same day with drive ramps nearly as good as a spool does not spin,
so what the way from the start of a spin to the next braking takes longer is what the spin cost.
"""

import argparse
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import numpy as np
from accuracy.cases import analysed_together
from accuracy.many import MINIMUM, PROCESSES
from accuracy.random_sessions import random_car, with_seeds

from analyzer.analysis import Analysis
from analyzer.errors import CannotTell
from analyzer.presentation.finding_words import LEAST_COST_S
from analyzer.simulation.simulated_car import LockParameters
from analyzer.simulation.simulated_session import Session

BRAKED_Nm = 50.0
COPIES = ("full", "minimum")
HARDLY = 0.3  # of the lock that a random car has on drive, or few wheels spin


def holding(lock: LockParameters) -> LockParameters:
    """A differential whose drive ramps let no wheel go."""
    return replace(lock, drive_slope=0.9, drive_hold_Nm=0.0)


def lost_and_said(session: Session, held: Session, analysis: Analysis) -> np.ndarray:
    """(spins, 2) truth and estimate (s) of each spin of `session`; `held` is the same drive with an axle that holds."""
    own, other = session.truth, held.truth
    time, way = own["time"].to_numpy(), own["distance"].to_numpy()
    braked = np.append(np.flatnonzero(own["brake_torque"].to_numpy() > BRAKED_Nm), len(own) - 1)
    pairs = []
    for found in analysis.findings:
        if found.kind != "inside_wheel_spin" or found.evidence.lost_s is None:
            continue
        begins = np.searchsorted(time, found.start_s + time[0])
        ends = braked[np.searchsorted(braked, begins)]
        taken = np.diff(np.interp(way[[begins, ends]], other["distance"], other["time"]))[0]
        pairs.append((time[ends] - time[begins] - taken, found.evidence.lost_s))
    return np.array(pairs).reshape(-1, 2)


def of_random_car(seed: int) -> dict[str, np.ndarray]:
    """Truth and estimate of each copy of a random car's laps; none of a copy that can't be analysed."""
    car = random_car(seed)
    own = replace(car.lock, drive_slope=HARDLY * car.lock.drive_slope)
    session, held = (replace(car, lock=lock).drive("laps") for lock in (own, holding(own)))
    found = {}
    for copy in COPIES:
        log = session.log if copy == "full" else session.log[MINIMUM]
        try:
            with tempfile.TemporaryDirectory() as folder:
                analysis = analysed_together([log], car.file, Path(folder))
        except CannotTell:
            continue
        found[copy] = lost_and_said(session, held, analysis)
    return found


def table(each: list[dict[str, np.ndarray]]) -> str:
    """What spins cost whose cost is shown, and those whose is not (s). Medians, for the car that holds slides now and
    then where the other does not."""
    rows = ["| log | costs shown | shown, s | true, s | off by, s | not shown | true, s |", "|" + "---|" * 7]
    for copy in COPIES:
        true_s, said_s = np.concatenate([pairs[copy] for pairs in each if copy in pairs]).T
        told = said_s >= LEAST_COST_S
        of_told = (np.median(x[told]) for x in (said_s, true_s, np.abs(said_s - true_s)))
        numbers = " | ".join(f"{x:.3f}" for x in of_told)
        rows.append(f"| {copy} | {told.sum()} | {numbers} | {(~told).sum()} | {np.median(true_s[~told]):.3f} |")
    return "\n".join(rows)


def main(argv: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sessions", nargs="?", type=int, default=10)
    arguments, first = with_seeds(parser, argv)
    with ProcessPoolExecutor(PROCESSES) as pool:
        print(table(list(pool.map(of_random_car, range(first, first + arguments.sessions)))))


if __name__ == "__main__":
    main()
