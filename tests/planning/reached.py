"""Widths that a plan promises against those that driving it reaches, on random cars.

    PYTHONPATH=tests python -m planning.reached 20 [--nuisances none all] [--first-seed 0 | --report]

The laps of a car are analysed and planned on; then its circles, or its slow lap, are driven and analysed with the laps.
Seeds below 1000 are to choose on, those from 1000 on are what is reported.
"""

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from accuracy.random_sessions import simulate_random, with_seeds

from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.pipeline import analyze, analyze_with_fit
from analyzer.planning.next_test import plan

DRIVEN = {"circles": "laps+circles", "slow_lap": "laps+slow"}  # option of a plan -> what is driven for it
QUARTER = 4 / 3  # promised and reached agree within a quarter: neither is below three quarters of the other


@dataclass(frozen=True)
class Reached:
    """One option of one car's plan: number -> promised over reached width."""

    seed: int
    nuisances: str
    driven: str
    ratio: dict[str, float]


def reached(seed: int, nuisances: str) -> Iterator[Reached]:
    """Every option that is driven, of one car."""
    for driven, protocol in DRIVEN.items():
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            laps, more = simulate_random(seed, nuisances, protocol).write(folder)
            car = folder / "car.toml"
            before, fit = analyze_with_fit(log_path=laps, car_path=car)
            then = next(o.then for o in plan(fit, before).options if o.kinds == (driven,))
            after = analyze(log_path=[laps, more], car_path=car).lock_curve
        span = [p.input_torque_Nm for p in before.lock_curve.points if p.kind == "measured"]
        ratio = {"curve": then.curve_share / _share(after, min(span), max(span))}
        for parameter, promised in then.parameters.items():
            found = after.parameters[parameter]
            if promised is not None and found.lower is not None and found.upper is not None:
                ratio[parameter] = promised / (found.upper - found.lower)
        yield Reached(seed, nuisances, driven, ratio)


def _share(curve: LockCurveEstimate, low: float, high: float) -> float:
    """Median width of the measured points between two torques, as a share of the curve."""
    return float(
        np.median(
            [
                (p.upper_Nm - p.lower_Nm) / max(p.locking_torque_Nm, 1.0)
                for p in curve.points
                if p.locking_torque_Nm is not None
                and p.lower_Nm is not None
                and p.upper_Nm is not None
                and low <= p.input_torque_Nm <= high
            ]
        )
    )


def table(found: list[Reached]) -> Iterator[str]:
    """Lines of a Markdown table: median of promised over reached, and how many are within a quarter."""
    numbers = ("curve", "preload_Nm", "drive_slope", "coast_slope")
    yield "| nuisances | driven | " + " | ".join(numbers) + " |"
    yield "|---" * (2 + len(numbers)) + "|"
    for nuisances in dict.fromkeys(one.nuisances for one in found):
        for driven in DRIVEN:
            cells = []
            for number in numbers:
                ratio = np.array(
                    [
                        one.ratio[number]
                        for one in found
                        if (one.nuisances, one.driven) == (nuisances, driven) and number in one.ratio
                    ]
                )
                within = int(((ratio > 1 / QUARTER) & (ratio < QUARTER)).sum())
                cells.append(f"{np.median(ratio):.2f}, {within} of {len(ratio)}" if len(ratio) else "–")
            yield f"| {nuisances} | {driven} | " + " | ".join(cells) + " |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m planning.reached", description=__doc__.split("\n\n")[0])
    parser.add_argument("cars", nargs="?", type=int, default=20)
    parser.add_argument("--nuisances", nargs="+", choices=("none", "all"), default=["none", "all"])
    asked, first = with_seeds(parser)
    found: list[Reached] = []
    for nuisances in asked.nuisances:
        for seed in range(first, first + asked.cars):
            try:
                found += reached(seed, nuisances)
            except (CannotTell, InputError) as error:
                print(f"{seed}, {nuisances}: left out, {error}", flush=True)
    print("\n".join(table(found)))


if __name__ == "__main__":
    main()
