"""Works tasks off in processes of this machine."""

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool

from analyzer.batch.work import Outcome, Task, analyse_log


def outcomes(tasks: list[Task], *, processes: int) -> Iterator[Outcome]:
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
                        yield _outcome(task, future)
            suspects += running.values()
        # one of them ended its process, and with it the pool; each alone shows which
        yield from (_alone(task) for task in suspects)
    if stopped:
        raise KeyboardInterrupt


def _alone(task: Task) -> Outcome:
    with _pool(1) as pool:
        return _outcome(task, pool.submit(analyse_log, task))


def _outcome(task: Task, future: Future) -> Outcome:
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
