"""Runs analyses in child processes: progress, cancel, several at once, and none outlives the server. Questions on a
run that take a while are answered the same way; answers stay as long as the server runs.
"""

import atexit
import json
import os
import subprocess
import sys
import threading
from contextlib import suppress
from dataclasses import dataclass
from typing import IO, Any, Generic, TypeVar, cast

from analyzer.errors import HalfshaftError
from dashboards.logbook import Logbook

AT_ONCE = 2
CRASHED = "The analysis ended unexpectedly. Try again; if it happens again, keep the log and report it."

A = TypeVar("A")  # the answer to a question, as JSON


def child_environment() -> dict[str, str]:
    """Of every child: one thread each, for several run at once."""
    return {**os.environ, "OMP_NUM_THREADS": "1"}


class _Job:
    """One start of a run; a run that was cancelled may be started again before the first job has ended."""

    def __init__(self) -> None:
        self.cancelled = False
        self.begun = False


class Jobs:
    """Children by run id. Threads only wait for their child's lines."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._jobs: dict[str, _Job] = {}
        self._children: dict[str, subprocess.Popen[str]] = {}
        self._lock = threading.Lock()
        self._slots = threading.Semaphore(AT_ONCE)
        self._closed = False
        for run_id in logbook.under_way():
            with suppress(HalfshaftError):  # a logbook that may only be read is shown as it is
                logbook.set_status(run_id, state="cancelled", message="The server stopped before this was done.")
        atexit.register(self.close)

    def start(self, run_id: str) -> None:
        """Queue a run that was made by `Logbook.new_run`; one that is under way or done already is left alone."""
        with self._lock:
            before = self._jobs.get(run_id)
            # one that has begun is no more what waits: its child may take seconds to end after it put its result in
            queued = before is not None and not before.cancelled and not before.begun
            if queued or self._logbook.run(run_id).state != "waiting":
                return
            job = self._jobs[run_id] = _Job()
        threading.Thread(target=self._follow, args=(run_id, job), daemon=True).start()

    def cancel(self, run_id: str) -> None:
        """End a run; does nothing when it is already over."""
        with self._lock:
            if self._logbook.run(run_id).state not in ("waiting", "running"):
                return
            if run_id in self._jobs:
                self._jobs[run_id].cancelled = True
            child = self._children.get(run_id)
            if child is not None:
                child.kill()
        self._logbook.set_status(run_id, state="cancelled", message="Cancelled.")

    def close(self) -> None:
        """End every child and begin no other; the next server says that they were ended."""
        with self._lock:
            self._closed = True
            for child in self._children.values():
                child.kill()

    def _follow(self, run_id: str, job: _Job) -> None:
        with self._slots:
            try:
                ending = self._work(run_id, job)
            except (OSError, ValueError, HalfshaftError):  # no process to be had, a line that is no JSON, a full disk
                ending = {"error": CRASHED}
            with self._lock:
                # never begun, or cancelled or done and started anew meanwhile
                if ending is None or self._closed or self._jobs[run_id] is not job:
                    return
                del self._jobs[run_id]
                self._children.pop(run_id, None)
                if job.cancelled:
                    self._logbook.set_status(run_id, state="cancelled", message="Cancelled.")
                elif "error" in ending:
                    self._logbook.set_status(run_id, state="failed", message=ending["error"])
                else:
                    self._logbook.set_status(run_id, state="done", share=1.0)

    def _work(self, run_id: str, job: _Job) -> dict[str, str] | None:
        """Start a job's child and pass on how far it is; its last word, None where it was not wanted any more."""
        with self._lock:
            if job.cancelled or self._closed:
                return None
            # its turn has come; on a busy machine the child takes seconds until it tells anything
            self._logbook.set_status(run_id, state="running", step="starting")
            job.begun = True
            child = self._children[run_id] = subprocess.Popen(
                [sys.executable, "-m", "dashboards.worker", str(self._logbook.folder), run_id],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                env=child_environment(),
            )
        ending = {"error": CRASHED}
        with child:  # whatever happens here, it closes the child's input, which ends the child
            for line in cast(IO[str], child.stdout):
                told = json.loads(line)
                if "step" not in told:
                    ending = told
                elif not job.cancelled:
                    self._logbook.goes_on(run_id, step=told["step"], share=told["share"])
        return ending


@dataclass
class State(Generic[A]):
    """How far a question is: `step` and `share` (0: not known) while under way, then `answer` or `error`."""

    step: str = "starting"
    share: float = 0.0
    error: str = ""
    answer: A | None = None

    @property
    def under_way(self) -> bool:
        """Neither answered nor refused yet."""
        return not self.error and self.answer is None


class Asking(Generic[A]):
    """Questions of one kind, `advise`, `plan` or `worth` of `dashboards.worker`. What was asked with the same words is
    not asked again, unless it was refused. A child's input is its lifeline: it ends with this server."""

    def __init__(self, logbook: Logbook, kind: str) -> None:
        self._logbook, self._kind = logbook, kind
        self._states: dict[tuple[str, str], State[A]] = {}
        self._last: dict[str, tuple[str, str]] = {}
        self._lock = threading.Lock()

    def start(self, run_id: str, words: str = "") -> State[A]:
        """Ask, with the words that the question of this kind takes."""
        asked = run_id, words
        with self._lock:
            self._last[run_id] = asked
            before = self._states.get(asked)
            if before is not None and not before.error:
                return before
            state = self._states[asked] = State()
        threading.Thread(target=self._follow, args=(run_id, words, state), daemon=True).start()
        return state

    def state(self, run_id: str, words: str | None = None) -> State[A] | None:
        """How far a question on a run is, the last one where no words are given; None where nobody asked."""
        with self._lock:
            return self._states.get(self._last.get(run_id, ("", "")) if words is None else (run_id, words))

    def _follow(self, run_id: str, words: str, state: State[A]) -> None:
        ending: dict[str, Any] = {"error": CRASHED}
        try:
            child = subprocess.Popen(
                [sys.executable, "-m", "dashboards.worker", str(self._logbook.folder), run_id, self._kind],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                env=child_environment(),
            )
            with child:
                told = cast(IO[str], child.stdin)
                told.write(json.dumps(words) + "\n")
                told.flush()
                for line in cast(IO[str], child.stdout):
                    said = json.loads(line)
                    if "step" in said:
                        state.step, state.share = said["step"], round(said["share"], 3)
                    else:
                        ending = said
        except (OSError, ValueError):
            ending = {"error": CRASHED}
        state.answer, state.error = ending.get("answer"), ending.get("error", "")
