"""`python -m tests.benchmarks.budgets [--repeats N]`: every command as a user types it, against its budget.

Processor seconds of a process of its own, start-up and all, best of the repeats, in turns; as ratios to reading the
first log from CSV with pandas' pyarrow engine, for a machine's own speed falls out of a ratio. Nothing is asserted.
"""

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np
import pandas as pd
from plotly.utils import PlotlyJSONEncoder

from analyzer.findings.counterfactual import Judge
from analyzer.logbook.car_knowledge import knowledge_of, runs_and_words
from analyzer.logbook.store import Store
from analyzer.pipeline import analyze
from dashboards import season_page
from dashboards.logbook import Logbook
from dashboards.start import start_page

from .long_log import CAR, RATE_HZ, ROOT, SAMPLES, write_log
from .many_runs import CAR_NAME, write_book

ROWS = round(7.5 * 60 * RATE_HZ)
SETUP = SAMPLES / "baseline.setup.toml"
KNOWN = ("--car", str(CAR), "--setup", str(SETUP))
# what is run -> (arguments of python, what it is to take on an idle core)
COMMANDS = {
    "imports of an analysis": (("-c", "import analyzer.pipeline"), "0.35 s"),
    "analyze, 7.5 minutes at 100 Hz": (("analyze", "{log}", *KNOWN), "1.2 s"),
    "analyze, the sample's laps": (("analyze", "{baseline}", *KNOWN), ""),
    "analyze, laps and circles": (("analyze", "{baseline}", "{circles}", *KNOWN), "1.6 x laps"),
    "plan": (("plan", "{baseline}", *KNOWN), "10 s"),
    "advise, 360 builds": (("advise", "{baseline}", *KNOWN, "--parts", "{shelf}"), "6 s"),
    "compare, 4 and 4 laps": (
        ("compare", "--before", "{baseline}", "--after", str(SAMPLES / "stiffer_cone.csv.gz"), "--car", str(CAR)),
        "3 s",
    ),
    "logbook of 2,000 runs, list": (("logbook", "list", "--logbook", "{book}"), "0.3 s"),
}
RUNS, RUNS_OF_CAR = 2000, 200
# of a logbook, in process: what is done -> what it is to take on an idle core
IN_PROCESS = {
    "logbook of 2,000 runs, start page": "1 s",
    "logbook of 2,000 runs, season page": "1 s",
    "what 200 runs know, for one more": "0.5 s",
}


COMPILED = str(Path(tempfile.gettempdir(), "halfshaft-benchmarks-compiled"))


def write_shelf(path: Path) -> None:
    """The sample's shelf with eight more cone springs: with what is fitted 12 x 3 x 5 x 2 = 360 builds."""
    part = '\n[[parts.cone_spring]]\nname = "{0} N"\nforce_N = {0}\nrate_N_per_mm = 3000\n'
    text = (SAMPLES / "shelf.parts.toml").read_text("utf-8")
    path.write_text(text + "".join(part.format(force) for force in range(3700, 4500, 100)), "utf-8")


def seconds_of(arguments: tuple[str, ...]) -> float:
    """Processor seconds of a process, python's `-c` or a command of the tool."""
    begin = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = arguments if arguments[0] == "-c" else ("-m", "analyzer.cli.main", *arguments)
    # compiled once, as an installed package is; where Python may not write that, compiling takes 0.5 s of every run
    own = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": COMPILED, "PYTHONDONTWRITEBYTECODE": ""}
    subprocess.run([sys.executable, *words], cwd=ROOT, env=own, check=True, capture_output=True)
    end = resource.getrusage(resource.RUSAGE_CHILDREN)
    return end.ru_utime + end.ru_stime - begin.ru_utime - begin.ru_stime


def logbook_seconds(many: Path, some: Path) -> dict[str, float]:
    """Processor seconds of the pages of a logbook, as the browser is sent them, and of what the runs of a car know."""

    def page(layout: Callable[[], Any]) -> Callable[[], Any]:
        return lambda: json.dumps(layout(), cls=PlotlyJSONEncoder)

    def known() -> Any:
        with Store(some) as store:
            every = runs_and_words(store, CAR_NAME)
            return knowledge_of(every, CAR_NAME).usable_by(every[-1].told)

    done = (page(lambda: start_page.layout(Logbook(many))), page(lambda: season_page.layout(Logbook(many), "")), known)
    found = {}
    for name, do in zip(IN_PROCESS, done, strict=True):
        begin = time.process_time()
        do()
        found[name] = time.process_time() - begin
    return found


def blame_share(log: Path) -> tuple[float, int]:
    """Of the processor time of an analysis, what judging its spins takes; and how many were judged."""
    spent, judged = [], Judge.judged

    def timed(judge: Judge, spins: list) -> list:
        begin = time.process_time()
        found = judged(judge, spins)
        spent.append((time.process_time() - begin, len(spins)))
        return found

    analyze(log_path=log, car_path=CAR)
    with mock.patch.object(Judge, "judged", timed):
        begin = time.process_time()
        analyze(log_path=log, car_path=CAR)
        whole = time.process_time() - begin
    return sum(s for s, _ in spent) / whole, sum(n for _, n in spent)


def measured(
    folder: Path, *, repeats: int, rows: int = ROWS, runs: int = RUNS, runs_of_car: int = RUNS_OF_CAR
) -> dict[str, float]:
    """Best processor seconds by what is run; `csv` is the yardstick."""
    log, text, book, of_car = (folder / name for name in ("log.parquet", "log.csv", "book", "car"))
    shelf = folder / "shelf.toml"
    write_shelf(shelf)
    write_log(log, rows)
    write_book(book, runs)
    write_book(of_car, runs_of_car)
    pd.read_parquet(log).to_csv(text, index=False)
    names = {"log": log, "book": book, "baseline": SAMPLES / "baseline.parquet", "shelf": shelf}
    names["circles"] = SAMPLES / "baseline_circles.parquet"
    best = dict.fromkeys(("csv", *COMMANDS, *IN_PROCESS), np.inf)
    for _ in range(repeats):
        for _ in range(5):
            begin = time.process_time()
            pd.read_csv(text, engine="pyarrow")
            best["csv"] = min(best["csv"], time.process_time() - begin)
        for name, (arguments, _) in COMMANDS.items():
            best[name] = min(best[name], seconds_of(tuple(word.format(**names) for word in arguments)))
        for name, seconds in logbook_seconds(book, of_car).items():
            best[name] = min(best[name], seconds)
    return best


def table(best: dict[str, float], blame: tuple[float, int]) -> str:
    """The results as a Markdown table."""
    laps = best["analyze, the sample's laps"]
    rows = [f"| (a) CSV of 7.5 minutes, pandas with pyarrow | {best['csv']:.3f} s | 1 | |"]
    for name, budget in ({name: budget for name, (_, budget) in COMMANDS.items()} | IN_PROCESS).items():
        of_laps = f", {best[name] / laps:.2f} x laps" if budget.endswith("laps") else ""
        rows.append(f"| {name} | {best[name]:.2f} s{of_laps} | {best[name] / best['csv']:.0f} | {budget} |")
    share, count = blame
    rows.append(f"| blame of {count} spins, of an analysis | {100 * share:.0f} % | | 15 % |")
    return "\n".join(["| | processor | x (a) | budget, idle core |\n|---|---|---|---|", *rows])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        best = measured(Path(folder), repeats=arguments.repeats)
    print(table(best, blame_share(SAMPLES / "baseline.parquet")))


if __name__ == "__main__":
    main()
