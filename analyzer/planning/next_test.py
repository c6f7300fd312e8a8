"""What to measure or drive next so that a question is decided, ranked by effort."""

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.agreement.anchored import curve_anchors
from analyzer.agreement.verdict import FLOOR_NM, TELLING
from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray
from analyzer.comparison.joint import HOLD_SHARE, TIE_SHARE
from analyzer.comparison.laps_needed import SIDE_OF, TOLD_APART
from analyzer.comparison.sides import level_Nm
from analyzer.differential.anchors import LEAST_HOLD_SD_NM, anchors
from analyzer.differential.setup import Breakaway, Setup, SetupUncertainty
from analyzer.errors import CannotTell, InputError
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.hold_off import HOLDS
from analyzer.lockcurve.model import CurveAnchors
from analyzer.lockcurve.problem import hold_sd_Nm
from analyzer.lockcurve.session_problem import shared_priors
from analyzer.planning.information import Belief, Information, information_of, session_beliefs
from analyzer.planning.looks import (
    Arc,
    held_on,
    largest_pulse_Nm,
    largest_pulse_on_Nm,
    looks_of,
    shut_throttle_Nm,
    speeds_on_m_s,
)
from analyzer.vehicle.car import Car

NORMAL_95 = 1.96
# at 15 m a car that corners with `SLOWEST_G` is slower than anything is told of
RADII_M, CIRCLE_S = (20.0, 30.0, 60.0), 50.0
WIDEST_CORNER_M = 120.0  # a wider one is a bend in which an axle hardly shows a difference
MORE_LAPS = (4, 8)
# What careful measuring is good to, limits either way (common practice, no source): weighing with an axle raised, roll
# stiffness of both axles on scales, a spring on a press
MEASURED_CG_PERCENT, MEASURED_TRANSFER_PERCENT, WEIGHED_SPRING_PERCENT = 3.0, 4.0, 3.0
# minutes each takes two people (common practice, no source)
MINUTES = {
    "bench": 20,
    "springs": 180,
    "spring_position": 5,
    "roll_out": 40,
    "weighing": 60,
    "load_transfer": 120,
    "sensor_place": 15,
    "circles": 15,
}


@dataclass(frozen=True)
class Asked:
    """One thing a question is about: its 95 % width (N.m) now or then, and the width that decides."""

    name: str
    width_Nm: float
    needed_Nm: float

    @property
    def decided(self) -> bool:
        """Narrow enough."""
        return self.width_Nm <= self.needed_Nm


@dataclass(frozen=True)
class Widths:
    """How wide the 95 % intervals are: the lock curve in the median over its measured points (N.m and share of the
    curve), preload (N.m) and slopes (1), None where the log does not measure one; and what was asked."""

    curve_Nm: float
    curve_share: float
    parameters: Mapping[str, float | None]
    asked: tuple[Asked, ...]

    @property
    def decides(self) -> bool | None:
        """Whether everything asked is decided; None without a question."""
        return all(one.decided for one in self.asked) if self.asked else None


@dataclass(frozen=True)
class Arcs:
    """A radius to drive: speeds from and to (m/s), time on it (s), torque of its largest pulse (N.m), which ways."""

    radius_m: float
    slow_m_s: float
    fast_m_s: float
    seconds: float
    pulse_Nm: float
    ways: str


@dataclass(frozen=True)
class Option:
    """One thing to do.

    Attributes
    ----------
    kinds : what is done: `bench`, `springs`, `spring_position`, `roll_out`, `weighing`, `load_transfer`,
        `sensor_place`, `circles`, `slow_lap`, `laps`; two of them together.
    minutes : that it takes.
    then : widths that it should leave.
    arcs : what is driven; `laps` how many laps.
    """

    kinds: tuple[str, ...]
    minutes: float
    then: Widths
    arcs: tuple[Arcs, ...] = ()
    laps: int | None = None


@dataclass(frozen=True)
class Plan:
    """The options, best first: what decides at least effort, then by width.

    Attributes
    ----------
    logs : names; `question` as it was asked, None without one.
    blind : widths of the logs alone; `now` with what the setup file states besides (the same without one).
    stated : what was taken from the setup file.
    """

    logs: tuple[str, ...]
    question: str | None
    blind: Widths
    now: Widths
    stated: tuple[str, ...]
    options: tuple[Option, ...]

    @property
    def best(self) -> Option | None:
        """What decides at least effort; None when nothing does, or nothing was asked."""
        return next((option for option in self.options if option.then.decides), None)


