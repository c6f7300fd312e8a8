"""`python -m tests.accuracy.constants [ROOM ...]`: how far each numeric constant of the code moves the answer.

    python -m tests.accuracy.constants                        rooms that make the answer, half an hour on one core
    python -m tests.accuracy.constants signals --without      those beside which no comment says where they are from

Each constant of a module is made smaller and larger by `FACTORS` in turn, wherever it was imported to, and the logs are
analysed anew from the file on. A row is a constant that moved anything: the largest shift of a point of the lock curve
over half of its interval, the largest change of an interval's width, relative, and how many findings came or went. What
is worked out from a constant when a module is imported keeps its value.
"""

import argparse
import ast
import importlib
import multiprocessing
import pkgutil
import re
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import numpy as np

from analyzer.pipeline import analyze

from .random_sessions import simulate_random

ROOMS = ("signals", "phases", "vehicle", "lockcurve", "agreement", "findings")
FACTORS = (0.7, 1.4)
SEED = 7  # of the session with every nuisance: one of those that constants are chosen on
SHOWN = 0.01  # of half an interval, or of its width
GRID_Nm = np.arange(-600.0, 1801.0, 100.0)  # input torques at which curves are held against each other
DEFINED: set[tuple[str, str]] = set()  # (module, name) of every constant


@dataclass(frozen=True)
class Constant:
    """A number at the head of a module; `origin` says whether a comment or the module's text speaks of it."""

    module: str
    name: str
    value: float
    origin: bool


@dataclass(frozen=True)
class Moved:
    """What changed of the answers: see the module."""

    shift: float
    width: float
    findings: int


def constants(rooms: tuple[str, ...]) -> Iterator[Constant]:
    """Those of the modules of some rooms that are a single number."""
    for room in rooms:
        package = importlib.import_module(f"analyzer.{room}")
        for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            module = importlib.import_module(found.name)
            yield from _of_module(found.name, Path(module.__file__).read_text("utf-8"), vars(module))


def _of_module(module: str, text: str, values: dict) -> Iterator[Constant]:
    lines, tree = text.splitlines(), ast.parse(text)
    doc = ast.get_docstring(tree) or ""
    for number, node in enumerate(tree.body):
        if not isinstance(node, ast.Assign) or "SEED" in ast.unparse(node.targets[0]):
            continue
        said = _said(lines, tree.body, number)
        for name in (part.id for part in ast.walk(node.targets[0]) if isinstance(part, ast.Name)):
            value = values.get(name)
            if (
                re.fullmatch(r"_?[A-Z][A-Za-z0-9_]*", name)
                and isinstance(value, (int, float))
                and not isinstance(value, bool)
                and value
            ):
                yield Constant(module, name, value, said or name in doc)


def _said(lines: list[str], body: list[ast.stmt], number: int) -> bool:
    """Whether a comment stands on a statement's lines, or over it or over the block of assignments that it is in."""
    node = body[number]
    if any("#" in line for line in lines[node.lineno - 1 : node.end_lineno]):
        return True
    first = node.lineno
    while number and isinstance(body[number - 1], ast.Assign) and body[number - 1].end_lineno == first - 1:
        number -= 1
        first = body[number].lineno
        if any("#" in line for line in lines[first - 1 : body[number].end_lineno]):
            return False  # that comment is of its own line
    return lines[first - 2].lstrip().startswith("#")


def logs(folder: Path) -> list[dict]:
    """What is analysed: two shipped logs, with all channels and with few, and one of a rough car."""
    samples = Path(str(resources.files("sample_logs")))
    run = simulate_random(SEED, "all")
    run.write(folder)
    own = {"car": samples / "club_car.toml", "setup": samples / "baseline.setup.toml"}
    return [
        {"log_path": samples / "baseline.parquet", **own},
        {"log_path": samples / "baseline_minimum.csv", **own},
        {"log_path": folder / "laps.parquet", "car": folder / "car.toml", "setup": folder / "setup.toml"},
    ]


@dataclass(frozen=True)
class Answer:
    """Of one log: points of the lock curve and their intervals (n,), and what was found where."""

    value: np.ndarray
    lower: np.ndarray
    upper: np.ndarray
    found: frozenset


