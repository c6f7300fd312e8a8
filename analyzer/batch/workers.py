"""Works tasks off, in processes of this machine or on the workers of a running Dask scheduler; the work of one log
is the same function there and here. Imports little at its start.
"""

import multiprocessing
import multiprocessing.connection
import os
import signal
import tempfile
import threading
import zlib
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import TYPE_CHECKING, Any

from analyzer.batch.places import Log
from analyzer.errors import HalfshaftError, InputError
from analyzer.in_words import printable
from analyzer.provenance import Provenance, code_version, hash_of_logs, hash_stream

if TYPE_CHECKING:
    from analyzer.analysis import Analysis

CONNECT_S = 10.0
AHEAD = 2  # tasks handed out for each thread of a cluster: one it works on, one that is there when it is over
PACKING = 6  # zlib's own default; what a worker sends is a fifth of the text
WORKER_S = 60.0  # how long a scheduler may be without any worker


@dataclass(frozen=True)
class Settings:
    """A settings file as it travels to another machine: its name and its text."""

    name: str
    text: bytes


@dataclass(frozen=True)
class Task:
    """One log, or the logs of one run, with what to analyse them with.

    Attributes
    ----------
    expected : without a log hash; the worker finds it as it reads.
    before : SHA-256 of the log whose rows are there already; a log that still has it is not analysed again.
    """

    log: Log
    car: Settings
    setup: Settings | None
    channels: Settings | None
    expected: Provenance
    before: str | None = None


@dataclass(frozen=True)
class Outcome:
    """What came of a task: rows (Parquet bytes) and result (JSON, deflated), or the reason there are none.

    `log_sha256` is None where the log could not be read; `same` says that its rows are there already.
    """

    log: str
    log_sha256: str | None
    rows: bytes | None = None
    packed: bytes | None = None
    reason: str | None = None
    same: bool = False

    @property
    def result(self) -> str:
        """The result as JSON text."""
        return "" if self.packed is None else zlib.decompress(self.packed).decode("utf-8")


def analyse_log(task: Task) -> Outcome:
    """Read, hash and analyse one log; what a user can mend comes back as the outcome's reason."""
    try:
        if task.expected.code != code_version():
            raise InputError(
                f"{task.log.name}: the worker runs halfshaft {code_version()}, the batch {task.expected.code}; install "
                "the same version on both."
            )
        with tempfile.TemporaryDirectory(prefix="halfshaft-") as folder:
            return _analyse(task, Path(folder))
    except HalfshaftError as error:
        return Outcome(task.log.name, None, reason=str(error))


def _analyse(task: Task, folder: Path) -> Outcome:
    paths, hashes = [], []
    for k, log in enumerate(task.log.run):
        (folder / f"log{k}").mkdir()
        # libraries that open files by themselves take no name that is not UTF-8
        paths.append(folder / f"log{k}" / printable(PurePosixPath(log.name).name))
        with log.open() as source, paths[-1].open("wb") as copy:
            hashes.append(hash_stream(source, copy=copy))
    sha256 = hash_of_logs(hashes)
    if sha256 == task.before:
        return Outcome(task.log.name, sha256, same=True)
    from analyzer.pipeline import analyze
    from analyzer.presentation.result_json import to_json

    try:
        analysis = analyze(
            log_path=paths,
            car_path=_write(folder / "car", task.car),
            setup_path=None if task.setup is None else _write(folder / "setup", task.setup),
            channels_path=None if task.channels is None else _write(folder / "channels", task.channels),
        )
    except HalfshaftError as error:
        return Outcome(task.log.name, sha256, reason=str(error))
    made_from = replace(task.expected, log_sha256=sha256)
    packed = zlib.compress(to_json(analysis).encode("utf-8", "replace"), PACKING)
    return Outcome(task.log.name, sha256, rows=_rows(task, analysis, made_from), packed=packed)


def _rows(task: Task, analysis: "Analysis", made_from: Provenance) -> bytes:
    from analyzer.batch.progress import part_bytes, phase_table

    return part_bytes(phase_table(analysis, task.log), made_from)


def _write(folder: Path, settings: Settings) -> Path:
    folder.mkdir()
    path = folder / settings.name
    path.write_bytes(settings.text)
    return path


