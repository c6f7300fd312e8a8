"""Layers: arrows point one way.

The rule, as the code has it. `analyzer` has a base (errors, channels, words, files, settings), the car's
figures (`vehicle.car`, parameters only, read by every layer that needs a track or a radius), and then

    logs -> signals -> phases -> vehicle -> lockcurve -> agreement, findings, knowledge -> analysis
    -> pipeline, provenance -> comparison, advice -> presentation -> logbook, batch -> library -> commands

`differential` (what the parts should do) stands beside: it knows neither log nor measurement, and `lockcurve` (what
the log measured) does not know it, so that a prediction cannot leak into a fit. `simulation` makes logs; it shares the
car, and nothing that estimates. `dashboards` sits on top and is imported only inside its command.
"""

import ast
from functools import cache
from pathlib import Path

import pytest

import analyzer

ROOT = Path(analyzer.__file__).parents[1]  # of the packages under test, installed or not

# lowest first; a module may import its own layer and lower ones. The longest matching name counts.
LAYERS = (
    (
        "analyzer",
        "analyzer.arrays",
        "analyzer.errors",
        "analyzer.channels",
        "analyzer.files",
        "analyzer.in_words",
        "analyzer.long_arrays",
        "analyzer.robust",
        "analyzer.windows",
    ),
    ("analyzer.settings_file",),
    ("analyzer.vehicle.car",),
    ("analyzer.logs", "analyzer.differential"),
    ("analyzer.signals", "analyzer.simulation"),
    ("analyzer.phases",),
    ("analyzer.vehicle",),
    ("analyzer.lockcurve",),
    ("analyzer.agreement", "analyzer.findings", "analyzer.knowledge"),
    ("analyzer.analysis", "analyzer.log_check", "analyzer.stretches"),
    ("analyzer.one_log", "analyzer.provenance"),
    ("analyzer.pipeline",),
    ("analyzer.comparison", "analyzer.advice", "analyzer.planning"),  # made of whole analyses
    ("analyzer.presentation",),  # all that a person reads
    ("analyzer.logbook", "analyzer.batch"),  # keep whole analyses and run many
    ("analyzer.library", "analyzer.library_results"),  # what `import analyzer` gives
    ("analyzer.cli",),
)
NEVER = (
    ("analyzer.differential", "analyzer.lockcurve"),
    ("analyzer.lockcurve", "analyzer.differential"),
    ("analyzer.simulation", "analyzer.signals"),
    ("analyzer.simulation", "analyzer.lockcurve"),
    ("analyzer.signals", "analyzer.simulation"),
    ("analyzer.lockcurve", "analyzer.simulation"),
    ("analyzer.differential", "analyzer.logs"),
    ("analyzer.logs", "analyzer.differential"),
)
MODULES = sorted(p for folder in ("analyzer", "dashboards") for p in (ROOT / folder).rglob("*.py"))


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def imported(path: Path) -> list[tuple[str, bool]]:
    """(module, at import time) of every import that runs; those for type checkers only do not count."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    inside, checking = set(), set()
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            inside |= set(map(id, ast.walk(node)))
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            checking |= {id(n) for statement in node.body for n in ast.walk(statement)}
    found = []
    for node in ast.walk(tree):
        if id(node) in checking:
            continue
        if isinstance(node, ast.Import):
            found += [(alias.name, id(node) not in inside) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                is_module = (ROOT / Path(*whole.split("."))).with_suffix(".py").exists()
                found.append((whole if is_module else node.module, id(node) not in inside))
    return found


def within(name: str, package: str) -> bool:
    return name == package or name.startswith(package + ".")


def layer(name: str) -> int:
    best = max(
        (
            (len(package), level)
            for level, packages in enumerate(LAYERS)
            for package in packages
            if within(name, package)
        )
    )
    return best[1]


def test_there_is_something_to_check():
    assert len(MODULES) > 60
    assert sum(len(imported(p)) for p in MODULES) > 200


@pytest.mark.parametrize("path", [p for p in MODULES if "analyzer" in p.relative_to(ROOT).parts[:1]], ids=name_of)
def test_no_module_imports_a_higher_layer(path):
    name = name_of(path)
    up = [other for other, _ in imported(path) if within(other, "analyzer") and layer(other) > layer(name)]
    assert not up, f"{name} imports higher layers: {up}"


def test_every_package_has_a_layer():
    top = {package for packages in LAYERS for package in packages}
    for path in (ROOT / "analyzer").iterdir():
        if path.suffix == ".py" or (path / "__init__.py").exists():
            name = name_of(path / "__init__.py" if path.is_dir() else path)
            assert name in top, f"{name} has no layer; add it to LAYERS"


@pytest.mark.parametrize("source, target", NEVER)
def test_measured_and_predicted_and_simulated_never_meet(source, target):
    """Through any chain of imports, not only in one step."""
    graph = {name_of(p): [other for other, _ in imported(p)] for p in MODULES}
    for start in (name for name in graph if within(name, source)):
        seen, queue = set(), [start]
        while queue:
            here = queue.pop()
            assert not within(here, target), f"{start} reaches {here}"
            queue += [other for other in graph.get(here, []) if other in graph and other not in seen]
            seen |= set(graph.get(here, []))


def test_only_the_dashboard_command_imports_dashboards_and_only_when_it_runs():
    for path in MODULES:
        if not within(name_of(path), "analyzer"):
            continue
        for other, at_import in imported(path):
            if within(other, "dashboards"):
                assert name_of(path) == "analyzer.cli.dashboard" and not at_import, name_of(path)


def test_a_wrong_import_would_be_seen():
    assert layer("analyzer.lockcurve.fit") > layer("analyzer.signals.calibrate") > layer("analyzer.vehicle.car")
    assert layer("analyzer.vehicle.axle") > layer("analyzer.phases.corners") > layer("analyzer.logs.read")
