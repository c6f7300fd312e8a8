"""Questions on a run that take a while, each answered by a child process; answers stay as long as the server runs."""

import json
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from typing import IO, Any, cast

from dashboards.jobs import CRASHED, child_environment
from dashboards.logbook import Logbook


@dataclass
class State:
    """How far a question is: `step` and `share` (0: not known) while under way, then `answer` or `error`."""

    step: str = "starting"
    share: float = 0.0
    error: str = ""
    answer: dict[str, Any] = field(default_factory=dict)

    @property
    def under_way(self) -> bool:
        """Neither answered nor refused yet."""
        return not self.error and not self.answer


class Asking:
    """Questions of one kind, `advise`, `plan` or `worth` of `dashboards.worker`. What was asked with the same words is
    not asked again, unless it was refused. A child's input is its lifeline: it ends with this server."""

    def __init__(self, logbook: Logbook, kind: str) -> None:
        self._logbook, self._kind = logbook, kind
        self._states: dict[tuple[str, str], State] = {}
        self._last: dict[str, tuple[str, str]] = {}
        self._lock = threading.Lock()

    def start(self, run_id: str, words: str = "") -> State:
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

    def state(self, run_id: str, words: str | None = None) -> State | None:
        """How far a question on a run is, the last one where no words are given; None where nobody asked."""
        with self._lock:
            return self._states.get(self._last.get(run_id, ("", "")) if words is None else (run_id, words))

    def _follow(self, run_id: str, words: str, state: State) -> None:
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
        state.answer, state.error = ending.get("answer", {}), ending.get("error", "")
