"""The examples in the docstrings of `analyzer`, run as they stand."""

import doctest
import importlib
from pathlib import Path

import pytest

import analyzer

ROOT = Path(analyzer.__file__).parent
# what a stranger calls first; each must show how
SHOWN = {
    "analyzer.comparison.comparison.compare",
    "analyzer.comparison.phase_changes.rate_ratio",
    "analyzer.differential.clamp.locking_value",
    "analyzer.differential.clamp.pack_torque_Nm",
    "analyzer.differential.predicted.predict_lock_curve",
    "analyzer.differential.clamp.thrust_N_per_Nm",
    "analyzer.differential.springs.disc_force_N",
    "analyzer.lockcurve.model.locking_torque_Nm",
    "analyzer.library.analyze",
    "analyzer.library.compare",
    "analyzer.library.plan",
    "analyzer.library.predict",
    "analyzer.library.read_log",
    "analyzer.pipeline.analyze",
    "analyzer.simulation.simulated_session.simulate_session",
    "analyzer.vehicle.tyres.wheel_loads",
    "analyzer.vehicle.tyres.wheel_forces",
}


def examples() -> dict[str, doctest.DocTest]:
    """Dotted name -> the examples in that docstring."""
    found = {}
    for path in sorted(ROOT.rglob("*.py")):
        if ">>> " in path.read_text("utf-8"):
            name = ".".join(path.relative_to(ROOT.parent).with_suffix("").parts)
            finder = doctest.DocTestFinder(exclude_empty=True)
            found |= {test.name: test for test in finder.find(importlib.import_module(name)) if test.examples}
    return found


EXAMPLES = examples()
SLOW = {
    "analyzer.comparison.comparison.compare",
    "analyzer.library.compare",
    "analyzer.simulation.simulated_session.simulate_session",
}


@pytest.mark.parametrize(
    "name", [pytest.param(name, marks=pytest.mark.slow) if name in SLOW else name for name in EXAMPLES]
)
def test_the_example_does_what_it_says(name):
    said: list[str] = []
    results = doctest.DocTestRunner().run(EXAMPLES[name], out=said.append)
    assert results.attempted and not results.failed, "".join(said)


def test_what_a_stranger_calls_first_has_an_example():
    assert EXAMPLES.keys() >= SHOWN
