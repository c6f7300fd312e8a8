"""Works tasks off, in processes of this machine or on the workers of a running Dask scheduler: the same function."""

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import Any

from analyzer.batch.work import Outcome, Task, analyse_log
from analyzer.errors import InputError

CONNECT_S = 10.0
WORKER_S = 60.0  # how long a scheduler may be without any worker


def on_this_machine(tasks: list[Task], *, processes: int) -> Iterator[Outcome]:
    """The outcome of each task, as they come; a process that dies takes no other task with it.

    Raises
    ------
    KeyboardInterrupt : Ctrl-C; the outcomes of what was under way come first.
    """
    os.environ.setdefault("OMP_NUM_THREADS", "1")  # one thread a process; the processes share out the cores
    waiting, stopped = deque(tasks), False
    while waiting:
        suspects: list[Task] = []
        with _pool(min(processes, len(waiting))) as pool:
            running: dict[Future, Task] = {}
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


def _local_outcome(task: Task, future: Future) -> Outcome:
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


def on_cluster(tasks: list[Task], *, address: str) -> Iterator[Outcome]:
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
        futures = {client.submit(analyse_log, task, pure=False): task for task in tasks}
        for future in distributed.as_completed(list(futures)):
            yield _cluster_outcome(futures.pop(future), future)
            future.release()


def _cluster_outcome(task: Task, future: Any) -> Outcome:
    error = future.exception() if future.status == "error" else None
    if error is None and future.status == "finished":
        return future.result()
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