def answer(asked: dict) -> Answer | None:
    """None where the log is refused, or where the code does not work with the constant, which then is a count of rows
    and no figure."""
    try:
        analysis = analyze(log_path=asked["log_path"], car_path=asked["car"], setup_path=asked["setup"])
    except Exception:  # a count of rows or places that is another breaks the code anywhere, in any way
        return None
    points = {p.input_torque_Nm: p for p in analysis.lock_curve.points}
    value, lower, upper = (
        np.interp(GRID_Nm, list(points), [np.nan if v is None else v for v in of], left=np.nan, right=np.nan)
        for of in zip(*((p.locking_torque_Nm, p.lower_Nm, p.upper_Nm) for p in points.values()), strict=True)
    )
    return Answer(value, lower, upper, frozenset((f.kind, f.lap, f.corner) for f in analysis.findings))


def with_constant(task: tuple[Constant | None, float, list[dict]]) -> list[Answer | None]:
    """Answers with one constant at another value; None for the constant leaves all as they are."""
    constant, value, asked = task
    if constant is not None:
        others = {name for name in DEFINED if name[1] == constant.name} - {(constant.module, constant.name)}
        for name, module in list(sys.modules.items()):
            there = vars(module).get(constant.name) if name.startswith("analyzer.") else None
            if (name, constant.name) not in others and there is not None:
                setattr(module, constant.name, value)
    return [answer(one) for one in asked]


def moved(before: list[Answer | None], after: list[Answer | None]) -> Moved | None:
    """The largest of all logs; None where one of them is refused, or no more."""
    each = []
    for a, b in zip(before, after, strict=True):
        if (a is None) != (b is None):
            return None
        if a is None or b is None:
            continue
        half = (a.upper - a.lower) / 2
        shift, width = np.abs(b.value - a.value) / half, np.abs((b.upper - b.lower) / (2 * half) - 1)
        each.append(
            Moved(float(np.nanmax(shift, initial=0.0)), float(np.nanmax(width, initial=0.0)), len(a.found ^ b.found))
        )
    return Moved(max(m.shift for m in each), max(m.width for m in each), max(m.findings for m in each))


def changed(value: float, factor: float) -> float:
    """A whole number stays one, and is another."""
    if not isinstance(value, int):
        return value * factor
    near = round(value * factor)
    return near if near != value else value + (1 if factor > 1 else -1)


def main(argv: list[str] | None = None) -> None:
    """Print the table, what moves most first."""
    parser = argparse.ArgumentParser(prog="python -m tests.accuracy.constants", description=__doc__.split("\n\n")[0])
    parser.add_argument("rooms", nargs="*", default=ROOMS, help=f"of {', '.join(ROOMS)} (default all)")
    parser.add_argument("--without", action="store_true", help="only constants without a word on where they are from")
    given = parser.parse_args(argv)
    every = list(constants(tuple(given.rooms)))
    DEFINED.update((one.module, one.name) for one in every)
    tried = [one for one in every if not (given.without and one.origin)]
    with tempfile.TemporaryDirectory() as folder:
        # a fresh child each: what is patched, and threads of libraries, do not outlive it
        with multiprocessing.get_context("fork").Pool(1, maxtasksperchild=1) as pool:
            asked = pool.apply(logs, (Path(folder),))
            before = pool.apply(with_constant, ((None, 0.0, asked),))
            tasks = [(one, changed(one.value, factor), asked) for one in tried for factor in FACTORS]
            after = pool.map(with_constant, tasks, chunksize=1)
    rows = []
    for k, one in enumerate(tried):
        found = [moved(before, a) for a in after[2 * k : 2 * k + 2]]
        told = [m for m in found if m is not None]
        refused = len(told) < len(found)
        most = Moved(*(max((getattr(m, f) for m in told), default=0) for f in ("shift", "width", "findings")))
        if refused or most.shift >= SHOWN or most.width >= SHOWN or most.findings:
            rows.append((most.shift, one, most, refused))
    print("| constant | value | point moves, of half its interval | width changes | findings | refused | origin |")
    print("|---|---|---|---|---|---|---|")
    for _, one, most, refused in sorted(rows, key=lambda row: -row[0]):
        print(
            f"| `{one.module.removeprefix('analyzer.')}.{one.name}` | {one.value:g} | {most.shift:.2f} | "
            f"{most.width:.0%} | {most.findings} | {'yes' if refused else ''} | {'' if one.origin else 'none'} |"
        )
    print(f"{len(tried)} tried, {len(rows)} moved something")


if __name__ == "__main__":
    main()
