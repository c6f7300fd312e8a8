"""A batch on a real Dask scheduler with two worker processes on loopback, one of which is killed mid-way."""

import os
import signal
import subprocess
import sys
import threading
import time

import pandas as pd
import pytest

from analyzer.batch.run import run_batch

distributed = pytest.importorskip("distributed")
LOGS = 4


@pytest.fixture
def dask(tmp_path):
    """(address of a scheduler, its two worker processes)."""
    env = {**os.environ, "OMP_NUM_THREADS": "1"}
    port_file = tmp_path / "scheduler.json"

    def begin(command, *options):
        line = [sys.executable, "-m", f"distributed.cli.{command}", "--scheduler-file", str(port_file), *options]
        return subprocess.Popen(
            [*line, "--no-dashboard"], env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )

    processes = [begin("dask_scheduler", "--host", "127.0.0.1", "--port", "0")]
    for name in ("one", "two"):
        local_folder = ("--local-directory", str(tmp_path / name))
        processes.append(begin("dask_worker", "--no-nanny", "--nthreads", "1", "--name", name, *local_folder))
    with distributed.Client(scheduler_file=str(port_file), timeout=60, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)
        address = client.scheduler.address
    yield address, processes[1:]
    for process in processes:
        process.kill()
        process.wait(timeout=20)


@pytest.mark.slow
def test_a_worker_that_dies_loses_nothing_and_doubles_nothing(dask, cut_logs, car, tmp_path, in_this_process):
    address, workers = dask
    folder = tmp_path / "logs"
    folder.mkdir()
    names = [f"log{k}.parquet" for k in range(LOGS)]
    for k, name in enumerate(names):
        source = "baseline" if k % 2 else "steeper_ramps"
        (folder / name).write_bytes((cut_logs / f"{source}.parquet").read_bytes())
    (folder / "zz_broken.csv").write_text("nothing\n")
    over = []
    killed = threading.Event()

    def progress(done, total, name):
        over.append(name)
        if len(over) == 2:
            os.kill(workers[0].pid, signal.SIGKILL)
            killed.set()
            time.sleep(0.1)

    report = run_batch(folder=str(folder), car_path=car, out=tmp_path / "out", scheduler=address, progress=progress)
    assert killed.is_set() and workers[0].poll() is not None and workers[1].poll() is None
    assert sorted(report.analysed) == names
    assert sorted(over) == [*names, "zz_broken.csv"]  # each once
    assert list(report.failed) == ["zz_broken.csv"]
    table = pd.read_parquet(report.season)
    counts = table.groupby("log").size()
    assert sorted(counts.index) == names
    assert not table.duplicated(["log", "lap", "corner", "phase", "start_s"]).any()
    # and it says what one machine says
    alone = run_batch(folder=str(folder), car_path=car, out=tmp_path / "alone", processes=1)
    assert sorted(alone.analysed) == names
    here = pd.read_parquet(alone.season)
    order = {"by": ["log", "start_s"], "ignore_index": True}
    pd.testing.assert_frame_equal(table.sort_values(**order), here.sort_values(**order))
