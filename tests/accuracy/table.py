"""`python -m tests.accuracy.table [SEEDS]`: how far the measured side is from known truth, case by case."""

import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from .cases import CASES, TYRES, Case, Measured, analysed, measure

HEADINGS = ("lock error %", "in interval", "width %", "transfer r", "rmse", "braked r", "kinematic", "points", "s")


def cells(found: Measured, seconds: float) -> list[str]:
    """One row of the table."""
    shown = lambda value, scale=1.0, digits=2: "-" if value is None else f"{value * scale:.{digits}f}"  # noqa: E731
    return [
        shown(found.lock_error, 100, 1),
        shown(found.coverage),
        shown(found.width, 100, 0),
        shown(found.transfer_correlation, 1, 3),
        shown(found.transfer_rmse_Nm, 1, 0),
        shown(found.braked_correlation, 1, 3),
        shown(found.kinematic_error, 1, 3),
        str(found.points),
        shown(seconds, 1, 1),
    ]


def measured_once(case: Case) -> tuple[Measured, float]:
    """Drive, analyse and compare; seconds of the analysis alone."""
    session = case.drive()
    with tempfile.TemporaryDirectory() as folder:
        started = time.perf_counter()
        analysis = analysed(session.log, case.file, Path(folder))
        return measure(case, session, analysis), time.perf_counter() - started


def main(seeds: int) -> None:
    """Print one row per case and seed."""
    print(f"{'case':<34}" + "".join(f"{h:>15}" for h in HEADINGS))
    tyres = {f"tyre {name}": Case(tyre=tyre) for name, tyre in TYRES.items()}
    for name, case in (CASES | tyres).items():
        for extra in range(seeds):
            row = cells(*measured_once(replace(case, seed=case.seed + 10 * extra)))
            print(f"{name:<34}" + "".join(f"{cell:>15}" for cell in row), flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1)
