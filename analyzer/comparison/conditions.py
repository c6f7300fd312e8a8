"""Do the runs compare at all: other tyres, a wet track, another driver, another circuit; what the logs show of it."""

from dataclasses import dataclass

import numpy as np

from analyzer.comparison.runs import CornerMatch, Run
from analyzer.errors import CannotTell
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import AIR_DENSITY_KG_M3

GRIP_CHANGE = 0.08  # of the friction used; tyres and temperature of one day differ by less (common practice, no source)
THROTTLE_CHANGE = 0.08
DRIVING_RATIO = 2.5  # differences between the sides over those from lap to lap
# of lateral acceleration over speed times yaw rate, which is one in a steady corner but for how the sensors read.
# Halves of logs and logs of one car differ by 0.3 % at most (eleven simulated ones), one whose car slid by 1.6 %.
SENSOR_CHANGE = 0.02
STEADY_M_S2 = 3.0  # of lateral acceleration
LEAST_SPEED_DIFFERENCE = 0.02
TRACE_POINTS = 200


@dataclass(frozen=True)
class Conditions:
    """Limits of a comparison: how the runs before and after differ in more than the differential.

    Attributes
    ----------
    grip_change : relative, of the friction used; 0 where it is nothing. Else each side is fitted with its own tyre.
    speed_apart : speed along the lap differs by so much (relative) between the sides and from lap to lap; None where
        that is nothing.
    throttle : mean throttle (0 to 1) before and after; None where it is the same.
    other_circuit : corners cannot be matched.
    sensor_change : relative, of how lateral acceleration and yaw rate read against each other, after over before; 0
        where it is nothing. Each side otherwise has a yaw-rate scale of its own, free by this much.
    every_gyro : every run has a yaw-rate channel.
    """

    grip_change: float
    speed_apart: tuple[float, float] | None
    throttle: tuple[float, float] | None
    other_circuit: bool
    sensor_change: float
    every_gyro: bool

    @property
    def grip_differs(self) -> bool:
        """The tyre is fitted for each side by itself."""
        return self.grip_change != 0

    @property
    def driving_differs(self) -> bool:
        """Corners are resampled for each side by itself."""
        return self.speed_apart is not None or self.throttle is not None


def conditions(runs: list[Run], matches: list[CornerMatch]) -> Conditions:
    """Compare how the sides were driven; `matches` from `together.corner_matches`.

    Raises
    ------
    CannotTell : a run has no sample that counts.
    """
    empty = next((r for r in runs if not _mask(r).any()), None)
    if empty is not None:
        raise CannotTell(f"{empty.name}: lies entirely in gaps and faults of the log. Choose other laps.")
    by_side = [_comparable(runs, side) for side in (0, 1)]
    along = all(r.analysis.signals.has_long_g for r in runs)  # from the speed it is too rough to tell tyres by
    used = [float(np.median([_friction_used(r, along=along) for r in side])) for side in by_side]
    grip_change = used[1] / used[0] - 1
    other_circuit = any(not match.numbers for run, match in zip(runs, matches, strict=True) if run.on_circuit)
    other_circuit |= not any(run.on_circuit for run in runs) and any(not match.numbers for match in matches)
    throttle = [float(np.median([np.mean(r.analysis.signals.throttle[_mask(r)]) for r in side])) for side in by_side]
    apart = None if other_circuit else _speed_apart(runs, matches)
    another_driver = apart is not None and apart[0] > max(LEAST_SPEED_DIFFERENCE, DRIVING_RATIO * apart[1])
    # on another circuit its banking reads like a sensor
    sensors = None if other_circuit else _sensor_ratio(by_side)
    return Conditions(
        grip_change=grip_change if abs(grip_change) > GRIP_CHANGE else 0.0,
        speed_apart=apart if another_driver else None,
        throttle=(throttle[0], throttle[1]) if abs(throttle[1] - throttle[0]) > THROTTLE_CHANGE else None,
        other_circuit=other_circuit,
        sensor_change=0.0 if sensors is None or abs(sensors - 1) < SENSOR_CHANGE else sensors - 1,
        every_gyro=all(r.analysis.signals.has_gyro for r in runs),
    )


def _comparable(runs: list[Run], side: int) -> list[Run]:
    """The runs of a side that are like some of the other's: laps with laps, circles with circles; all where none is."""
    courses = [{r.on_circuit for r in runs if r.side == s} for s in (0, 1)]
    mine = [r for r in runs if r.side == side]
    return [r for r in mine if r.on_circuit in courses[1 - side]] or mine


def _mask(run: Run) -> np.ndarray:
    valid = run.analysis.signals.valid
    return valid if run.laps is None else valid & np.isin(run.analysis.laps.number, run.laps)


def _friction_used(run: Run, *, along: bool) -> float:
    """99th percentile of the acceleration in the plane (or across only), over what load there is with downforce."""
    signals, car, where = run.analysis.signals, run.analysis.car, _mask(run)
    speed = signals.speed_m_s[where]
    load = car.mass_kg * STANDARD_GRAVITY_M_S2 + 0.5 * AIR_DENSITY_KG_M3 * car.downforce_area_m2 * speed**2
    force = car.mass_kg * np.hypot(signals.lat_m_s2, signals.long_m_s2 if along else 0.0)[where]
    return float(np.percentile(force / load, 99))


def _sensor_ratio(by_side: list[list[Run]]) -> float | None:
    """What lateral acceleration over speed times yaw rate reads after the change over before, in the mean of all
    corners off the brakes; None without a gyro everywhere, for a yaw rate had from the others proves nothing."""
    if not all(run.analysis.signals.has_gyro for side in by_side for run in side):
        return None
    medians = []
    for side in by_side:
        read = []
        for run in side:
            signals = run.analysis.signals
            steady = _mask(run) & ~signals.braking & (np.abs(signals.lat_m_s2) > STEADY_M_S2)
            turn = signals.speed_m_s[steady] * signals.yaw_rate_rad_s[steady]
            read.append(signals.lat_m_s2[steady][turn != 0] / turn[turn != 0])
        every = np.concatenate(read)
        if not len(every):
            return None
        medians.append(float(np.median(every)))
    return medians[1] / medians[0]


def _speed_apart(runs: list[Run], matches: list[CornerMatch]) -> tuple[float, float] | None:
    """Relative differences of speed along the lap: between the sides' medians, and of laps about their own."""
    both = [(run, match) for run, match in zip(runs, matches, strict=True) if run.on_circuit]
    traces = [np.array([t for r, m in both if r.side == side for t in _traces(r, m.shift)]) for side in (0, 1)]
    if any(len(t) < 2 for t in traces):
        return None
    middle = [np.median(t, axis=0) for t in traces]
    between = float(np.median(np.abs(np.log(middle[1] / middle[0]))))
    within = float(np.median(np.concatenate([np.abs(np.log(t / m)) for t, m in zip(traces, middle, strict=True)])))
    return between, within


def _traces(run: Run, shift: float) -> list[np.ndarray]:
    """Speed against the share of the first run's lap, lap by lap, (`TRACE_POINTS`,) each."""
    analysis = run.analysis
    speed, distance = analysis.signals.speed_m_s, analysis.signals.distance_m
    share = (np.linspace(0, 1, TRACE_POINTS, endpoint=False) - shift) % 1.0
    found = []
    for lap, (start, stop) in enumerate(analysis.laps.bounds, 1):
        if run.counts(lap) and stop - start > 10:
            into = distance[start:stop] - distance[start]
            found.append(np.maximum(np.interp(share * into[-1], into, speed[start:stop]), 1.0))
    return found
