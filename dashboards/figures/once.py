"""What is worked out once for an analysis and forgotten with it: on two million rows each takes some tenths of a
second, and every redraw asks for it."""

import weakref
from collections.abc import Callable
from typing import Any, cast

import numpy as np

from analyzer.analysis import Analysis
from analyzer.findings.rear_axle import RearAxle, rear_axle
from analyzer.report.figures.path_layout import drawn_path

_known: dict[int, dict[Callable, Any]] = {}


def rear_of(analysis: Analysis) -> RearAxle:
    """Inside and outside of this very analysis; another run, or the same run analysed again, is another object."""
    return cast(RearAxle, once(analysis, _rear))


def path_of(analysis: Analysis) -> tuple[np.ndarray, np.ndarray]:
    """`drawn_path` of this very analysis."""
    return cast(tuple[np.ndarray, np.ndarray], once(analysis, drawn_path))


def _rear(analysis: Analysis) -> RearAxle:
    return rear_axle(analysis.signals, analysis.axle, analysis.car)


def once(analysis: Analysis, work: Callable[[Analysis], Any]) -> Any:
    """What `work` gives for this very analysis, worked out at the first time."""
    key = id(analysis)
    if key not in _known:
        weakref.finalize(analysis, _known.pop, key, None)  # before the id can be given to another
    found = _known.setdefault(key, {})
    if work not in found:
        found[work] = work(analysis)
    return found[work]
