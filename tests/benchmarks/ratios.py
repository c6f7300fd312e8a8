"""`python -m tests.benchmarks.ratios [--repeats N] [--hours H]`: the whole analysis against two plain operations.

(a) reading the same hour from CSV with pandas' pyarrow engine, (b) one zero-phase filter pass over the same channels.
All in one process, start-up apart, and in turns, so that whatever else the machine does hits all of them alike.
Printed as ratios of the best times; nothing is asserted, because a time on a shared machine proves nothing. The ratios
of processor time (all threads) beside them hold on a busy machine too.
"""

import argparse
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import signal

from analyzer.pipeline import analyze

from .long_log import CAR, CHANNELS, LOG, RATE_HZ, ROWS_PER_HOUR, write_log
from .measure import in_own_process


def filtered(frame: pd.DataFrame) -> None:
    """(b): second-order Butterworth, forwards and backwards, over every channel."""
    sections = signal.butter(2, 8.0, fs=RATE_HZ, output="sos")
    for name in CHANNELS:
        signal.sosfiltfilt(sections, frame[name].to_numpy())


def seconds_of(work: Callable[[], object]) -> np.ndarray:
    """Seconds by the clock and of the processor, all threads."""
    before = np.array([time.perf_counter(), time.process_time()])
    work()
    return np.array([time.perf_counter(), time.process_time()]) - before


def measured(folder: Path, *, hours: int, repeats: int, rows_per_hour: int = ROWS_PER_HOUR) -> dict:
    """Best seconds (clock, processor) of (a), (b), the first hour and each added one; peak memory in data frames."""
    one, many, text = folder / "one.parquet", folder / "many.parquet", folder / "one.csv"
    write_log(one, rows_per_hour)
    write_log(many, hours * rows_per_hour)
    frame = pd.read_parquet(one)
    frame.to_csv(text, index=False)
    analyze(log_path=LOG, car_path=CAR)  # start-up
    work = {
        "csv": lambda: pd.read_csv(text, engine="pyarrow"),
        "filter": lambda: filtered(frame),
        "first": lambda: analyze(log_path=one, car_path=CAR),
        "many": lambda: analyze(log_path=many, car_path=CAR),
    }
    best = {name: np.full(2, np.inf) for name in work}
    for _ in range(repeats):
        for name, call in work.items():
            best[name] = np.minimum(best[name], seconds_of(call))
    best["added"] = (best["many"] - best["first"]) / (hours - 1)
    frame_MB = frame.memory_usage(index=False).sum() / 2**20
    best["frames"] = in_own_process(one)["peak_MB"] / frame_MB
    best["frames_many"] = in_own_process(many)["peak_MB"] / (hours * frame_MB)
    return best


def table(best: dict, hours: int) -> str:
    """The results as a Markdown table, aims beside them."""
    rows = [
        ("(a) CSV, pandas with pyarrow", *_times("csv", best), ""),
        ("(b) one zero-phase filter pass", *_times("filter", best), ""),
        ("analysis, first hour", *_times("first", best), "20 x (a)"),
        ("analysis, each added hour", *_times("added", best), "6 x (a)"),
        ("peak memory, one hour", f"{best['frames']:.1f} data frames", "", "", "", "5 data frames"),
        (f"peak memory, {hours} hours", f"{best['frames_many']:.1f} data frames", "", "", "", "5 data frames"),
    ]
    head = "| | measured | x (a) | x (b) | x (a), processor | aim, at most |\n|---|---|---|---|---|---|"
    return "\n".join([head, *("| " + " | ".join(row) + " |" for row in rows)])


def _times(name: str, best: dict) -> tuple[str, ...]:
    clock, processor = best[name]
    return (
        f"{clock:.2f} s",
        f"{clock / best['csv'][0]:.1f}",
        f"{clock / best['filter'][0]:.1f}",
        f"{processor / best['csv'][1]:.1f}",
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--hours", type=int, default=5)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        print(table(measured(Path(folder), hours=arguments.hours, repeats=arguments.repeats), arguments.hours))


if __name__ == "__main__":
    main()
