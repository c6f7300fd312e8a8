"""Widths that a plan promises against those that driving it reaches, on random cars.

    PYTHONPATH=tests python -m planning.reached 20 [--nuisances none all] [--days 1] [--own] [--first-seed 0 | --report]

The laps of a car are analysed and planned on; then its circles, or its slow lap, are driven as the card says and
analysed with the laps. Seeds below 1000 are to choose on, those from 1000 on are what is reported. With `--days` each
car is driven and planned for on several, the driver's moods and the sensors' noise drawn anew: by how much promised
over reached differs from one day of a car to the next is what no plan could know. With `--own` the driver does not keep
to the card: his pulses are bolder, and he brakes between them.
"""

import argparse
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from accuracy.random_sessions import PROTOCOLS, simulate_random, with_seeds
from planning.card_driven import driven_by_card

from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.pipeline import analyze, analyze_with_fit
from analyzer.planning.next_test import Widths, plan
from analyzer.simulation.driver_plan import Name

DRIVEN: tuple[Name, ...] = ("circles", "slow_lap")  # options of a plan
QUARTER = 4 / 3  # promised and reached agree within a quarter: neither is below three quarters of the other


@dataclass(frozen=True)
class Reached:
    """One option of one car's plan: number -> promised over reached width."""

    seed: int
    nuisances: str
    driven: str
    ratio: dict[str, float]


def reached(seed: int, nuisances: str, day: int = 0, *, own: bool = False) -> Iterator[Reached]:
    """Every option that is driven, of one car on one day; `own`: as the simulator's driver does it without a card."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        run = simulate_random(seed, nuisances, "laps", day=day)
        (laps,) = run.write(folder)
        car, more = folder / "car.toml", folder / "more.parquet"
        before, fit = analyze_with_fit(log_path=laps, car_path=car)
        span = [p.input_torque_Nm for p in before.lock_curve.points if p.kind == "measured"]
        promised = {option.kinds: option.then for option in plan(fit, before).options}
        for driven in DRIVEN:
            then = promised.get((driven,))
            if then is None:  # a circuit without corners that are tight enough
                continue
            manoeuvre = driven if own else driven_by_card(driven, fit, run.circuit)
            run.drive(manoeuvre, number=1 + len(PROTOCOLS) * day).log.to_parquet(more)
            after = analyze(log_path=[laps, more], car_path=car).lock_curve
            yield _held_against(then, after, span, seed=seed, nuisances=nuisances, driven=driven)


def _held_against(
    then: Widths, after: LockCurveEstimate, span: list[float], *, seed: int, nuisances: str, driven: str
) -> Reached:
    ratio = {"curve": then.curve_share / _share(after, min(span), max(span))}
    for parameter, promised in then.parameters.items():
        found = after.parameters[parameter]
        if promised is not None and found.lower is not None and found.upper is not None:
            ratio[parameter] = promised / (found.upper - found.lower)
    return Reached(seed, nuisances, driven, ratio)


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


def between_days(found: list[Reached]) -> Iterator[str]:
    """Lines of a Markdown table: how far promised over reached strays from its own car's mean over the days (standard
    deviation of the logarithm), and how many would be within a quarter, were the plan right about each car."""
    yield "| nuisances | driven | strays from the car's own mean | within a quarter of it |"
    yield "|---" * 4 + "|"
    for nuisances in dict.fromkeys(one.nuisances for one in found):
        for driven in DRIVEN:
            logs: dict[int, list[float]] = {}
            for one in found:
                if (one.nuisances, one.driven) == (nuisances, driven):
                    logs.setdefault(one.seed, []).append(float(np.log(one.ratio["curve"])))
            # a mean of k days has a k-th of each day in it
            strays = np.concatenate(
                [(np.array(of) - np.mean(of)) * np.sqrt(len(of) / (len(of) - 1)) for of in logs.values() if len(of) > 1]
            )
            within = int((np.abs(strays) < np.log(QUARTER)).sum())
            yield f"| {nuisances} | {driven} | {strays.std():.2f} | {within} of {len(strays)} |"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m planning.reached", description=__doc__.split("\n\n")[0])
    parser.add_argument("cars", nargs="?", type=int, default=20)
    parser.add_argument("--nuisances", nargs="+", choices=("none", "all"), default=["none", "all"])
    parser.add_argument("--days", type=int, default=1)
    parser.add_argument("--own", action="store_true", help="driven as the simulator's driver does without a card")
    asked, first = with_seeds(parser)
    found: list[Reached] = []
    for nuisances in asked.nuisances:
        for seed in range(first, first + asked.cars):
            for day in range(asked.days):
                try:
                    found += reached(seed, nuisances, day, own=asked.own)
                except (CannotTell, InputError) as error:
                    print(f"{seed}, {nuisances}, day {day}: left out, {error}", flush=True)
    print("\n".join(table(found)))
    if asked.days > 1:
        print("\n" + "\n".join(between_days(found)))


if __name__ == "__main__":
    main()
