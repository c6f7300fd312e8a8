"""What the run screen draws, as numbers: the screen itself is drawn in the browser (`assets/run/`).

Each view is a dictionary for JSON. Long series travel packed (`packed`), so that a pick or a zoom stays under 50 kB.
"""

import base64
from collections.abc import Sequence
from typing import Any, TypedDict

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.findings.evidence import Blame, InsideSpin
from analyzer.findings.finding import Finding, cause_of, grouped
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import CurvePoint, Interval
from analyzer.phases.phases import Corner
from analyzer.presentation.finding_words import ADVISE, finding_sentence, group_advice
from analyzer.presentation.words import (
    KIND_NAMES,
    SEVERITY_WORDS,
    answer_on_screen,
    group_where,
    moment_words,
    place_words,
)
from dashboards.run.quantities import ALL, MAP_LABELS, QUANTITIES, logged, path_of

CAUSES = {Blame.CAR: "differential", Blame.FOOT: "throttle", Blame.OPEN: "unclear"}  # as the page names them
WHAT_IF = "What if"  # the page that tries other parts, as its tab is called
PLACES = 480  # of a lap on the map
CLOCK_PLACES = 64  # of a lap at which the browser knows the time
SAMPLES = 900  # of each kind in the lock plot
DRAWS = 14  # of the curve, drawn as thin lines
TOP = {  # where the map's colours end, whatever the run: the same colour is the same value in every one
    "slip": 20.0,
    "transfer_torque": 400.0,
    "input_torque": 2000.0,
    "throttle": 100.0,
    "speed": 200.0,
    "lateral": 2.0,
}
LEVELS = 65534  # of a packed number; 65535 is none


class Packed(TypedDict):
    """A series as 16-bit steps (base 64) between its least and its largest value."""

    low: float
    high: float
    steps: str


def packed(values: FloatArray, digits: int = 6) -> Packed:
    """A series as 16-bit steps between its least and its largest; what is not finite is none."""
    values = np.asarray(values, dtype=float)
    known = np.isfinite(values)
    low, high = (float(values[known].min()), float(values[known].max())) if known.any() else (0.0, 0.0)
    steps = np.full(len(values), LEVELS + 1, dtype="<u2")
    steps[known] = np.round((values[known] - low) / ((high - low) or 1.0) * LEVELS).astype("<u2")
    return {"low": round(low, digits), "high": round(high, digits), "steps": base64.b64encode(steps.tobytes()).decode()}


def overview(analysis: Analysis) -> dict[str, Any]:
    """Everything that does not change while the screen is looked at: laps, corner passes, findings, parameters."""
    time, laps = analysis.signals.time_s, analysis.laps
    times = [float(time[stop - 1] - time[start]) + 1 / analysis.signals.rate_hz for start, stop in laps.bounds]
    fastest = 1 + int(np.argmin(times)) if len(times) > 1 else None
    driver, tuner, _ = answer_on_screen(analysis)
    corners = sorted({(c.number, c.direction) for c in analysis.corners})
    return {
        "name": analysis.recording.name,
        "answer": [driver, tuner],
        "compared": analysis.agreement is not None,
        "start_s": float(time[0]),
        "end_s": float(time[-1]),
        "length_m": laps.length_m,
        "laps": [_lap(analysis, k, times[k]) for k in range(len(times))],
        "fastest": fastest,
        "corners": [{"number": number, "direction": direction} for number, direction in corners],
        "passes": [_pass(analysis, c) for c in analysis.corners],
        "findings": [_finding(k, f) for k, f in enumerate(analysis.findings)],
        "groups": _groups(analysis.findings),
        "parameters": parameters(analysis),
        "quantities": MAP_LABELS,
        "rows": {key: quantity.label for key, quantity in QUANTITIES.items()} | logged(analysis),
    }


def _lap(analysis: Analysis, k: int, time_s: float) -> dict[str, Any]:
    """A lap with the log time at equal shares of its length."""
    start, stop = analysis.laps.bounds[k]
    time, distance = analysis.signals.time_s[start:stop], analysis.signals.distance_m[start:stop]
    clock = np.interp(np.linspace(distance[0], distance[-1], CLOCK_PLACES), distance, time)
    return {
        "number": k + 1,
        "time_s": round(time_s, 3),
        "start_s": float(time[0]),
        "end_s": float(time[-1]),
        "clock_s": [round(float(v), 2) for v in clock],
    }