def on_this_machine(tasks: list[Task], *, processes: int) -> Iterator[Outcome]:
    """The outcome of each task, as they come; a process that dies takes no other task with it.

    Raises
    ------
    KeyboardInterrupt : Ctrl-C; the outcomes of what was under way come first.
    """
    waiting, stopped = deque(tasks), False
    while waiting:
        suspects: list[Task] = []
        with _pool(min(processes, len(waiting))) as pool:
            running: dict[Future[Outcome], Task] = {}
            while (waiting or running) and not suspects:
                while waiting and len(running) < processes:
                    task = waiting.popleft()
                    running[pool.submit(analyse_log, task)] = task
                try:
                    over = wait(running, return_when=FIRST_COMPLETED).done
                except KeyboardInterrupt:
                    if stopped:
                        raise
                    stopped = True
                    waiting.clear()
                    continue
                for future in over:
                    task = running.pop(future)
                    if isinstance(future.exception(), BrokenProcessPool):
                        suspects.append(task)
                    else:
                        yield _local_outcome(task, future)
            suspects += running.values()
        # one of them ended its process, and with it the pool; each alone shows which
        yield from (_alone(task) for task in suspects)
    if stopped:
        raise KeyboardInterrupt


def _alone(task: Task) -> Outcome:
    with _pool(1) as pool:
        return _local_outcome(task, pool.submit(analyse_log, task))


def _local_outcome(task: Task, future: Future[Outcome]) -> Outcome:
    error = future.exception()
    if error is None:
        return future.result()
    if isinstance(error, BrokenProcessPool):
        why = "its process was ended by the system, most likely for want of memory; use fewer --processes."
    else:
        why = f"the analysis ended unexpectedly ({type(error).__name__}: {error}); keep the log and report it."
    return Outcome(task.log.name, None, reason=f"{task.log.name}: {why}")


def _pool(processes: int) -> ProcessPoolExecutor:
    # spawned, because a fork of a process with threads may hang
    return ProcessPoolExecutor(processes, mp_context=multiprocessing.get_context("spawn"), initializer=_begin)


def _begin() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the process that hands out the work
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is None:
        return
    multiprocessing.connection.wait([parent.sentinel])
    os._exit(4)


def on_cluster(tasks: Iterable[Task], *, address: str) -> Iterator[Outcome]:
    """The outcome of each task, as they come. A task whose worker dies goes to another one; each comes once.

    Parameters
    ----------
    address : of the scheduler, such as tcp://host:8786.

    Raises
    ------
    InputError : distributed is not installed, nothing answers at the address, or no worker is there.
    """
    distributed = _distributed()
    try:
        client = distributed.Client(address, timeout=CONNECT_S)
    except (OSError, ValueError, TimeoutError) as error:
        raise InputError(
            f"--scheduler {address}: no scheduler answers there ({error}); start one with `dask scheduler`, and "
            "workers with `dask worker ADDRESS`."
        ) from None
    with client:
        try:
            client.wait_for_workers(1, timeout=WORKER_S)
        except TimeoutError:
            raise InputError(
                f"--scheduler {address}: has no workers; start one with `dask worker {address}`."
            ) from None
        waiting, over = iter(tasks), distributed.as_completed()
        running: dict[Any, Task] = {}
        while True:
            threads = max(1, sum(client.nthreads().values()))  # workers come and go
            for task in islice(waiting, max(0, AHEAD * threads - len(running))):
                future = client.submit(analyse_log, task, pure=False)
                running[future] = task
                over.add(future)
            if not running:
                return
            future = next(over)
            yield _cluster_outcome(running.pop(future), future)
            future.release()


def _cluster_outcome(task: Task, future: Any) -> Outcome:
    error = future.exception() if future.status == "error" else None
    if error is None and future.status == "finished":
        outcome: Outcome = future.result()
        return outcome
    why = f"{type(error).__name__}: {error}" if error is not None else future.status
    return Outcome(
        task.log.name,
        None,
        reason=f"{task.log.name}: the cluster could not do it ({why}); look at the worker's log.",
    )


def _distributed() -> Any:
    try:
        import distributed
    except ModuleNotFoundError:
        raise InputError(
            "--scheduler needs Dask distributed; install it with pip install 'halfshaft[cluster]'."
        ) from None
    return distributed
