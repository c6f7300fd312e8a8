"""What can be drawn over time and on the map: names, units and where each comes from in an analysis."""

import threading
import weakref
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any, TypeVar

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray
from analyzer.channels import CHANNELS, STANDARD_GRAVITY_M_S2
from analyzer.channels import QUANTITIES as UNITS
from analyzer.findings.rear_axle import RearAxle, rear_axle
from analyzer.presentation.figures.lap_figures import drawn_path

T = TypeVar("T")
Part = Callable[[Analysis, slice], FloatArray]  # values of some samples, NaN where nothing can be said
ALL = slice(None)


@dataclass(frozen=True)
class Line:
    """One line of a chart over `time_s` (n,); `part(where)` gives the values of those samples only, because a zoomed
    view of a long log needs few."""

    name: str
    time_s: FloatArray
    part: Callable[[slice], FloatArray]


@dataclass(frozen=True)
class Quantity:
    """One chart row: label with unit, digits to show, and the lines of an analysis."""

    label: str
    digits: int
    lines: Callable[[Analysis], list[Line]]
    mapped: Part | None = None  # one value a sample, for the map
    map_top: tuple[float, float] | None = None  # the map's scale ends between these; None: at the largest
    limit: tuple[str, Callable[[Analysis], float]] | None = None  # a level to hold the lines against: name, value


def _lines(parts: dict[str, Part]) -> Callable[[Analysis], list[Line]]:
    return lambda a: [Line(name, a.signals.time_s, partial(part, a)) for name, part in parts.items()]


def _wheel(column: int) -> Part:
    return lambda a, w: 3.6 * a.signals.wheel_speed_m_s[w, column]


def _rear_wheel(inside: bool) -> Part:
    """Speed of the inside or the outside rear wheel: each keeps its name, and so its colour, in every turn."""

    def part(a: Analysis, w: slice) -> FloatArray:
        left, right = (3.6 * a.signals.wheel_speed_m_s[w, column] for column in (2, 3))
        return np.where((rear_of(a).turn[w] > 0) == inside, left, right)

    return part


WHEELS = {
    "inside rear": _rear_wheel(True),
    "outside rear": _rear_wheel(False),
    "front left": _wheel(0),
    "front right": _wheel(1),
}


def _wheels(a: Analysis) -> list[Line]:
    return [line for line in _lines(WHEELS)(a) if any(np.isfinite(line.part(w)).any() for w in (slice(1000), ALL))]


def _in_corners(name: str, factor: float = 1.0) -> Part:
    def part(a: Analysis, w: slice) -> FloatArray:
        rear = rear_of(a)
        return np.where(rear.cornering[w], factor * getattr(rear, name)[w], np.nan)

    return part


def _transfer(a: Analysis, w: slice) -> FloatArray:
    return np.where(a.axle.braked[w], np.nan, _in_corners("transfer_torque_Nm")(a, w))


def _input(a: Analysis, w: slice) -> FloatArray:
    return np.where(a.axle.braked[w], np.nan, a.axle.input_torque_Nm[w])


def _throttle(a: Analysis, w: slice) -> FloatArray:
    return 100 * a.signals.throttle[w]


def _speed(a: Analysis, w: slice) -> FloatArray:
    return 3.6 * a.signals.speed_m_s[w]


def _lateral(a: Analysis, w: slice) -> FloatArray:
    return a.signals.lat_m_s2[w] / STANDARD_GRAVITY_M_S2


_inside_slip = _in_corners("inside_slip", 100.0)