def _pass(analysis: Analysis, corner: Corner) -> dict[str, Any]:
    signals = analysis.signals
    speed = signals.speed_m_s[corner.start : corner.stop]
    slowest = float(np.nanmin(speed)) if np.isfinite(speed).any() else None
    return {
        "lap": corner.lap,
        "corner": corner.number,
        "start_s": round(float(signals.time_s[corner.start]), 3),
        "end_s": round(float(signals.time_s[corner.stop - 1]), 3),
        "apex_s": round(float(signals.time_s[corner.apex]), 3),
        "slowest_km_h": None if slowest is None else round(3.6 * slowest),
    }


def _finding(k: int, found: Finding) -> dict[str, Any]:
    cause = cause_of(found)
    return {
        "index": k,
        "kind": found.kind,
        "name": KIND_NAMES.get(found.kind, found.kind.replace("_", " ")),
        "cause": None if cause is None else CAUSES[cause],
        "chance": found.evidence.probability_car if isinstance(found.evidence, InsideSpin) else None,
        "lap": found.lap,
        "corner": found.corner,
        "placed": found.is_placed,
        "start_s": round(found.start_s, 3),
        "end_s": round(found.end_s, 3),
        "where": place_words(found),
        "when": moment_words(found),
        "severity": found.severity,
        "badge": SEVERITY_WORDS[found.severity],
        "confidence": found.confidence,
        "sentence": finding_sentence(found),
    }


