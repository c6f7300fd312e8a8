"""`python -m tests.accuracy.many [SESSIONS]`: the estimate on random cars whose car files are wrong, by nuisance.

    python -m tests.accuracy.many 40                                    all nuisances at once
    python -m tests.accuracy.many 40 --nuisances none all radius road   a row each; `each` is none, every one, and all
    python -m tests.accuracy.many 40 --protocol laps+circles            laps and slow circles, one answer
    python -m tests.accuracy.many 40 --protocol laps+circles --bench    with a breakaway turned on the bench
    python -m tests.accuracy.many 120 --report                          on the seeds kept for reporting

Mass, sizes, tyre, differential, circuit and sample rate are drawn (`random_sessions`); the car file that the analysis
gets is off by anything within the limits that it states, the setup file is true. With `--bench` it is not: plate
friction and cone force on paper are off by a fifth, the breakaway by what readings are off; what is measured is then
the anchored curve. Seeds 0 to 999 are to choose constants on; what is reported comes from `--report` (1000 and above)
and nothing is chosen by it.
"""

import argparse
import os
import tempfile
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path

import numpy as np

from analyzer.differential.setup import Breakaway, Setup
from analyzer.errors import CannotTell

from .cases import Case, LEAST_TORQUE_Nm, analysed_together, measure
from .driven import Carried
from .random_sessions import NUISANCES, PROTOCOLS, RandomRun, simulate_random, with_seeds

PROCESSES = 2
MINIMUM = [
    "time",
    *(f"wheel_speed_{corner}" for corner in ("fl", "fr", "rl", "rr")),
    "throttle",
    "steer",
    "lat_g",
]
TRUE_VERDICTS = ("agrees", "cannot_tell")  # of a setup file that is true


@dataclass(frozen=True)
class Off:
    """One session: errors relative to the truth (1), shares inside (1); None where nothing was said.

    `false_alarm` is a verdict that contradicts the setup file, which is true.
    """

    lock: float | None = None
    coverage: float | None = None
    width: float | None = None
    preload: float | None = None
    preload_inside: bool | None = None
    slope: float | None = None
    slope_inside: bool | None = None
    false_alarm: bool | None = None


def on_bench(run: RandomRun) -> Setup:
    """The setup file of a workshop that turned the breakaway by hand, warm; friction and cone force are of paper."""
    rng = np.random.default_rng([run.seed, 2])
    percent = run.setup.uncertainty.breakaway_percent
    reading = run.lock.preload_Nm / 2 * (1 + percent / 100 * rng.standard_normal())
    breakaway = Breakaway(torque_Nm=reading, method="one_wheel_held", state="turning_warm")
    spring = run.setup.cone_spring
    wrong = {
        "friction_coefficient": run.setup.friction_coefficient * rng.choice([0.8, 1.2]),
        "cone_spring": spring.model_copy(update={"force_N": spring.force_N * rng.choice([0.8, 1.2])}),
    }
    return run.setup.model_copy(update=wrong | {"breakaway": breakaway})


def off(run: RandomRun, *, channels: str = "full", bench: bool = False) -> Off:
    """Analyse the logs of `run` together and compare with its truth."""
    session = run.end_to_end
    case = Case(car=run.car, lock=run.lock, told=run.file)
    logs = run.logs if channels == "full" else [log[MINIMUM] for log in run.logs]
    try:
        with tempfile.TemporaryDirectory() as folder:
            setup = on_bench(run) if bench else run.setup
            analysis = analysed_together(logs, run.file, Path(folder), setup)
    except CannotTell:
        return Off()
    if bench:
        if analysis.anchored is None:
            return Off()
        analysis = replace(analysis, lock_curve=analysis.anchored.lock_curve)
    near = measure(case, session, analysis)
    preload, slope = (analysis.lock_curve.parameters[name] for name in ("preload_Nm", "drive_slope"))
    true_preload, true_slope = run.truth_at("preload_Nm"), Carried.of(session.truth, run.lock).slope("drive")
    least = LEAST_TORQUE_Nm * run.car.mass_kg / 1180
    known = preload.value is not None
    told = slope.value is not None
    return Off(
        lock=near.lock_error,
        coverage=near.coverage,
        width=near.width,
        preload=(preload.value - true_preload) / max(true_preload, least) if known else None,
        preload_inside=bool(preload.lower <= true_preload <= preload.upper) if known else None,
        slope=slope.value / true_slope - 1 if told else None,
        slope_inside=bool(slope.lower <= true_slope <= slope.upper) if told else None,
        false_alarm=analysis.agreement.verdict not in TRUE_VERDICTS if analysis.agreement else None,
    )


