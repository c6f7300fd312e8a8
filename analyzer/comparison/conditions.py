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
    """What weakens a comparison.

    Attributes
    ----------
    grip_differs : the tyre is then fitted for each side by itself.
    driving_differs : corners are then resampled for each side by itself.
    other_circuit : corners cannot be matched.
    sensor_change : relative, of how lateral acceleration and yaw rate read against each other; 0 where it is nothing.
        Each side otherwise has a yaw-rate scale of its own, free by this much.
    warnings : sentences.
    """

    grip_differs: bool
    driving_differs: bool
    other_circuit: bool
    sensor_change: float
    warnings: tuple[str, ...]


def conditions(runs: list[Run], matches: list[CornerMatch]) -> Conditions:
    """Compare how the sides were driven; `matches` from `together.corner_matches`.

    Raises
    ------
    CannotTell : a run has no sample that counts.
    """
    empty = next((r for r in runs if not _mask(r).any()), None)
    if empty is not None:
        raise CannotTell(f"{empty.name}: lies wholly in gaps and faults of the log. Choose other laps.")
    by_side = [[r for r in runs if r.side == side] for side in (0, 1)]
    along = all(r.analysis.signals.has_long_g for r in runs)  # had from the speed it is too rough to tell tyres by
    used = [float(np.median([_friction_used(r, along=along) for r in side])) for side in by_side]
    ratio = used[1] / used[0]
    warnings = []
    grip_differs = abs(ratio - 1) > GRIP_CHANGE
    if grip_differs:
        warnings.append(
            f"The friction used changed by {100 * (ratio - 1):+.0f} %: other tyres, or a wetter or drier track. The "
            "tyre is therefore fitted for each side by itself, which widens the intervals."
        )
    other_circuit = any(not match.numbers for match in matches)
    if other_circuit:
        warnings.append(
            "The corners of the runs cannot be matched (no laps found, or another circuit), so nothing is compared "
            "corner by corner and errors of single corners do not cancel."
        )
    driving_differs = False
    throttle = [float(np.median([np.mean(r.analysis.signals.throttle[_mask(r)]) for r in side])) for side in by_side]
    apart = None if other_circuit else _speed_apart(runs, matches)
    if apart is not None and apart[0] > LEAST_SPEED_DIFFERENCE and apart[0] > DRIVING_RATIO * apart[1]:
        driving_differs = True
        warnings.append(
            f"Speed along the lap differs by {100 * apart[0]:.1f} % between the sides and by {100 * apart[1]:.1f} % "
            "from lap to lap: another driver, traffic or another intent. Corners are resampled for each side by "
            "itself, which widens the intervals; changes at matched speed and throttle stretch further."
        )
    if abs(throttle[1] - throttle[0]) > THROTTLE_CHANGE:
        driving_differs = True
        warnings.append(
            f"Mean throttle changed from {100 * throttle[0]:.0f} to {100 * throttle[1]:.0f} %: another driver, another "
            "intent or traffic. Compare the lock curves, not the corner times."
        )
    if not all(r.analysis.signals.has_gyro for r in runs):
        warnings.append("Not every run has a yaw-rate channel; the change is far less sure without.")
    # on another circuit its banking reads like a sensor
    sensors = None if other_circuit else _sensor_ratio(by_side)
    sensor_change = 0.0 if sensors is None or abs(sensors - 1) < SENSOR_CHANGE else abs(sensors - 1)
    if sensors is not None and sensor_change:
        warnings.append(
            f"Lateral acceleration over speed times yaw rate reads {100 * (sensors - 1):+.1f} % after the change: "
            "another sensor, mounting or scale. Each side therefore has a yaw-rate scale of its own, which widens the "
            "intervals; log both sides with the same sensors."
        )
    return Conditions(grip_differs, driving_differs, other_circuit, sensor_change, tuple(warnings))


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
    both = list(zip(runs, matches, strict=True))
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
