"""Removals that can be taken back for a while."""

import threading
from collections.abc import Callable

UNDO_S = 60.0  # in which a removal can be taken back


class Removals:
    """What is to be removed, each by a timer of its own; `remove` is called with an id once it is final.

    A server that ends before keeps what was to go.
    """

    def __init__(self, remove: Callable[[str], None]) -> None:
        self._remove = remove
        self._timers: dict[str, threading.Timer] = {}
        self._lock = threading.Lock()

    def begin(self, key: str) -> None:
        """Remove it in `UNDO_S`."""
        timer = threading.Timer(UNDO_S, self._final, args=(key,))
        timer.daemon = True
        with self._lock:
            self._timers[key] = timer
        timer.start()

    def take_back(self, key: str) -> None:
        """Keep it after all; nothing where it is too late."""
        with self._lock:
            timer = self._timers.pop(key, None)
        if timer is not None:
            timer.cancel()

    def waiting(self) -> list[str]:
        """What can still be had back, the last removed first."""
        with self._lock:
            return list(reversed(self._timers))

    def _final(self, key: str) -> None:
        with self._lock:
            if self._timers.pop(key, None) is None:
                return
        self._remove(key)
