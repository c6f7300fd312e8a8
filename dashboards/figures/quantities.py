"""What can be drawn over time and on the map: names, units and where each comes from in an analysis."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analyzer.analysis import Analysis
from analyzer.channels import CHANNELS
from analyzer.findings.rear_axle import rear_axle
from analyzer.units import QUANTITIES as UNITS


@dataclass(frozen=True)
class Line:
    """One line of a chart: `values` (n,) at `time_s` (n,), NaN where nothing can be said."""

    name: str
    time_s: np.ndarray
    values: np.ndarray


@dataclass(frozen=True)
class Quantity:
    """One chart row: label with unit, digits to show, and the lines of an analysis."""

    label: str
    digits: int
    lines: Callable[[Analysis], list[Line]]
    mapped: Callable[[Analysis], np.ndarray] | None = None  # one value a sample, for the map
    map_top: tuple[float, float] | None = None  # the map's scale ends between these; None: at the largest


def _one(name: str, values: Callable[[Analysis], np.ndarray]) -> Callable[[Analysis], list[Line]]:
    return lambda a: [Line(name, a.signals.time_s, values(a))]


def _wheels(a: Analysis) -> list[Line]:
    names = ("rear left", "rear right", "front left", "front right")
    columns = (2, 3, 0, 1)
    speeds = 3.6 * a.signals.wheel_speed_m_s
    return [
        Line(n, a.signals.time_s, speeds[:, c])
        for n, c in zip(names, columns, strict=True)
        if np.isfinite(speeds[:, c]).any()
    ]


def _slips(a: Analysis) -> list[Line]:
    rear = rear_axle(a.signals, a.axle, a.car)
    return [
        Line(f"{name} rear slip", a.signals.time_s, np.where(rear.cornering, 100 * slip, np.nan))
        for name, slip in (("inside", rear.inside_slip), ("outside", rear.outside_slip))
    ]


def _inside_slip(a: Analysis) -> np.ndarray:
    rear = rear_axle(a.signals, a.axle, a.car)
    return np.where(rear.cornering, 100 * rear.inside_slip, np.nan)


def _transfer(a: Analysis) -> np.ndarray:
    rear = rear_axle(a.signals, a.axle, a.car)
    return np.where(rear.cornering & ~a.axle.braked, rear.transfer_torque_Nm, np.nan)


def _differences(a: Analysis) -> list[Line]:
    time = a.signals.time_s
    return [
        Line("left minus right", time, a.axle.speed_difference_rad_s),
        Line("if both rolled free", time, a.axle.free_difference_rad_s),
    ]


def _use(a: Analysis) -> list[Line]:
    rear = rear_axle(a.signals, a.axle, a.car)
    return [
        Line(f"{name} rear", a.signals.time_s, np.where(rear.cornering, use, np.nan))
        for name, use in (("inside", rear.inside_use), ("outside", rear.outside_use))
    ]


def _input(a: Analysis) -> np.ndarray:
    return np.where(a.axle.braked, np.nan, a.axle.input_torque_Nm)


QUANTITIES: dict[str, Quantity] = {
    "wheel_speed": Quantity("wheel speed, km/h", 1, _wheels),
    "slip": Quantity("rear slip, %", 1, _slips, _inside_slip, (5.0, 30.0)),
    "throttle": Quantity(
        "throttle, %",
        0,
        _one("throttle", lambda a: 100 * a.signals.throttle),
        lambda a: 100 * a.signals.throttle,
        (100, 100),
    ),
    "steer": Quantity(
        "steering wheel, deg",
        0,
        _one("steering wheel", lambda a: np.degrees(a.signals.steer_rad) * a.car.steering_ratio),
    ),
    "speed": Quantity(
        "ground speed, km/h",
        1,
        _one("ground speed", lambda a: 3.6 * a.signals.speed_m_s),
        lambda a: 3.6 * a.signals.speed_m_s,
    ),
    "lateral": Quantity(
        "lateral acceleration, g",
        2,
        _one("lateral", lambda a: a.signals.lat_m_s2 / 9.80665),
        lambda a: np.abs(a.signals.lat_m_s2) / 9.80665,
    ),
    "longitudinal": Quantity(
        "longitudinal acceleration, g", 2, _one("longitudinal", lambda a: a.signals.long_m_s2 / 9.80665)
    ),
    "yaw_rate": Quantity("yaw rate, deg/s", 1, _one("yaw rate", lambda a: np.degrees(a.signals.yaw_rate_rad_s))),
    "speed_difference": Quantity("rear wheels' speed difference, rad/s", 2, _differences),
    "input_torque": Quantity("input torque, N.m", 0, _one("input torque", _input), _input),
    "transfer_torque": Quantity(
        "transfer torque, N.m",
        0,
        _one("transfer torque", _transfer),
        lambda a: np.abs(_transfer(a)),
    ),
    "tyre_use": Quantity("tyre use (1 is the peak)", 2, _use),
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
        lambda a: [Line(channel.label, a.recording.time_s, a.recording.channels[name])],
    )


def _inside_unit(name: str) -> str:
    return UNITS[CHANNELS[name].quantity][CHANNELS[name].file_unit].inside
