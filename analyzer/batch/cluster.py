"""Works tasks off on a Dask distributed cluster: the same function, on the workers of a running scheduler."""

from collections.abc import Iterator
from typing import Any

from analyzer.batch.work import Outcome, Task, analyse_log
from analyzer.errors import InputError

CONNECT_S = 10.0
WORKER_S = 60.0  # how long a scheduler may be without any worker


def outcomes(tasks: list[Task], *, address: str) -> Iterator[Outcome]:
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
            yield _outcome(futures.pop(future), future)
            future.release()


def _outcome(task: Task, future: Any) -> Outcome:
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