@dataclass(frozen=True)
class _Question:
    """Weights (5,) or (10,) of the curve's numbers by name, and the width that decides each (N.m)."""

    text: str | None
    asked: Mapping[str, tuple[FloatArray, float]]
    change: bool

    def widths(self, known: Information) -> tuple[Asked, ...]:
        if not self.asked:
            return ()
        covariance = (known.before_and_after() if self.change else known).covariance()
        return tuple(
            Asked(name, 2 * NORMAL_95 * math.sqrt(float(weights @ covariance @ weights)), needed)
            for name, (weights, needed) in self.asked.items()
        )


def plan(fit: Fit, analysis: Analysis, *, setup: Setup | None = None, question: str | None = None) -> Plan:
    """Rank what could be done next.

    Parameters
    ----------
    fit, analysis : of the logs there are (`pipeline.analyze_with_fit`).
    setup : what is fitted; what it states of bench, ring springs and ramps counts as measured.
    question : `agrees`, or a change such as `preload=30`, `drive_slope=20%`; None: `agrees` with a setup file, else no
        question.

    Raises
    ------
    InputError : the question is not one, or `agrees` without a setup file.
    CannotTell : the logs measure no point of the lock curve.
    """
    car = fit.problem.car
    torque = np.array([p.input_torque_Nm for p in analysis.lock_curve.points if p.kind == "measured"])
    if not len(torque):
        raise CannotTell(
            "these logs measure no point of the lock curve, so they do not show how far a measurement would narrow it. "
            "Give a log with tighter corners or more throttle in it."
        )
    priors = shared_priors([one.signals for one in (analysis, *analysis.others)], car)
    alone = information_of(fit, priors, hold_tie_Nm=TIE_SHARE * HOLD_SHARE * hold_sd_Nm(car))
    asked = _question(question, analysis, alone.curve, torque)
    # a comparison of runs does not see the setup file, and its springs err alike before and after
    known, stated = (alone, ()) if asked.change else _with_setup(alone, setup)

    def widths(then: Information) -> Widths:
        return _widths(then, analysis, torque, asked)

    options = []
    lap_s = _lap_s(analysis)
    beliefs = _measurable(known, car, setup, in_parts=not asked.change)
    for kind, found in beliefs.items():
        options.append(Option((kind,), MINUTES[kind], widths(known.with_belief(*found))))
    for with_bench in ("springs", "spring_position"):
        if {"bench", with_bench} <= set(beliefs):
            both = widths(known.with_belief(*beliefs["bench"], *beliefs[with_bench]))
            options.append(Option(("bench", with_bench), MINUTES["bench"] + MINUTES[with_bench], both))
    driven = [(("circles",), MINUTES["circles"], _circles()), (("slow_lap",), *_slow_lap(analysis))]
    for kinds, minutes, arcs in driven:
        if not arcs or not fit.problem.sensors.slip_known:
            continue
        most = largest_pulse_Nm(fit)
        held = held_on(arcs, car, shut_Nm=shut_throttle_Nm(fit), most_Nm=most)
        lap = kinds[0] == "slow_lap"
        looks = looks_of(held, fit, known, name=kinds[0], same_ground=lap)
        then = known.with_looks(looks, session_beliefs(known, looks.terms.owner, whole_laps=lap))
        shown = _shown(arcs, car, most)
        options.append(Option(kinds, minutes, widths(then), shown))
        if "bench" in beliefs:
            both = widths(then.with_belief(*beliefs["bench"]))
            options.append(Option((*kinds, "bench"), minutes + MINUTES["bench"], both, shown))
    laps = len(analysis.laps.bounds)
    if laps:
        for more in MORE_LAPS:
            then = known.with_laps((laps + more) / laps)
            options.append(Option(("laps",), more * lap_s / 60, widths(then), laps=more))
    return Plan(
        logs=tuple(one.recording.name for one in (analysis, *analysis.others)),
        question=asked.text,
        blind=widths(alone),
        now=widths(known),
        stated=stated,
        options=tuple(sorted(options, key=_rank)),
    )


def _rank(option: Option) -> tuple[bool, float, float]:
    decides = bool(option.then.decides)
    worst = max((one.width_Nm / one.needed_Nm for one in option.then.asked), default=option.then.curve_share)
    return (not decides, option.minutes if decides else worst, worst)


