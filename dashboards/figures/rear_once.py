"""The rear axle seen from the corner, worked out once for an analysis and forgotten with it: on two million rows it
takes half a second, and every redraw asks for it."""

import weakref

from analyzer.analysis import Analysis
from analyzer.findings.rear_axle import RearAxle, rear_axle

_known: dict[int, RearAxle] = {}


def rear_of(analysis: Analysis) -> RearAxle:
    """Inside and outside of this very analysis; another run, or the same run analysed again, is another object."""
    key = id(analysis)
    found = _known.get(key)
    if found is None:
        found = _known[key] = rear_axle(analysis.signals, analysis.axle, analysis.car)
        weakref.finalize(analysis, _known.pop, key, None)  # before the id can be given to another
    return found