QUANTITIES: dict[str, Quantity] = {
    "wheel_speed": Quantity("wheel speed, km/h", 1, _wheels),
    "slip": Quantity(
        "rear slip, %",
        1,
        _lines({"inside rear": _inside_slip, "outside rear": _in_corners("outside_slip", 100.0)}),
        _inside_slip,
        (5.0, 30.0),
        ("peak of the tyre", lambda a: 100 * rear_of(a).peak_slip),
    ),
    "throttle": Quantity("throttle, %", 0, _lines({"throttle": _throttle}), _throttle, (100, 100)),
    "steer": Quantity(
        "steering wheel, deg",
        0,
        _lines({"steering wheel": lambda a, w: np.degrees(a.signals.steer_rad[w]) * a.car.steering_ratio}),
    ),
    "speed": Quantity("ground speed, km/h", 1, _lines({"ground speed": _speed}), _speed),
    "lateral": Quantity(
        "lateral acceleration, g", 2, _lines({"lateral": _lateral}), lambda a, w: np.abs(_lateral(a, w))
    ),
    "longitudinal": Quantity(
        "longitudinal acceleration, g",
        2,
        _lines({"longitudinal": lambda a, w: a.signals.long_m_s2[w] / STANDARD_GRAVITY_M_S2}),
    ),
    "yaw_rate": Quantity(
        "yaw rate, deg/s", 1, _lines({"yaw rate": lambda a, w: np.degrees(a.signals.yaw_rate_rad_s[w])})
    ),
    "speed_difference": Quantity(
        "rear wheels' speed difference, rad/s",
        2,
        _lines(
            {
                "left minus right": lambda a, w: a.axle.speed_difference_rad_s[w],
                "if both rolled free": lambda a, w: a.axle.free_difference_rad_s[w],
            }
        ),
    ),
    "input_torque": Quantity("input torque, N.m", 0, _lines({"input torque": _input}), _input),
    "transfer_torque": Quantity(
        "transfer torque, N.m",
        0,
        _lines({"transfer torque": _transfer}),
        lambda a, w: np.abs(_transfer(a, w)),
    ),
    "grip_used": Quantity(
        "grip used (1 is the peak)",
        2,
        _lines({"inside rear": _in_corners("inside_use"), "outside rear": _in_corners("outside_use")}),
    ),
}
MAP_LABELS = {
    "slip": "inside rear slip, %",
    "transfer_torque": "transfer torque, size, N.m",
    "input_torque": "input torque, N.m",
    "throttle": "throttle, %",
    "speed": "ground speed, km/h",
    "lateral": "lateral acceleration, size, g",
}


def logged(analysis: Analysis) -> dict[str, str]:
    """Channels as the log has them, `log:NAME` -> label with the inside unit."""
    return {
        f"log:{name}": f"as logged: {CHANNELS[name].label}"
        for name in analysis.recording.channels
        if name in CHANNELS and name != "time"
    }


def chosen_quantity(key: str) -> Quantity:
    """The quantity of a key of QUANTITIES or of `logged`.

    Raises
    ------
    KeyError : no such quantity.
    """
    if not key.startswith("log:"):
        return QUANTITIES[key]
    name = key.removeprefix("log:")
    channel = CHANNELS[name]
    return Quantity(
        f"{channel.label}, {_inside_unit(name)}",
        3,
        lambda a: [Line(channel.label, a.recording.time_s, lambda w: a.recording.channels[name][w])],
    )


def _inside_unit(name: str) -> str:
    return UNITS[CHANNELS[name].quantity][CHANNELS[name].file_unit].inside


_known: dict[int, dict[Callable[[Analysis], Any], Any]] = {}
_one_at_a_time = threading.Lock()  # a page that opens asks for several views at once


def rear_of(analysis: Analysis) -> RearAxle:
    """Inside and outside of this very analysis; another run, or the same run analysed again, is another object."""
    return once(analysis, _rear)


def path_of(analysis: Analysis) -> tuple[FloatArray, FloatArray]:
    """`drawn_path` of this very analysis."""
    return once(analysis, drawn_path)


def _rear(analysis: Analysis) -> RearAxle:
    return rear_axle(analysis.signals, analysis.axle, analysis.car)


def once(analysis: Analysis, work: Callable[[Analysis], T]) -> T:
    """What `work` gives for this very analysis, worked out at the first time; who asks meanwhile waits for it."""
    key = id(analysis)
    with _one_at_a_time:
        if key not in _known:
            weakref.finalize(analysis, _known.pop, key, None)  # before the id can be given to another
        found = _known.setdefault(key, {})
        if work not in found:
            found[work] = work(analysis)
        result: T = found[work]
        return result
