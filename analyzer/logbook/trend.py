"""Preload over the distance a car has run: what wear of plates and springs looks like across a season."""

from dataclasses import dataclass

from analyzer.errors import InputError
from analyzer.lockcurve.estimate import Interval
from analyzer.logbook.results import preload, result_of
from analyzer.logbook.runs import Run, runs
from analyzer.logbook.store import Store


@dataclass(frozen=True)
class TrendPoint:
    """One run of a car.

    Attributes
    ----------
    run : the run.
    distance_km : driven in this run. None when the log could not be analysed.
    distance_before_km : driven in the runs before it that are in the logbook.
    preload_Nm : with its 95 % interval; its value is None with a reason where the log cannot tell.
    setup_changed : another setup than the run before, so that a step may be the workshop's.
    """

    run: Run
    distance_km: float | None
    distance_before_km: float
    preload_Nm: Interval
    setup_changed: bool


def preload_trend(store: Store, car: str) -> tuple[TrendPoint, ...]:
    """The preload of every run of a car, oldest first, from the results that are there; nothing is analysed.

    Parameters
    ----------
    car : the name in its car file.

    Raises
    ------
    InputError : no run is of such a car.
    """
    points: list[TrendPoint] = []
    driven = 0.0
    setup_before = None
    for run in runs_of_car(store, car):
        found = result_of(store, run)
        setup = run.setup and run.setup.content_sha256
        distance = None if found is None else found.distance_km
        points.append(
            TrendPoint(
                run=run,
                distance_km=distance,
                distance_before_km=driven,
                preload_Nm=preload(store, found),
                setup_changed=bool(points) and setup != setup_before,
            )
        )
        driven += distance or 0.0
        setup_before = setup
    return tuple(points)


def runs_of_car(store: Store, car: str) -> list[Run]:
    """The runs of the car of this name, oldest first.

    Raises
    ------
    InputError : there is none; names the cars that are there.
    """
    found = runs(store, car=car)
    if not found:
        names = ", ".join(f"'{name}'" for name in sorted({run.car.title for run in runs(store)})) or "none yet"
        raise InputError(f"no run in this logbook is of a car named '{car}'; cars there: {names}. Use one of these.")
    return found
