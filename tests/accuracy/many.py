"""`python -m tests.accuracy.many [SESSIONS]`: the estimate on random cars whose car files are wrong.

Mass, sizes, tyre, differential, circuit and sample rate are drawn; the car file that the analysis gets is off by
anything within the limits that it states. Printed for all channels and for the minimum ones: what the README says.
"""

import sys
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analyzer.errors import CannotTell
from analyzer.simulation.sensors import Sensors
from analyzer.vehicle.car import Car

from .cases import Case, LEAST_TORQUE_Nm, analysed, invented_car, measure, random_body, random_lock, random_tyre

FIRST_SEED = 5000
MINIMUM = [
    "time",
    *(f"wheel_speed_{corner}" for corner in ("fl", "fr", "rl", "rr")),
    "throttle",
    "steer",
    "lat_g",
]


@dataclass(frozen=True)
class Off:
    """One session: errors relative to the truth (1), None where nothing was said."""

    lock: float | None
    coverage: float | None
    width: float | None
    preload: float | None
    slope: float | None
    slope_inside: bool | None


def told(car: Car, rng: np.random.Generator) -> Car:
    """A car file wrong by anything within its limits."""
    sure = car.uncertainty
    off = lambda percent: 1 + rng.uniform(-percent, percent) / 100  # noqa: E731
    return car.model_copy(
        update=dict(
            mass_kg=car.mass_kg * off(sure.mass_percent),
            cg_height_m=car.cg_height_m * off(sure.cg_height_percent),
            rear_load_transfer_fraction=car.rear_load_transfer * off(sure.load_transfer_percent),
            drag_area_m2=car.drag_area_m2 * off(sure.drag_percent),
            wheel_inertia_kg_m2=car.wheel_inertia_kg_m2 * off(sure.wheel_inertia_percent),
        )
    )


def drawn(seed: int) -> Case:
    """A random car, differential, tyre, circuit and logger, four laps."""
    rng = np.random.default_rng(seed)
    mass = float(rng.choice([760, 1000, 1180, 1500]))
    car = invented_car(mass_kg=mass, **random_body(rng))
    return Case(
        car=car,
        lock=random_lock(rng, mass / 1180, least_preload_Nm=30, steepest=0.5),
        circuit=None if seed % 3 == 0 else seed % 5,
        laps=4,
        seed=seed,
        tyre=random_tyre(rng),
        sensors=Sensors(rate_Hz=float(rng.choice([50, 100, 200]))),
        told=told(car, rng),
    )


def errors(seed: int) -> tuple[Off, Off]:
    """With all channels and with the minimum ones."""
    case = drawn(seed)
    session = case.drive()
    found = []
    for log in (session.log, session.log[MINIMUM]):
        try:
            with tempfile.TemporaryDirectory() as folder:
                analysis = analysed(log, case.file, Path(folder))
        except CannotTell:
            found.append(Off(None, None, None, None, None, None))
            continue
        near = measure(case, session, analysis)
        preload, slope = (analysis.lock_curve.parameters[name] for name in ("preload_Nm", "drive_slope"))
        true = case.lock
        found.append(
            Off(
                near.lock_error,
                near.coverage,
                near.width,
                None
                if preload.value is None
                else (preload.value - true.preload_Nm)
                / max(true.preload_Nm, LEAST_TORQUE_Nm * case.car.mass_kg / 1180),
                None if slope.value is None else slope.value / true.drive_slope - 1,
                None if slope.value is None else slope.lower <= true.drive_slope <= slope.upper,
            )
        )
    return found[0], found[1]


HEAD = (
    "| channels | sessions measured | error of the curve, median | its points in their interval | interval width "
    "| error of preload, rms | error of drive slope, median | the same, rms | slopes in their interval |\n"
    "|---|---|---|---|---|---|---|---|---|"
)


def row(name: str, off: list[Off]) -> str:
    """A row of the table, of many sessions; in per cent of the true figures."""
    known = {name: np.array([getattr(o, name) for o in off if getattr(o, name) is not None], float) for name in FIELDS}
    rms = lambda name: 100 * float(np.sqrt(np.mean(known[name] ** 2)))  # noqa: E731
    return (
        f"| {name} | {len(known['lock'])} of {len(off)} | {100 * np.median(known['lock']):.0f} % "
        f"| {100 * np.mean(known['coverage']):.0f} % | {100 * np.median(known['width']):.0f} % "
        f"| {rms('preload'):.0f} % | {100 * np.median(known['slope']):+.0f} % | {rms('slope'):.0f} % "
        f"| {100 * np.mean(known['slope_inside']):.0f} % |"
    )


FIELDS = tuple(Off.__dataclass_fields__)


def main(count: int) -> None:
    """Print both rows."""
    with ProcessPoolExecutor() as workers:
        found = list(workers.map(errors, range(FIRST_SEED, FIRST_SEED + count)))
    print(HEAD)
    print(row("all", [full for full, _ in found]))
    print(row("minimum", [least for _, least in found]))


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 40)