def _groups(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """By corner and cause, as terminal and report have them: heading, what to do, and the findings' numbers."""
    number = {id(found): k for k, found in enumerate(findings)}
    return [
        {
            "heading": f"{KIND_NAMES.get(group.kind, group.kind)}{group_where(group)}",
            "advice": group_advice(group).replace(ADVISE, WHAT_IF),
            "members": [number[id(found)] for found in group.events],
        }
        for group in grouped(findings)
    ]


def parameters(analysis: Analysis) -> list[dict[str, Any]]:
    """Preload and slopes: measured, anchored and predicted, each value with its 95 % interval, in N.m and N.m per
    100 N.m; None where there is no such curve or no such value."""
    curve = analysis.predicted
    second = {} if analysis.anchored is None else analysis.anchored.lock_curve.parameters
    rows = []
    for name, label, factor in (
        ("preload_Nm", "Preload, N.m", 1.0),
        ("drive_slope", "Drive, N.m per 100 N.m", 100.0),
        ("coast_slope", "Coast, N.m per 100 N.m", 100.0),
    ):
        found = analysis.lock_curve.parameters[name]
        value = None if curve is None else getattr(curve, name)
        anchored = second.get(name)
        rows.append(
            {
                "label": label,
                "measured": _scaled(found, factor),
                "reason": found.reason,
                "anchored": None if anchored is None or anchored.value is None else _scaled(anchored, factor),
                "predicted": None
                if curve is None or value is None
                else [_times(v, factor) for v in (value, *curve.interval_of(name))],
            }
        )
    return rows


def _scaled(found: Interval, factor: float) -> list[float | None]:
    return [_times(v, factor) for v in (found.value, found.lower, found.upper)]


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else round(factor * value, 3)


def circuit(analysis: Analysis, key: str, laps: Sequence[int]) -> dict[str, Any]:
    """The path by equal shares of the lap, with the largest value of a quantity there over the laps asked for.

    Raises
    ------
    KeyError : no such quantity of the map.
    """
    if key not in MAP_LABELS:
        raise KeyError(key)
    x, y = path_of(analysis)
    bounds = analysis.laps.bounds or ((0, len(x)),)
    chosen = [b for k, b in enumerate(bounds, start=1) if not laps or k in laps] or list(bounds)
    mapped = QUANTITIES[key].mapped
    if mapped is None:
        raise KeyError(key)
    distance, values = analysis.signals.distance_m, mapped(analysis, ALL)
    start, stop = bounds[0]
    at = np.linspace(distance[start], distance[stop - 1], PLACES)
    line = [np.interp(at, distance[start:stop], axis[start:stop]) for axis in (x, y)]
    most = np.full(PLACES, -np.inf)
    for start, stop in chosen:
        share = (distance[start:stop] - distance[start]) / ((distance[stop - 1] - distance[start]) or 1.0)
        part = values[start:stop]
        known = np.isfinite(part)
        np.maximum.at(most, (share[known] * PLACES).astype(int).clip(max=PLACES - 1), part[known])
    return {
        "x": packed(line[0], 3),
        "y": packed(line[1], 3),
        "values": packed(np.where(np.isfinite(most), most, np.nan), 4),
        "label": MAP_LABELS[key],
        "digits": QUANTITIES[key].digits,
        "top": TOP[key],
        "closed": bool(np.hypot(line[0][0] - line[0][-1], line[1][0] - line[1][-1]) < 0.1 * np.ptp(line[0] + line[1])),
    }


def place_of(analysis: Analysis, moments_s: FloatArray) -> FloatArray:
    """Share of the lap (0 to 1) at log times, none outside whole laps."""
    time, distance = analysis.signals.time_s, analysis.signals.distance_m
    at = np.searchsorted(time, moments_s).clip(max=len(time) - 1)
    found = np.full(len(at), np.nan)
    for start, stop in analysis.laps.bounds or ((0, len(time)),):
        inside = (at >= start) & (at < stop)
        found[inside] = (distance[at[inside]] - distance[start]) / ((distance[stop - 1] - distance[start]) or 1.0)
    return found


def lock(analysis: Analysis) -> dict[str, Any]:
    """Samples of the log and, `elsewhere`, of the run's other logs, measured curve with draws of it, bounds, the
    anchored curve, and what the parts predict."""
    axle, points = analysis.axle, analysis.lock_curve.points
    usable = _usable(analysis)
    torque = np.array([p.input_torque_Nm for p in points])
    height = np.abs(axle.torque_difference_Nm[usable & (axle.locked | axle.slipping)])
    ends = [p.upper_Nm or p.lower_Nm or 0.0 for p in points]
    top = 1.1 * max(*ends, float(np.percentile(height, 99.5)) if len(height) else 0.0, 50.0)
    return {
        "locked": _samples(analysis, np.flatnonzero(usable & axle.locked)),
        "slipping": _samples(analysis, np.flatnonzero(usable & axle.slipping)),
        "elsewhere": [_samples(o, np.flatnonzero(_usable(o) & o.axle.slipping)) for o in analysis.others],
        "points": _points(points),
        "anchored": None if analysis.anchored is None else _points(analysis.anchored.lock_curve.points),
        "draws": _draws(analysis, torque),
        "predicted": None if analysis.predicted is None else predicted_curve(analysis.predicted, torque),
        "range": [float(torque.min()), float(torque.max()), top],
    }


def _usable(analysis: Analysis) -> BoolArray:
    """Samples that the lock plot shows."""
    axle = analysis.axle
    return analysis.signals.valid & ~axle.braked & np.isfinite(axle.torque_difference_Nm)


def _points(points: Sequence[CurvePoint]) -> list[list[float | str | None]]:
    return [[p.input_torque_Nm, p.locking_torque_Nm, p.lower_Nm, p.upper_Nm, p.kind] for p in points]


def _samples(analysis: Analysis, at: IntArray) -> dict[str, Any]:
    at = at[:: max(1, -(-len(at) // SAMPLES))]
    axle = analysis.axle
    return {
        "x": packed(axle.input_torque_Nm[at], 2),
        "y": packed(np.abs(axle.torque_difference_Nm[at]), 2),
        "t": packed(analysis.signals.time_s[at], 3),
    }


def _draws(analysis: Analysis, torque: FloatArray) -> list[list[float]]:
    """Curves that are as likely as the one drawn, at the torques of its points: what is not sure moves each as a
    whole, and the samples with it."""
    replicates = analysis.lock_curve.replicates
    if not len(replicates):
        return []
    some = replicates[:: max(1, len(replicates) // DRAWS)][:DRAWS]
    # preload and slopes of a draw lean against each other; a torque below zero there is none
    return [[round(max(float(v), 0.0), 1) for v in model.locking_torque_Nm(row, torque)] for row in some]


def predicted_curve(curve: PredictedLockCurve, torque: FloatArray) -> dict[str, Any] | None:
    """Curve and 95 % band of the parts; None of a spool, which has none."""
    if curve.kind == "spool":
        return None
    fine = np.linspace(float(torque.min()), float(torque.max()), 81)
    lower, upper = curve.band_Nm(fine)
    columns = (fine, curve.locking_torque_Nm(fine), lower, upper)
    return dict(zip(("x", "y", "lower", "upper"), ([round(float(v), 1) for v in c] for c in columns), strict=True))
