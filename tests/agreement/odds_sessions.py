"""Simulated sessions with something known in the car, and how often the odds are right about it. All figures invented.

    PYTHONPATH=tests python -m agreement.odds_sessions 60 [--first-seed 0 | --report] [--protocol laps+circles]

A random car (`accuracy.random_sessions`, every nuisance, car file wrong) whose setup file states one thing; fitted is
that, or one of what `agreement.alternatives` holds against it, with friction, springs and angles off by what the file
is unsure of. Every pair of what is truly fitted and something else is one case. Seeds below 1000 chose `TEMPER`, those
from 1000 on are what is reported.
"""

import argparse
import pickle
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from accuracy.many import MINIMUM
from accuracy.random_sessions import PROTOCOLS, RandomCar, random_car, with_seeds

from analyzer.agreement.alternatives import AS_THE_FILE_SAYS, alternatives
from analyzer.agreement.diagnose import FIGURES, TEMPER, log_evidence
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.witness import Witness
from analyzer.logs.read import read_log
from analyzer.pipeline import sessions_with_fit
from analyzer.signals.long_session import LogBlock, read_session

FILE_SHARE = 0.4  # of the sessions, that have what the file says
BANDS = (2.0, 5.0, 10.0, 30.0, 100.0, np.inf)


@dataclass(frozen=True)
class Case:
    """What is truly fitted against something else: natural logarithm of the odds for the truth, before `TEMPER`."""

    seed: int
    truth: str
    other: str
    log_odds: float


def off_by_its_spread(curve: PredictedLockCurve, rng: np.random.Generator) -> PredictedLockCurve:
    """A differential that the curve's parts may turn out to be."""
    for moves in FIGURES:
        z = rng.standard_normal()
        curve = curve.moved(**{name: float(np.exp(z * getattr(curve.spread, of))) for name, of in moves.items()})
    return curve


def planted(seed: int) -> tuple[RandomCar, str]:
    """A random car and what is in it, of the alternatives of its setup file."""
    car = random_car(seed)
    rng = np.random.default_rng([seed, 5])
    file, *others = alternatives(predict_lock_curve(car.setup), car.setup)
    one = file if rng.random() < FILE_SHARE else others[int(rng.integers(len(others)))]
    curve = off_by_its_spread(one.curve, rng)
    lock = replace(
        car.lock,
        preload_Nm=curve.preload_Nm,
        drive_slope=curve.drive_slope,
        drive_hold_Nm=curve.drive_ring_hold_Nm or 0.0,
        coast_slope=curve.coast_slope,
        coast_hold_Nm=curve.coast_ring_hold_Nm or 0.0,
    )
    return replace(car, lock=lock), one.kind


def fitted(car: RandomCar, protocol: str, channels: str = "full") -> Fit:
    """The blind fit to what the car drove, of all channels or of the `minimum`."""
    sessions = []
    with tempfile.TemporaryDirectory() as folder:
        for number, name in enumerate(PROTOCOLS[protocol]):
            path = Path(folder) / f"{name}.parquet"
            log = car.drive(name, number=number).log
            (log if channels == "full" else log[MINIMUM]).to_parquet(path)
            sessions.append(read_session((LogBlock(lambda path=path: read_log(path)),), car=car.file))
        return sessions_with_fit(sessions=sessions, car=car.file)[1]


def cases(seed: int, car: RandomCar, kind: str, fit: Fit) -> Iterator[Case]:
    """Every pair of what is fitted and something else; of two that are not the file, only the file is held against."""
    found = alternatives(predict_lock_curve(car.setup), car.setup)
    witness = Witness.of(fit)
    evidence = {one.kind: log_evidence(witness, one.curve) for one in found}
    for other in evidence if kind == AS_THE_FILE_SAYS else (AS_THE_FILE_SAYS,):
        if other != kind:
            yield Case(seed, kind, other, evidence[kind] - evidence[other])


def said(found: list[Case], temper: float) -> Iterator[str]:
    """A line a band of odds: how many are said, and how many of them are right."""
    size = np.exp(temper * np.abs([c.log_odds for c in found]))
    right = np.array([c.log_odds > 0 for c in found])
    yield f"under 2 to 1: {np.sum(size < 2)} of {len(size)}, nothing is said"
    for low, high in pairwise(BANDS):
        here = (size >= low) & (size < high)
        if here.any():
            ends = f"{low:.0f} to {high:.0f}" if np.isfinite(high) else f"{low:.0f} and more"
            yield f"{ends} to 1: {here.sum()} said, {100 * right[here].mean():.0f} % right"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m agreement.odds_sessions", description=__doc__.split("\n\n")[0])
    parser.add_argument("sessions", nargs="?", type=int, default=60)
    parser.add_argument("--protocol", choices=tuple(PROTOCOLS), default="laps+circles")
    parser.add_argument("--channels", choices=("full", "minimum"), default="full")
    parser.add_argument("--temper", type=float, default=TEMPER)
    parser.add_argument("--keep", metavar="FOLDER", help="keep the fits there, and take them from there")
    asked, first = with_seeds(parser)
    found: list[Case] = []
    for seed in range(first, first + asked.sessions):
        car, kind = planted(seed)
        kept = Path(asked.keep, f"{asked.protocol}-{asked.channels}-{seed}.pickle") if asked.keep else None
        try:
            if kept is not None and kept.exists():
                fit = pickle.loads(kept.read_bytes())
            else:
                fit = fitted(car, asked.protocol, asked.channels)
            if kept is not None:
                kept.write_bytes(pickle.dumps(fit))
        except (CannotTell, InputError) as error:
            print(f"{seed}: left out, {error}", flush=True)
            continue
        found += cases(seed, car, kind, fit)
        print(f"{seed}: {kind}", flush=True)
    for protocol_line in said(found, asked.temper):
        print(protocol_line)
    for kind in dict.fromkeys(c.other for c in found):
        mine = [c for c in found if kind in (c.other, c.truth)]
        told = [c for c in mine if np.exp(asked.temper * abs(c.log_odds)) >= 10]
        right = sum(c.log_odds > 0 for c in told)
        print(f"{kind}: {len(told)} of {len(mine)} said at 10 to 1 or more, {right} right")


if __name__ == "__main__":
    main()
