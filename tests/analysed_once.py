"""One analysis for all tests that ask the same of the same files.

A command works its logs out anew each time, as it must. A test of what a command says, writes or refuses needs the
answer, not the work: with the fixture `analysed_once` (`conftest.py`) it gets the one that an earlier test of the
worker's asked for. Files are known by name and content, so a changed log is another one. The analysis itself is tested
without the fixture.
"""

import hashlib
from collections import OrderedDict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from analyzer import pipeline

KEPT = 12  # answers; some 20 MB each
_known: OrderedDict[tuple, Any] = OrderedDict()


def _file(path: Path | str | None) -> tuple[str, str] | None:
    return None if path is None else (Path(path).name, hashlib.sha256(Path(path).read_bytes()).hexdigest())


def _key(log_path: Path | str | Sequence[Path | str], settings: Sequence[Path | str | None], words: dict) -> tuple:
    logs = [log_path] if isinstance(log_path, (str, Path)) else log_path
    return (*map(_file, logs), "settings", *map(_file, settings), *sorted(words.items()))


def remembering(work: Callable) -> Callable:
    """`pipeline.analyze_with_fit`, which works a question out once; one that uses other runs' word, each time."""

    def found(*, log_path, car_path, setup_path=None, channels_path=None, knowledge=None, driven_with={}, **others):  # noqa: B006
        asked = dict(
            log_path=log_path, car_path=car_path, setup_path=setup_path, channels_path=channels_path,
            knowledge=knowledge, driven_with=driven_with, **others,
        )  # fmt: skip
        if knowledge is not None:
            return work(**asked)
        try:
            key = _key(log_path, (car_path, setup_path, channels_path), dict(driven_with))
        except OSError:  # a file that is not there is refused in the program's own words
            return work(**asked)
        if key not in _known:
            _known[key] = work(**asked)
            if len(_known) > KEPT:
                _known.popitem(last=False)
        _known.move_to_end(key)
        return _known[key]

    return found


def patched(patch: pytest.MonkeyPatch) -> None:
    """All ways from files to an answer go through this one."""
    patch.setattr(pipeline, "analyze_with_fit", remembering(pipeline.analyze_with_fit))