def _question(text: str | None, analysis: Analysis, curve: FloatArray, torque_Nm: FloatArray) -> _Question:
    predicted = analysis.predicted
    if text is None and predicted is None:
        return _Question(None, {}, False)
    if text is None or text.strip() == "agrees":
        if predicted is None:
            raise InputError("--question agrees needs the setup file of what is fitted; give --setup.")
        asked = {}
        for side, at in _sides(analysis, torque_Nm).items():
            weights = model.gradient(curve, at)[0].mean(axis=1)
            level = float(predicted.locking_torque_Nm(at).mean())
            asked[side] = (weights, 2 * TELLING * max(level, FLOOR_NM))
        return _Question("agrees", asked, False)
    match = re.fullmatch(r"\s*(\w+)\s*=\s*([+-]?\d+(?:\.\d+)?)\s*(%?)\s*", text)
    if match is None or match[1] not in SIDE_OF or float(match[2]) == 0:
        raise InputError(
            f"--question: {text!r} is not a question; write agrees, preload=30 (N.m), preload=20%, drive_slope=0.1 or "
            "coast_slope=30%."
        )
    name, size = match[1], float(match[2])
    index = model.NAMES.index("preload_Nm" if name == "preload" else name)
    side = SIDE_OF[name]
    sides = _sides(analysis, torque_Nm)
    if side not in sides:
        raise CannotTell(
            f"the rear axle slips too little on {side} in these logs to plan for a change there. Give a log with more "
            f"{'throttle' if side == 'drive' else 'coasting'} in its corners."
        )
    at = sides[side]
    step = np.zeros(len(curve))
    step[index] = size * (curve[index] / 100 if match[3] else 1.0)
    moved = level_Nm(side, np.array([curve, curve + step]), at)
    moves = 1e-4 * np.eye(len(curve))
    slope = (level_Nm(side, curve + moves, at) - level_Nm(side, curve - moves, at)) / 2e-4
    needed = 2 * NORMAL_95 * abs(float(moved[1] - moved[0])) / TOLD_APART
    return _Question(text.strip(), {side: (np.concatenate([-slope, slope]), needed)}, True)


def _sides(analysis: Analysis, torque_Nm: FloatArray) -> dict[str, FloatArray]:
    """Input torques that each side is judged over, of the sides that the logs measure."""
    estimate = analysis.lock_curve
    found = {}
    if estimate.parameters["preload_Nm"].value is not None:
        found["preload"] = np.zeros(1)
    if estimate.drive_supported:
        found["drive"] = torque_Nm[torque_Nm > 0]
    if estimate.coast_supported:
        found["coast"] = torque_Nm[torque_Nm < 0]
    return found


def _widths(known: Information, analysis: Analysis, torque_Nm: FloatArray, question: _Question) -> Widths:
    covariance = known.covariance()
    curve = known.curve
    slope = model.gradient(curve, torque_Nm)[0]
    value = model.locking_torque_Nm(curve, torque_Nm)
    width = _width(value, np.sqrt((slope * (covariance @ slope)).sum(axis=0)))
    each = _width(curve, np.sqrt(np.diag(covariance)))
    slopes = list(HOLDS.values())
    low, high = np.percentile(known.curves(covariance)[:, slopes], [2.5, 97.5], axis=0)
    each[slopes] = np.maximum(high, curve[slopes]) - np.clip(low, 0.0, curve[slopes])
    measured = analysis.lock_curve.parameters
    return Widths(
        curve_Nm=float(np.median(width)),
        curve_share=float(np.median(width / np.maximum(value, 1.0))),
        parameters={
            name: float(each[model.NAMES.index(name)]) if measured[name].value is not None else None
            for name in ("preload_Nm", "drive_slope", "coast_slope")
        },
        asked=question.widths(known),
    )


def _width(value: FloatArray, sd: FloatArray) -> FloatArray:
    """Of 95 % intervals, which do not go below zero."""
    return np.minimum(NORMAL_95 * sd, value) + NORMAL_95 * sd


def _with_setup(alone: Information, setup: Setup | None) -> tuple[Information, tuple[str, ...]]:
    """With what the setup file states as measured, and what that is."""
    if setup is None:
        return alone, ()
    stated = anchors(setup)
    if not stated.any_stated:
        return alone, ()
    _, rows = curve_anchors(stated).residuals(alone.curve)
    used = (stated.preload, stated.drive_ring_hold, stated.coast_ring_hold, stated.slope_ratio)
    return alone.with_belief(*(_of_curve(row) for row in rows)), tuple(one.label for one in used if one is not None)


def _of_curve(row: FloatArray) -> Belief:
    return Belief({name: float(row[i]) for i, name in enumerate(model.NAMES) if row[i]}, "bench")


