"""`python -m tests.benchmarks.budgets [--repeats N]`: every command as a user types it, against its budget.

Processor seconds of a process of its own, start-up and all, best of the repeats, in turns; as ratios to reading the
first log from CSV with pandas' pyarrow engine, for a machine's own speed falls out of a ratio. Nothing is asserted.
"""

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd

from analyzer.findings.counterfactual import Judge
from analyzer.pipeline import analyze

from .long_log import CAR, RATE_HZ, ROOT, SAMPLES, write_log

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
    "advise": (("advise", "{baseline}", *KNOWN, "--parts", str(SAMPLES / "shelf.parts.toml")), "6 s"),
    "compare, 4 and 4 laps": (
        ("compare", "--before", "{baseline}", "--after", str(SAMPLES / "stiffer_cone.csv.gz"), "--car", str(CAR)),
        "3 s",
    ),
}


COMPILED = str(Path(tempfile.gettempdir(), "halfshaft-benchmarks-compiled"))


def seconds_of(arguments: tuple[str, ...]) -> float:
    """Processor seconds of a process, python's `-c` or a command of the tool."""
    begin = resource.getrusage(resource.RUSAGE_CHILDREN)
    words = arguments if arguments[0] == "-c" else ("-m", "analyzer.cli.main", *arguments)
    # compiled once, as an installed package is; where Python may not write that, compiling takes 0.5 s of every run
    own = os.environ | {"PYTHONPATH": str(ROOT), "PYTHONPYCACHEPREFIX": COMPILED, "PYTHONDONTWRITEBYTECODE": ""}
    subprocess.run([sys.executable, *words], cwd=ROOT, env=own, check=True, capture_output=True)
    end = resource.getrusage(resource.RUSAGE_CHILDREN)
    return end.ru_utime + end.ru_stime - begin.ru_utime - begin.ru_stime


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


def measured(folder: Path, *, repeats: int, rows: int = ROWS) -> dict[str, float]:
    """Best processor seconds by what is run; `csv` is the yardstick."""
    log, text = folder / "log.parquet", folder / "log.csv"
    write_log(log, rows)
    pd.read_parquet(log).to_csv(text, index=False)
    names = {"log": log, "baseline": SAMPLES / "baseline.parquet", "circles": SAMPLES / "baseline_circles.parquet"}
    best = {"csv": np.inf, **dict.fromkeys(COMMANDS, np.inf)}
    for _ in range(repeats):
        for _ in range(5):
            begin = time.process_time()
            pd.read_csv(text, engine="pyarrow")
            best["csv"] = min(best["csv"], time.process_time() - begin)
        for name, (arguments, _) in COMMANDS.items():
            best[name] = min(best[name], seconds_of(tuple(word.format(**names) for word in arguments)))
    return best


def table(best: dict[str, float], blame: tuple[float, int]) -> str:
    """The results as a Markdown table."""
    laps = best["analyze, the sample's laps"]
    rows = [f"| (a) CSV of 7.5 minutes, pandas with pyarrow | {best['csv']:.3f} s | 1 | |"]
    for name, (_, budget) in COMMANDS.items():
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
