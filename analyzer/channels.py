"""Channels and units at the edges: what a column is called, what it is, and in which unit. Inside everything is SI and
radians.

A small table instead of a unit library: the units a log can carry are few, and importing a general
unit library costs more time than reading a short log.

Sources: 1 mph = 0.44704 m/s exactly, 1 ft = 0.3048 m exactly, 1 knot = 1852/3600 m/s exactly (NIST SP 811, appendix
B); g = 9.80665 m/s2 (3rd CGPM 1901); 1 psi = 6894.757 Pa (NIST SP 811); 1 lbf.ft = 1.355818 N.m (NIST SP 811);
1 kgf/cm2 = 98066.5 Pa exactly (NIST SP 811).

Axes and signs follow ISO 8855:2011: x forward, y left, z up; steer, yaw rate and lateral
acceleration are positive in a left turn.
"""

import math
from dataclasses import dataclass

from analyzer.errors import InputError
from analyzer.in_words import capitalised

STANDARD_GRAVITY_M_S2 = 9.80665
# unit of a time column -> s; the longer and shorter ones only a clock has
TIME_FACTORS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "min": 60.0, "h": 3600.0, "d": 86400.0}
WHEELS = ("fl", "fr", "rl", "rr")
WHEEL_CHANNELS = tuple(f"wheel_speed_{w}" for w in WHEELS)
REAR_WHEELS = WHEEL_CHANNELS[2:]


@dataclass(frozen=True)
class Unit:
    """value_inside = factor * value_in_file + offset, in `inside` units."""

    factor: float
    inside: str
    offset: float = 0.0


_SPEED = {
    "m/s": Unit(1.0, "m/s"),
    "km/h": Unit(1 / 3.6, "m/s"),
    "mph": Unit(0.44704, "m/s"),
    "kn": Unit(1852 / 3600, "m/s"),
    "ft/s": Unit(0.3048, "m/s"),
    "cm/s": Unit(0.01, "m/s"),
    "m/min": Unit(1 / 60, "m/s"),
}
_ANGULAR_SPEED = {
    "rad/s": Unit(1.0, "rad/s"),
    "deg/s": Unit(math.pi / 180, "rad/s"),
    "rpm": Unit(2 * math.pi / 60, "rad/s"),
    "rev/s": Unit(2 * math.pi, "rad/s"),
    "mrad/s": Unit(0.001, "rad/s"),
}


# quantity -> unit symbol -> conversion. A wheel speed may come as a road speed or as a rotation.
QUANTITIES: dict[str, dict[str, Unit]] = {
    "time": {symbol: Unit(TIME_FACTORS[symbol], "s") for symbol in ("s", "ms", "us", "min")},
    "speed": _SPEED,
    "wheel_speed": {**_SPEED, **{k: v for k, v in _ANGULAR_SPEED.items() if k != "deg/s"}},
    "angular_speed": _ANGULAR_SPEED,
    "fraction": {
        "%": Unit(0.01, "1"),
        "1": Unit(1.0, "1"),
        "1/255": Unit(1 / 255, "1"),  # a raw byte
        "1/1000": Unit(0.001, "1"),
    },
    "angle": {
        "deg": Unit(math.pi / 180, "rad"),
        "rad": Unit(1.0, "rad"),
        "mrad": Unit(0.001, "rad"),
        "gon": Unit(math.pi / 200, "rad"),
        "rev": Unit(2 * math.pi, "rad"),
    },
    "acceleration": {
        "g": Unit(STANDARD_GRAVITY_M_S2, "m/s2"),
        "mg": Unit(STANDARD_GRAVITY_M_S2 / 1000, "m/s2"),
        "m/s2": Unit(1.0, "m/s2"),
        "ft/s2": Unit(0.3048, "m/s2"),
        "cm/s2": Unit(0.01, "m/s2"),
    },
    "pressure": {
        "bar": Unit(1e5, "Pa"),
        "kPa": Unit(1e3, "Pa"),
        "MPa": Unit(1e6, "Pa"),
        "Pa": Unit(1.0, "Pa"),
        "psi": Unit(6894.757, "Pa"),
        "kgf/cm2": Unit(98066.5, "Pa"),
        "%": Unit(0.01, "1"),
        "1": Unit(1.0, "1"),
    },
    "torque": {"N.m": Unit(1.0, "N.m"), "lbf.ft": Unit(1.355818, "N.m")},
    "temperature": {
        "degC": Unit(1.0, "degC"),
        "K": Unit(1.0, "degC", -273.15),
        "degF": Unit(5 / 9, "degC", -160 / 9),
    },
    "count": {"1": Unit(1.0, "1")},
}


def conversion(quantity: str, symbol: str, *, where: str) -> Unit:
    """The conversion of a unit to the inside one of a quantity.

    Parameters
    ----------
    quantity : key of `QUANTITIES`.
    symbol : of the unit, as `QUANTITIES` writes it.
    where : file and column, for what is said of a wrong one.

    Raises
    ------
    InputError : the unit is not one that this quantity can have.
    """
    units = QUANTITIES[quantity]
    if symbol not in units:
        raise InputError(
            f"{where}: the unit '{symbol}' does not fit a {quantity.replace('_', ' ')}; "
            f"allowed: {', '.join(units)}. State one of these."
        )
    return units[symbol]


@dataclass(frozen=True)
class Channel:
    """One canonical channel.

    Attributes
    ----------
    name : canonical column name in files.
    quantity : key of `analyzer.channels.QUANTITIES`; decides which units are allowed.
    file_unit : unit of a file that uses the canonical name and states no unit.
    label : words for a person.
    required : True when `analyze` cannot work without it.
    """

    name: str
    quantity: str
    file_unit: str
    label: str
    required: bool = False

    @property
    def heading(self) -> str:
        """`label` as a sentence begins."""
        return capitalised(self.label)


CHANNELS: dict[str, Channel] = {
    c.name: c
    for c in (
        Channel("time", "time", "s", "time", required=True),
        Channel("wheel_speed_fl", "wheel_speed", "km/h", "front left wheel speed"),
        Channel("wheel_speed_fr", "wheel_speed", "km/h", "front right wheel speed"),
        Channel("wheel_speed_rl", "wheel_speed", "km/h", "rear left wheel speed", required=True),
        Channel("wheel_speed_rr", "wheel_speed", "km/h", "rear right wheel speed", required=True),
        Channel("throttle", "fraction", "%", "throttle", required=True),
        Channel("steer", "angle", "deg", "steering-wheel angle", required=True),
        Channel("lat_g", "acceleration", "g", "lateral acceleration", required=True),
        Channel("long_g", "acceleration", "g", "longitudinal acceleration"),
        Channel("yaw_rate", "angular_speed", "deg/s", "yaw rate"),
        Channel("brake", "pressure", "bar", "brake"),
        Channel("gps_speed", "speed", "km/h", "GPS speed"),
        Channel("latitude", "angle", "deg", "latitude"),
        Channel("longitude", "angle", "deg", "longitude"),
        Channel("engine_speed", "angular_speed", "rpm", "engine speed"),
        Channel("gear", "count", "1", "gear"),
        Channel("engine_torque", "torque", "N.m", "engine torque"),
        Channel("lap", "count", "1", "lap number"),
        Channel("diff_temperature", "temperature", "degC", "differential temperature"),
    )
}