def _measurable(known: Information, car: Car, setup: Setup | None, *, in_parts: bool) -> dict[str, tuple[Belief, ...]]:
    """What can be measured without driving, and is not measured yet; `in_parts`: also of ring springs and where the
    preload springs sit."""
    found: dict[str, tuple[Belief, ...]] = {}

    def within(percent: float) -> float:
        return math.log1p(percent / 100) / math.sqrt(3)

    def one(name: str, sd: float) -> tuple[Belief, ...]:
        return (Belief({name: 1 / sd}, "planned"),)

    if setup is None or (setup.type == "plate" and setup.breakaway is None):
        reading = Breakaway(torque_Nm=1.0, method="one_wheel_held", state="turning_warm")
        share = math.hypot(SetupUncertainty().breakaway_percent / 100, reading.state_relative_sd)
        found["bench"] = (_of_curve(np.eye(5)[0] / max(share * known.curve[0], 1.0)),)
    if in_parts and setup is not None and setup.ring_spring is not None:
        found |= _in_parts(known, setup)
    if car.rolling_radius_load_percent is None:
        found["roll_out"] = one("radius_fall", car.uncertainty.rolling_radius_load_percent / 100 / math.sqrt(3))
    if car.uncertainty.cg_height_percent > MEASURED_CG_PERCENT:
        found["weighing"] = one("log_cg_height", within(MEASURED_CG_PERCENT))
    if car.load_transfer_percent > MEASURED_TRANSFER_PERCENT:
        found["load_transfer"] = one("log_load_transfer", within(MEASURED_TRANSFER_PERCENT))
    if None in (car.accelerometer_x_m, car.accelerometer_y_m):
        sd = car.uncertainty.accelerometer_place_m / math.sqrt(3)
        found["sensor_place"] = (*one("sensor_x_m", sd), *one("sensor_y_m", sd))
    return found


def _in_parts(known: Information, setup: Setup) -> dict[str, tuple[Belief, ...]]:
    stated = curve_anchors(anchors(setup))

    def rows(of: CurveAnchors) -> tuple[Belief, ...]:
        return tuple(_of_curve(row) for row in of.residuals(known.curve)[1])

    holds = replace(stated, preload=None, slope_ratio=None)

    def weighed(hold: tuple[float, float] | None) -> tuple[float, float] | None:
        return hold and (hold[0], max(hold[0] * WEIGHED_SPRING_PERCENT / 100, LEAST_HOLD_SD_NM))

    on_press = replace(holds, drive_hold=weighed(holds.drive_hold), coast_hold=weighed(holds.coast_hold))
    found = {"springs": rows(on_press)}
    if stated.larger_rules_sd > 0:
        found["spring_position"] = rows(replace(holds, larger_rules=0.0, larger_rules_sd=0.0))
    return found


def _circles() -> tuple[Arc, ...]:
    return tuple(Arc(radius, left, CIRCLE_S) for radius in RADII_M for left in (True, False))


def _slow_lap(analysis: Analysis) -> tuple[float, tuple[Arc, ...]]:
    """Minutes, and the corners of one lap driven slowly, each as long as its way takes."""
    signals, laps = analysis.signals, analysis.laps
    if not laps.bounds or laps.length_m is None:
        return 0.0, ()
    fullest = max(range(1, len(laps.bounds) + 1), key=lambda lap: sum(c.lap == lap for c in analysis.corners))
    arcs = []
    seconds = 0.0
    for corner in analysis.corners:
        if corner.lap != fullest:
            continue
        at = slice(corner.start, corner.stop)
        speed, yaw = signals.speed_m_s[at], signals.yaw_rate_rad_s[at]
        bent = np.abs(yaw) / np.maximum(speed, 1.0)
        tight = bent > 1 / WIDEST_CORNER_M
        if not tight.any():
            continue
        radius = float(1 / np.median(bent[tight]))
        arc_s = float(speed[tight].sum() / signals.rate_hz) / float(np.mean(speeds_on_m_s(radius)))
        arcs.append(Arc(radius, corner.direction == "left", arc_s))
        seconds += arc_s
    if not arcs:
        return 0.0, ()
    speeds = [speeds_on_m_s(arc.radius_m)[0] for arc in arcs]
    return laps.length_m / float(np.median(speeds)) / 60, tuple(arcs)


def _lap_s(analysis: Analysis) -> float:
    bounds = analysis.laps.bounds
    return float(np.median([b - a for a, b in bounds])) / analysis.signals.rate_hz if bounds else 0.0


def _shown(arcs: Sequence[Arc], car: Car, most_Nm: float) -> tuple[Arcs, ...]:
    """Radii with their speeds, each once."""
    found = []
    for radius in dict.fromkeys(round(arc.radius_m) for arc in arcs):
        mine = [arc for arc in arcs if round(arc.radius_m) == radius]
        ways = {arc.left for arc in mine}
        slow, fast = speeds_on_m_s(radius)
        words = "both ways" if len(ways) == 2 else ("left" if True in ways else "right")
        pulse = largest_pulse_on_Nm(radius, car, most_Nm=most_Nm)
        found.append(Arcs(radius, slow, fast, sum(arc.seconds for arc in mine), pulse, words))
    return tuple(found)