def measured(task: tuple[str, int, str, str, bool]) -> Off:
    """`off` of one (nuisances, seed, protocol, channels, bench)."""
    nuisances, seed, protocol, channels, bench = task
    return off(simulate_random(seed, nuisances, protocol), channels=channels, bench=bench)


HEADINGS = (
    "nuisance", "measured", "curve off, median %", "rms %", "points inside %", "width %", "preload off, median %",
    "rms %", "preload inside %", "slope off, median %", "slope inside %", "false alarms",
)  # fmt: skip


def row(name: str, sessions: Iterable[Off]) -> str:
    """One line of the table; `-` where nothing was measured."""
    sessions = list(sessions)
    known = {f: [getattr(o, f) for o in sessions if getattr(o, f) is not None] for f in Off.__dataclass_fields__}

    def shown(values: list, how, form: str = ".0f") -> str:
        return format(100 * float(how(np.array(values, float))), form) if values else "-"

    def rms(values: np.ndarray) -> float:
        return float(np.sqrt(np.mean(values**2)))

    cells = (
        name,
        f"{len(known['lock'])} of {len(sessions)}",
        shown(known["lock"], np.median, ".1f"),
        shown(known["lock"], rms, ".1f"),
        shown(known["coverage"], np.mean),
        shown(known["width"], np.median),
        shown(known["preload"], np.median, "+.0f"),
        shown(known["preload"], rms),
        shown(known["preload_inside"], np.mean),
        shown(known["slope"], np.median, "+.0f"),
        shown(known["slope_inside"], np.mean),
        f"{sum(known['false_alarm'])} of {len(known['false_alarm'])}",
    )
    return "| " + " | ".join(cells) + " |"


def main(argv: list[str] | None = None) -> None:
    """Print the table, a row as soon as it is known."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.many", description=__doc__.split("\n\n")[0])
    parser.add_argument("sessions", nargs="?", type=int, default=40, help="a row (default %(default)s)")
    parser.add_argument(
        "--nuisances", nargs="+", default=["all"], choices=("all", "none", "each", *NUISANCES), metavar="NAME",
        help=f"all, none, each, or of: {', '.join(NUISANCES)} (default all)",
    )  # fmt: skip
    parser.add_argument("--protocol", choices=tuple(PROTOCOLS), default="laps", help="logs (default %(default)s)")
    parser.add_argument("--channels", choices=("full", "minimum"), default="full", help="(default %(default)s)")
    parser.add_argument("--bench", action="store_true", help="the anchored curve, with a bench reading")
    asked, first = with_seeds(parser, argv)
    names = ["none", *NUISANCES, "all"] if "each" in asked.nuisances else asked.nuisances
    print("| " + " | ".join(HEADINGS) + " |\n|" + "---|" * len(HEADINGS), flush=True)
    with ProcessPoolExecutor(min(PROCESSES, os.cpu_count() or 1)) as workers:
        how = (asked.protocol, asked.channels, asked.bench)
        tasks = [(name, seed, *how) for name, seed in product(names, range(first, first + asked.sessions))]
        found = workers.map(measured, tasks)
        for name in names:
            print(row(name.replace("_", " "), [next(found) for _ in range(asked.sessions)]), flush=True)


if __name__ == "__main__":
    main()
