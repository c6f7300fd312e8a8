"""A process that puts things into logbooks until it is killed: `python kill_child.py`.

It imports once, then forks a child for each line on standard input, so that two hundred kills are quick: the folder
of a logbook and a seed, or `open K`, `add K`, `result K`, `remove K` for a child that kills itself before the K-th line
of the logbook's code in that action. The child reports on standard output, one line each: `pid N`, then `add ID`,
`result ID`, `remove ID`, `open ID` once these are done.
What the store is given is real: `add` reads and converts a small log; the analysis is a made-up one.
"""

import io
import os
import random
import signal
import sys
from pathlib import Path

import numpy as np
import pandas  # noqa: F401  pyarrow imports it at its first use, which would be in every child
import pyarrow as pa
import pyarrow.parquet as pq

sys.path.insert(0, str(Path(__file__).parents[1]))

from made_analysis import made_analysis

from analyzer.logbook import add, results, runs
from analyzer.logbook.store import Store

ROWS = 400
ROOM = Path(add.__file__).parent
WATCHED = {str(path) for path in ROOM.glob("*.py") if path.name != "analysis_files.py"}


def log_bytes(seed: int) -> bytes:
    """A small log of its own."""
    rng = np.random.default_rng(seed)
    columns = {"time": np.arange(ROWS) / 100, "throttle": rng.uniform(0, 100, ROWS), "lat_g": np.zeros(ROWS)}
    content = io.BytesIO()
    pq.write_table(pa.table(columns), content)
    return content.getvalue()


def tell(text: str) -> None:
    os.write(1, f"{text}\n".encode())


def put(store: Store, outside: Path, number: int, mass_kg: int) -> runs.Run:
    outside.mkdir(exist_ok=True)
    log, car = outside / f"log{number}.parquet", outside / "car.toml"
    log.write_bytes(log_bytes(number))
    car.write_text(CAR.replace("1100", str(mass_kg)))
    return add.add(store, log, car_path=car).run


def one_action(folder: Path, action: str, line: int, analysis) -> None:
    """Do one action, and die before a line of it when it has that many."""
    with Store(folder) as store:
        run = runs.runs(store)[0]
        if action != "open":
            store.begin_writing()
        if action == "remove":
            tell(f"removing {run.id}")
        sys.settrace(Dies(line))
        if action == "add":
            run = put(store, folder.parent / "outside", line, 1000 + line % 7)
        elif action == "open":
            store.begin_writing()
        elif action == "result":
            results.finish(store, run, analysis, provenance=results.expected(run))
        else:
            runs.remove_run(store, run.id)
        sys.settrace(None)
        tell(f"{action} {run.id}")


class Dies:
    """A trace that kills the process before the n-th line run in the logbook's own code."""

    def __init__(self, line: int) -> None:
        self.left = line

    def __call__(self, frame, event, _):
        if event == "call":
            return self if frame.f_code.co_filename in WATCHED else None
        if event == "line":
            self.left -= 1
            if self.left <= 0:
                os.kill(os.getpid(), signal.SIGKILL)
        return self


def work(folder: Path, seed: int, analysis) -> None:
    """Add, analyse and remove without end."""
    rng = random.Random(seed)
    outside = folder.parent / f"outside-{seed}"
    store = Store(folder)
    added: list = []
    number = 0
    while True:
        number += 1
        choice = rng.random()
        if choice < 0.5 or not added:
            run = put(store, outside, 1000 * seed + number, 1000 + rng.randrange(200))
            added.append(run)
            tell(f"add {run.id}")
        elif choice < 0.85:
            run = rng.choice(added)
            results.finish(store, run, analysis, provenance=results.expected(run))
            tell(f"result {run.id}")
        else:
            run = added.pop(rng.randrange(len(added)))
            tell(f"removing {run.id}")  # from here on it may or may not be there
            runs.remove_run(store, run.id)
            tell(f"remove {run.id}")


CAR = """[car]
name = "made-up"
mass_kg = 1100
wheelbase_m = 2.4
front_weight_fraction = 0.48
cg_height_m = 0.45
front_track_m = 1.45
rear_track_m = 1.46
front_rolling_radius_m = 0.3
rear_rolling_radius_m = 0.3
steering_ratio = 14
"""


def main() -> None:
    """Fork a child a line."""
    analysis = made_analysis()
    results.code_version()
    for line in sys.stdin:
        child = os.fork()
        if child == 0:
            tell(f"pid {os.getpid()}")
            folder, order = line.rstrip("\n").split("\t")
            first, *rest = order.split()
            if rest:
                one_action(Path(folder), first, int(rest[0]), analysis)
            else:
                work(Path(folder), int(first), analysis)
            os._exit(0)
        os.waitpid(child, 0)
        tell("ended")


if __name__ == "__main__":
    main()
