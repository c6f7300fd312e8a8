"""The nuisances of the simulator in one table: what a real car, road and logger do and a smooth simulation leaves out.

All are off by default. Each is a field of the dataclass that its part is described by, where the docstring has the
physics: `simulated_car` (tyre, grip, chassis, lock, powertrain), `circuit` (road), `sensors`. Light to import: `--help`
reads it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from analyzer.errors import InputError

LOAD_LAG_S = 0.06  # roll and pitch follow the accelerations with about this delay; common practice, no source


@dataclass(frozen=True)
class Choice:
    """One nuisance: the part that it belongs to, what leaves it off, the range allowed, and what it is in words."""

    part: str
    default: float
    low: float
    high: float
    words: str


OPTIONS: dict[str, Choice] = {
    "radius_fall_percent": Choice("tyre", 0.0, 0, 3, "fall of the rolling radius per quarter of the weight, per cent"),
    "radius_stiffness_N_mm": Choice(
        "tyre", 0.0, 0, 1000, "vertical stiffness of the tyre, N/mm: that fall's other form"
    ),
    "unlike_grip_percent": Choice("tyre", 0.0, -20, 20, "left tyres over right ones in grip and stiffness, per cent"),
    "unlike_radius_percent": Choice("tyre", 0.0, -3, 3, "left tyres over right ones in rolling radius, per cent"),
    "cold_grip_percent": Choice("grip", 0.0, 0, 50, "grip missing on cold tyres, per cent"),
    "cold_stiffness_percent": Choice("grip", 0.0, -50, 50, "stiffness that cold tyres have more, per cent"),
    "warm_up_m": Choice("grip", 2000.0, 10, 1e5, "distance over which the tyres warm up to 1/e, m"),
    "grip_step_percent": Choice("grip", 0.0, -80, 50, "change of grip half-way through the session, per cent"),
    "cross_weight_percent": Choice("chassis", 0.0, -10, 10, "weight on front right and rear left over half, per cent"),
    "rear_brake_left_percent": Choice("chassis", 50.0, 0, 100, "left wheel's share of the rear brakes, per cent"),
    "load_lag_front_s": Choice("chassis", LOAD_LAG_S, 0, 1, "lag of the front's sideways load transfer, s"),
    "load_lag_rear_s": Choice("chassis", LOAD_LAG_S, 0, 1, "lag of the rear's sideways load transfer, s"),
    "thrust_play_percent": Choice("lock", 0.0, 0, 80, "less ramp thrust as torque rises, more as it falls, per cent"),
    "static_ratio": Choice("lock", 1.0, 0.5, 5, "plate friction sticking over slipping"),
    "fade_per_K": Choice("lock", 0.0, 0, 0.05, "share of the plate friction lost per kelvin"),
    "shift_time_s": Choice("powertrain", 0.10, 0, 1, "gap in the torque at a shift, s"),
    "shift_miss_percent": Choice(
        "powertrain", 0.0, 0, 100, "engine speed that shifts leave the tyres to match, per cent"
    ),
    "grade_percent": Choice("road", 0.0, 0, 20, "steepest grade of smooth hills, per cent"),
    "bank_percent": Choice("road", 0.0, -20, 20, "steepest smooth cross slope, per cent; negative mirrors it"),
    "crest_1_km": Choice("road", 0.0, 0, 20, "largest vertical curvature of crests and dips, 1/km"),
    "hillside_percent": Choice("road", 0.0, 0, 20, "slope of the plane on which the circuit lies, per cent"),
    "hillside_towards_deg": Choice("road", 0.0, -360, 360, "heading that leads straight up the hillside, deg"),
    "bump_load_percent": Choice("road", 0.0, 0, 40, "standard deviation of wheel load over bumps, per cent"),
    "roll_deg_per_g": Choice("sensors", 0.0, -10, 10, "lean of the sensor unit with the body's roll, deg per g"),
    "pitch_deg_per_g": Choice("sensors", 0.0, -10, 10, "lean of the sensor unit with the body's pitch, deg per g"),
    "unit_x_m": Choice("sensors", 0.0, -2, 2, "sensor unit ahead of the centre of gravity, m"),
    "unit_y_m": Choice("sensors", 0.0, -1, 1, "sensor unit left of the centre of gravity, m"),
    "unit_z_m": Choice("sensors", 0.0, -1, 1, "sensor unit above the centre of gravity, m"),
    "unit_turned_deg": Choice("sensors", 0.0, -20, 20, "sensor unit turned to the left about the vertical, deg"),
    "gyro_scale_percent": Choice("sensors", 0.0, -10, 10, "yaw rate reads more by this, per cent"),
    "acceleration_filter_Hz": Choice("sensors", 0.0, 0, 100, "low-pass of the logged accelerations, Hz; 0 is none"),
    "acceleration_late_s": Choice("sensors", 0.0, 0, 0.5, "accelerations are logged this late, s"),
    "yaw_late_s": Choice("sensors", 0.0, 0, 0.5, "yaw rate is logged this late, s"),
    "wheel_late_s": Choice("sensors", 0.0, 0, 0.5, "wheel speeds are logged this late, s"),
    "wheel_noise_percent": Choice("sensors", 0.0, 0, 5, "standard deviation of wheel speeds over bumps, per cent"),
}


def option(name: str) -> Any:
    """A dataclass field with the default of the nuisance `name`."""
    return field(default=OPTIONS[name].default)


class Options:
    """A dataclass with nuisances among its fields, which are held to their ranges."""

    def __post_init__(self) -> None:
        for f in fields(self):  # type: ignore[arg-type]  # every subclass is a dataclass
            choice, value = OPTIONS.get(f.name), getattr(self, f.name)
            if choice and not choice.low <= value <= choice.high:
                raise InputError(
                    f"{f.name} is {value:g}; allowed: {choice.low:g} to {choice.high:g} ({choice.words}). Correct it."
                )


def by_part(values: Mapping[str, float | None]) -> dict[str, dict[str, Any]]:
    """Nuisances by the part they belong to, as keyword arguments of its dataclass; those that are None are left out.

    Parameters
    ----------
    values : name in `OPTIONS` -> value, in the unit that the name ends with.

    Raises
    ------
    InputError : a name that is no nuisance.
    """
    parts: dict[str, dict[str, Any]] = {}
    for name, value in values.items():
        if name not in OPTIONS:
            raise InputError(f"'{name}' is no nuisance; allowed: {', '.join(OPTIONS)}.")
        if value is not None:
            parts.setdefault(OPTIONS[name].part, {})[name] = value
    return parts
