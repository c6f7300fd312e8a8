"""Advice on a run, worked out in a child process; what came out is kept as long as the server runs."""

import json
import subprocess
import sys
import threading
from dataclasses import dataclass, field
from importlib import resources
from pathlib import Path
from typing import IO, Any, cast

from analyzer.errors import InputError
from dashboards.jobs import CRASHED, child_environment
from dashboards.logbook import Logbook

SAMPLE_PARTS = "shelf.parts.toml"
NO_SETUP = "This run has no setup file, so no shelf part can be put in place of a fitted one. Analyse it with one."


@dataclass
class State:
    """How far the advice on a run is: `step` and `share` (0: not known) while under way, then `advice` or `error`."""

    step: str = "starting"
    share: float = 0.0
    error: str = ""
    advice: dict[str, Any] = field(default_factory=dict)

    @property
    def under_way(self) -> bool:
        """Neither advice nor refusal yet."""
        return not self.error and not self.advice


class Advising:
    """One piece of advice a run at a time. The child's input is its lifeline: it ends with this server."""

    def __init__(self, logbook: Logbook) -> None:
        self._logbook = logbook
        self._states: dict[str, State] = {}
        self._lock = threading.Lock()

    def start(self, run_id: str, parts: str | None) -> None:
        """Begin, with the text of a parts file or the sample's; nothing where it is under way already.

        Raises
        ------
        InputError : no such run, or it has no setup file.
        """
        job = self._logbook.job(run_id)
        if job["setup"] is None:
            raise InputError(NO_SETUP)
        text = sample_parts().read_text("utf-8") if parts is None else parts
        with self._lock:
            before = self._states.get(run_id)
            if before is not None and before.under_way:
                return
            state = self._states[run_id] = State()
        threading.Thread(target=self._follow, args=(run_id, text, state), daemon=True).start()

    def state(self, run_id: str) -> State | None:
        """How far it is; None where nobody asked."""
        return self._states.get(run_id)

    def _follow(self, run_id: str, parts: str, state: State) -> None:
        ending: dict[str, Any] = {"error": CRASHED}
        try:
            child = subprocess.Popen(
                [sys.executable, "-m", "dashboards.worker", str(self._logbook.folder), run_id, "advise"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                text=True,
                env=child_environment(),
            )
            with child:
                told = cast(IO[str], child.stdin)
                told.write(json.dumps({"parts": parts}) + "\n")
                told.flush()
                for line in cast(IO[str], child.stdout):
                    said = json.loads(line)
                    if "step" in said:
                        state.step, state.share = said["step"], round(said["share"], 3)
                    else:
                        ending = said
        except (OSError, ValueError):
            ending = {"error": CRASHED}
        state.advice, state.error = ending.get("advice", {}), ending.get("error", "")


def sample_parts() -> Path:
    """The shipped parts file."""
    return Path(str(resources.files("sample_logs"))) / SAMPLE_PARTS
