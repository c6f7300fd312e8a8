"""`python -m tests.benchmarks.growth [--largest MILLIONS]`: time and memory of ever longer logs.

A sample here is one value of one channel: rows times 14 channels. Each length runs in a process of its own. The last
column is the time over that of a straight line through all lengths, weighted so that each counts alike.
"""

import argparse
import tempfile
from pathlib import Path

import numpy as np

from .long_log import CHANNELS, write_log
from .measure import in_own_process

MILLIONS = (1, 3, 10, 30, 100)


def measured(millions: float, folder: Path) -> dict[str, float]:
    """One length: rows, seconds, peak memory in MB and in data frames."""
    rows = round(millions * 1e6 / len(CHANNELS))
    log = folder / "log.parquet"
    write_log(log, rows)
    found = in_own_process(log)
    frame_MB = rows * (len(CHANNELS) + 1) * 8 / 2**20
    return {"millions": millions, "rows": rows, **found, "frames": found["peak_MB"] / frame_MB}


def table(rows: list[dict[str, float]]) -> str:
    """The results as a Markdown table."""
    size, seconds = (np.array([row[name] for row in rows]) for name in ("millions", "cpu_seconds"))
    line = np.polynomial.polynomial.Polynomial.fit(size, seconds, 1, w=1 / seconds) if len(rows) > 2 else None
    head = (
        "| million samples | rows | hours | s | CPU s | peak MB | data frames | CPU over straight line |\n" + "|---" * 8
    )
    body = [
        f"| {row['millions']:g} | {row['rows']} | {row['rows'] / 360_000:.1f} | {row['seconds']:.1f} "
        f"| {row['cpu_seconds']:.1f} | {row['peak_MB']:.0f} | {row['frames']:.1f} "
        f"| {'' if line is None else format(row['cpu_seconds'] / line(row['millions']), '.2f')} |"
        for row in rows
    ]
    return "\n".join([head + "|", *body])


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--largest", metavar="MILLIONS", type=float, default=MILLIONS[-1])
    largest = parser.parse_args().largest
    with tempfile.TemporaryDirectory() as folder:
        print(table([measured(m, Path(folder)) for m in MILLIONS if m <= largest]))


if __name__ == "__main__":
    main()
