"""Random cars before and after a change, with every nuisance, with laps or with laps and circles on both sides.

    PYTHONPATH=tests python -m comparison.random_pairs 30 [--first-seed 0 | --report] [--protocols laps laps+circles]

prints how often each change is told, on its side and as a whole, and how often something is told that is not so. Cars,
roads, loggers and wrong car files are those of `accuracy.random_sessions`; both sides are one car on one day. Seeds
below 1000 are to choose on, those from 1000 on are what is reported.
"""

import argparse
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from accuracy.cases import analysed
from accuracy.random_sessions import PROTOCOLS, RandomCar, random_car, with_seeds

from analyzer.analysis import Analysis
from analyzer.comparison.compared_runs import Run
from analyzer.comparison.comparison import Comparison, compare_runs
from analyzer.comparison.sides import level_Nm
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve import model
from analyzer.simulation.simulated_car import LockParameters

KINDS = ("same", "preload", "ramps")
SIDE_OF = {"preload": "preload", "ramps": "drive"}
UNCHANGED_NM = 1.0  # a level that moves by less has not changed


def changed(lock: LockParameters, kind: str) -> LockParameters:
    """The differential after a change: 50 % more preload, or drive ramps that lock 40 % harder."""
    match kind:
        case "preload":
            return replace(lock, preload_Nm=1.5 * lock.preload_Nm)
        case "ramps":
            return replace(lock, drive_slope=1.4 * lock.drive_slope)
    return lock


@dataclass(frozen=True)
class Told:
    """One comparison of a simulated pair."""

    seed: int
    mass_kg: float
    protocol: str
    kind: str
    verdicts: dict[str, str]
    whole: str
    probability: float
    value_Nm: dict[str, float]
    sd_Nm: dict[str, float]
    margin_Nm: dict[str, float]
    truth_Nm: dict[str, float]
    held: dict[str, bool]


def runs_of(car: RandomCar, kind: str, number: int, side: int, manoeuvres: tuple[str, ...]) -> list[Run]:
    """What the car drove on one side, a log a manoeuvre."""
    one = replace(car, lock=changed(car.lock, kind))
    found: list[Analysis] = []
    for k, name in enumerate(manoeuvres):
        with tempfile.TemporaryDirectory() as folder:
            log = one.drive(name, number=number + k).log
            found.append(analysed(log, car.file, Path(folder)))
    return [Run(analysis=analysis, side=side) for analysis in found]


def told(seed: int, protocols: list[str], kinds: Sequence[str] = KINDS) -> Iterator[Told]:
    """Kinds of change of one car, by protocol."""
    car = random_car(seed)
    longest = max((PROTOCOLS[p] for p in protocols), key=len)
    before = runs_of(car, "same", 0, 0, longest)
    for number, kind in enumerate(KINDS, start=1):
        if kind not in kinds:
            continue
        after = runs_of(car, kind, 10 * number, 1, longest)
        for protocol in protocols:
            count = len(PROTOCOLS[protocol])
            yield _told(seed, car, protocol, kind, compare_runs(before[:count] + after[:count]))


def _told(seed: int, car: RandomCar, protocol: str, kind: str, comparison: Comparison) -> Told:
    sides = {side: c for side, c in comparison.sides.items() if c.change_Nm.value is not None}
    curves = np.array([[_figure(changed(car.lock, k), name) for name in model.NAMES] for k in ("same", kind)])
    truth = {side: float(np.diff(level_Nm(side, curves, c.torque_Nm))[0]) for side, c in sides.items()}
    return Told(
        seed=seed,
        mass_kg=car.car.mass_kg,
        protocol=protocol,
        kind=kind,
        verdicts={side: c.verdict for side, c in comparison.sides.items()},
        whole=comparison.any_change.verdict,
        probability=comparison.any_change.probability,
        value_Nm={side: c.change_Nm.value for side, c in sides.items()},
        sd_Nm={side: c.standard_error_Nm for side, c in sides.items()},
        margin_Nm={side: c.margin_Nm for side, c in sides.items()},
        truth_Nm=truth,
        held={side: bool(c.change_Nm.lower <= truth[side] <= c.change_Nm.upper) for side, c in sides.items()},
    )


def _figure(lock: LockParameters, name: str) -> float:
    holds = dict(zip(("drive_hold_Nm", "coast_hold_Nm"), lock.hinge_holds_Nm, strict=True))
    return holds[name] if name in holds else float(getattr(lock, name))


def table(found: list[Told]) -> Iterator[str]:
    """A line a protocol and kind."""
    for protocol in dict.fromkeys(t.protocol for t in found):
        for kind in KINDS:
            rows = [t for t in found if (t.protocol, t.kind) == (protocol, kind)]
            if not rows:
                continue
            side = SIDE_OF.get(kind)
            off = [any(_wrong(t, s) for s in t.truth_Nm) for t in rows]
            held = [value for t in rows for value in t.held.values()]
            line = (
                f"{protocol:13} {kind:8} {len(rows)} pairs: something changed {_share(t.whole == 'yes' for t in rows)}"
            )
            line += f", nothing {_share(t.whole == 'no' for t in rows)}"
            if side is not None:
                line += f"; {side} stronger {_share(t.verdicts[side] == 'stronger' for t in rows)}"
                beyond = [t for t in rows if t.truth_Nm.get(side, 0.0) > t.margin_Nm.get(side, 0.0)]
                line += f", {sum(t.verdicts[side] == 'stronger' for t in beyond)} of {len(beyond)} beyond the margin"
            yield line + f"; a side told that did not change {_share(off)}; intervals hold the truth {_share(held)}"


def _wrong(one: Told, side: str) -> bool:
    """Told of a side that did not change that way. More preload truly leaves less for the ramps to add where its
    springs sit outside the packs."""
    towards = {"stronger": 1.0, "weaker": -1.0}.get(one.verdicts[side], 0.0)
    return bool(towards) and towards * one.truth_Nm[side] < UNCHANGED_NM


def _share(values) -> str:
    return f"{100 * np.mean(list(values)):.0f} %"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m comparison.random_pairs", description=__doc__.split("\n\n")[0])
    parser.add_argument("cars", nargs="?", type=int, default=30)
    parser.add_argument("--protocols", nargs="+", choices=tuple(PROTOCOLS), default=["laps", "laps+circles"])
    parser.add_argument("--rows", action="store_true", help="print every comparison")
    asked, first = with_seeds(parser)
    found: list[Told] = []
    for seed in range(first, first + asked.cars):
        try:
            for one in told(seed, asked.protocols):
                found.append(one)
                if asked.rows:
                    print(one, flush=True)
        except (CannotTell, InputError) as error:
            print(f"{seed}: left out, {error}", flush=True)
    for line in table(found):
        print(line)


if __name__ == "__main__":
    main()
