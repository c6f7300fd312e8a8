"""`python -m tests.benchmarks.scale [--logs N] [--minutes M] [--workers 1 2 4]`: a season on more and more workers.

The same logs, once by local processes (`halfshaft batch --processes`) and once by the workers of a Dask scheduler on
loopback, one thread each (`--scheduler`). A worker's share is logs an hour over those of one worker, over the number of
workers. More workers than the machine has cores can do no more than the cores: the share is then of what is there.
What travels is printed too. Start-up of processes and cluster is not counted: one log goes before.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from analyzer.batch import workers
from analyzer.batch.places import find_logs
from analyzer.batch.workers import Settings, Task
from analyzer.provenance import provenance

from .long_log import CAR, RATE_HZ, write_log

LOGS, MINUTES, WORKERS = 24, 7.5, (1, 2, 4)


def tasks_of(folder: Path) -> list[Task]:
    """A task for each log of a folder."""
    car, expected = Settings(CAR.name, CAR.read_bytes()), provenance(car_path=CAR)
    return [Task(log, car, None, None, expected) for log in find_logs(str(folder))]


def write_logs(folder: Path, *, logs: int, minutes: float) -> None:
    """So many logs of one length, alike but for their names: what differs between workers is then not the logs."""
    rows = round(minutes * 60 * RATE_HZ)
    write_log(folder / "log0.parquet", rows)
    for k in range(1, logs):
        os.link(folder / "log0.parquet", folder / f"log{k}.parquet")


def seconds_of(outcomes: Iterator[workers.Outcome], *, first: int) -> tuple[float, int]:
    """How long the outcomes after the `first` took, and the bytes that came back with them."""
    moved = 0
    started = time.perf_counter()
    for number, outcome in enumerate(outcomes, 1):
        if outcome.rows is None or outcome.packed is None:
            raise SystemExit(f"{outcome.log}: {outcome.reason}")
        if number <= first:
            started = time.perf_counter()
            continue
        moved += len(outcome.rows) + len(outcome.packed)
    return time.perf_counter() - started, moved


@contextmanager
def cluster(count: int, folder: Path) -> Iterator[str]:
    """Address of a Dask scheduler on loopback with so many workers of one thread."""
    import distributed

    file = folder / f"scheduler{count}.json"
    command = [sys.executable, "-m"]
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": {**os.environ, "OMP_NUM_THREADS": "1"}}
    options = ["--scheduler-file", str(file), "--no-dashboard"]
    running = [
        subprocess.Popen(
            [*command, "distributed.cli.dask_scheduler", *options, "--host", "127.0.0.1", "--port", "0"], **quiet
        )
    ]
    try:
        for k in range(count):
            own = ["--no-nanny", "--nthreads", "1", "--local-directory", str(folder / f"{count}-{k}")]
            running.append(subprocess.Popen([*command, "distributed.cli.dask_worker", *options, *own], **quiet))
        with distributed.Client(scheduler_file=str(file), timeout=60, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)
        yield json.loads(file.read_text())["address"]
    finally:
        for process in running:
            process.kill()
            process.wait()


def measured(folder: Path, *, logs: int, minutes: float, counts: tuple[int, ...]) -> list[dict[str, float | str]]:
    """A row for each way and number of workers; the first log of each worker is its start-up."""
    most = max(counts)
    (folder / "logs").mkdir()
    write_logs(folder / "logs", logs=logs + most, minutes=minutes)
    tasks = tasks_of(folder / "logs")
    size = Path(tasks[0].log.place).stat().st_size
    rows: list[dict[str, float | str]] = []
    for way in ("processes", "cluster"):
        for count in counts:
            some = tasks[: logs + count]
            if way == "processes":
                seconds, moved = seconds_of(workers.on_this_machine(some, processes=count), first=count)
            else:
                with cluster(count, folder) as address:
                    seconds, moved = seconds_of(workers.on_cluster(some, address=address), first=count)
            rows.append(
                {"way": way, "workers": count, "per_hour": 3600 * logs / seconds, "read": size, "sent": moved / logs}
            )
    return rows


def table(rows: list[dict[str, float | str]], cores: int) -> str:
    """The rows as a Markdown table."""
    one = {row["way"]: float(row["per_hour"]) for row in rows if row["workers"] == 1}
    lines = [
        "| by | workers | logs an hour | share a worker | share a core | log, kB | sent back, kB |",
        "|---" * 7 + "|",
    ]
    for row in rows:
        gain = float(row["per_hour"]) / one[row["way"]]
        count = int(row["workers"])
        lines.append(
            f"| {row['way']} | {count} | {row['per_hour']:.0f} | {gain / count:.2f} | {gain / min(count, cores):.2f} "
            f"| {float(row['read']) / 1e3:.0f} | {float(row['sent']) / 1e3:.0f} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--logs", type=int, default=LOGS)
    parser.add_argument("--minutes", type=float, default=MINUTES)
    parser.add_argument("--workers", type=int, nargs="+", default=list(WORKERS))
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        rows = measured(Path(folder), logs=asked.logs, minutes=asked.minutes, counts=tuple(sorted({1, *asked.workers})))
    print(table(rows, len(os.sched_getaffinity(0))))


if __name__ == "__main__":
    main()
