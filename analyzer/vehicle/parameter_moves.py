"""Which figures of the axle's equations a parameter of the fit moves, and how fast.

A change that is none is `NOTHING`; figures are relative where positive by their nature, else in their own unit.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.vehicle.axle_inputs import AxleInputs, Given, Values


class _Nothing:
    """A change that is none: a zero that costs nothing, for most parameters move few figures."""

    __array_ufunc__ = None

    def __mul__(self, other: Any) -> "_Nothing":
        return self

    def __add__(self, other: Any) -> Any:
        return other

    def __sub__(self, other: Any) -> Any:
        return -other

    def __rsub__(self, other: Any) -> Any:
        return other

    def __neg__(self) -> "_Nothing":
        return self

    def __getitem__(self, wheel: int) -> "_Nothing":
        return self

    __rmul__ = __truediv__ = __mul__
    __radd__ = __add__


NOTHING = _Nothing()
# of the figures that the equations are made of: relative where a figure is positive by its nature, else its own unit
Moved = dict[str, Any]


@dataclass(frozen=True)
class At:
    """Where the slopes are asked for: state (2, n), parameters, inputs and what the equations take from these."""

    state: FloatArray
    value: Values
    inputs: AxleInputs
    given: Given

    @cached_property
    def turning(self) -> FloatArray:
        """(n,) true yaw rate (rad/s)."""
        rate: FloatArray = (self.inputs.yaw_rad_s - self.value["yaw_bias"]) * np.exp(self.value["log_yaw_scale"])
        return rate


def _turning(of: At, turning: Any) -> Moved:
    """A change of the true yaw rate: it moves the sensor's place, too."""
    value, inputs = of.value, of.inputs
    along = (1.0 - inputs.long_from_speed) * 2 * value["sensor_x_m"] * of.turning * turning
    across = (1.0 - inputs.lat_from_yaw) * 2 * value["sensor_y_m"] * of.turning * turning
    return {"yaw": turning * np.exp(-value["log_speed_scale"]), "along": along, "across": across}


def _sensor(of: At, x: float, y: float) -> Moved:
    measured, sideways = 1.0 - of.inputs.long_from_speed, 1.0 - of.inputs.lat_from_yaw
    squared, swing = of.turning**2, of.inputs.yaw_acc_rad_s2
    return {"along": measured * (x * squared + y * swing), "across": -sideways * (x * swing - y * squared)}


def _readings(of: At, long: Any, lat: Any) -> Moved:
    """A change of what the accelerometer reads, offsets taken off."""
    value = of.value
    measured, sideways = 1.0 - of.inputs.long_from_speed, 1.0 - of.inputs.lat_from_yaw
    turned = value["sensor_turned"]
    return {
        "along": long * (1.0 - (1.0 - measured) * value["change_gain"])
        - measured * (value["long_gain"] * long + turned * lat),
        "across": lat - sideways * (value["lat_gain"] * lat - turned * measured * long),
    }


def _pose(of: At, long_gain: float, lat_gain: float, turned: float) -> Moved:
    value, inputs = of.value, of.inputs
    measured, sideways = 1.0 - inputs.long_from_speed, 1.0 - inputs.lat_from_yaw
    long, lat = inputs.long_m_s2 - value["long_bias"], inputs.lat_m_s2 - value["lat_bias"]
    return {
        "along": -measured * (long_gain * long + turned * lat),
        "across": -sideways * (lat_gain * lat - turned * measured * long),
    }


def _change_of_speed(of: At) -> Moved:
    """A change of the scale of the change of speed that stands in for the accelerometer."""
    return {"along": -of.inputs.long_from_speed * (of.inputs.long_m_s2 - of.value["long_bias"])}


def _of_front_wheels(of: At) -> Moved:
    return {"front_scale": of.inputs.front_left_share - 0.5, "front_side": 1.0}


MOVES: Mapping[str, Callable[[At], Moved]] = {
    "log_slip_stiffness": lambda of: {"stiff_x": 1.0, "stiff_y": 1.0},
    "log_cornering_ratio": lambda of: {"stiff_y": 1.0},
    "log_friction": lambda of: {"friction_x": 1.0, "friction_y": 1.0},
    "log_friction_ratio": lambda of: {"friction_y": 1.0},
    "friction_fall": lambda of: {"friction_fall": 1.0},
    "stiffness_fall": lambda of: {"stiffness_fall": 1.0},
    "shape": lambda of: {"shape": 1.0},
    "combined_weight": lambda of: {"combined_weight": 1.0},
    "radius_fall": lambda of: {"radius_fall": 1.0},
    "radius_bend": lambda of: {"radius_bend": 1.0},
    "rear_front_scale": lambda of: {"front_scale": 1.0},
    "rear_front_growth": lambda of: {"front_scale": (of.state[0] / 40.0) ** 2},
    "rear_left_right_scale": lambda of: {"rear_side": 1.0},
    "front_left_right_scale": _of_front_wheels,
    "yaw_bias": lambda of: _turning(of, -np.exp(of.value["log_yaw_scale"])),
    "log_yaw_scale": lambda of: _turning(of, of.turning),
    "log_speed_scale": lambda of: {"yaw": -of.given.yaw_rad_s},
    "log_front_track": lambda of: {"front_track": 1.0},
    "sensor_x_m": lambda of: _sensor(of, 1.0, 0.0),
    "sensor_y_m": lambda of: _sensor(of, 0.0, 1.0),
    "sensor_turned": lambda of: _pose(of, 0.0, 0.0, 1.0),
    "lat_gain": lambda of: _pose(of, 0.0, 1.0, 0.0),
    "long_gain": lambda of: _pose(of, 1.0, 0.0, 0.0),
    "change_gain": _change_of_speed,
    "long_bias": lambda of: _readings(of, -1.0, 0.0),
    "lat_bias": lambda of: _readings(of, 0.0, -1.0),
    "steer_offset": lambda of: {"steer": -1.0},
    "log_mass": lambda of: {"mass": 1.0},
    "log_cg_height": lambda of: {"cg_height": 1.0},
    "log_load_transfer": lambda of: {"transfer": 1.0},
    "cross_weight": lambda of: {"cross": 1.0},
    "log_drag": lambda of: {"drag": 1.0},
    "log_downforce": lambda of: {"downforce": 1.0},
    "log_wheel_inertia": lambda of: {"inertia": 1.0},
    "log_rolling_resistance": lambda of: {"rolling": 1.0},
    "log_static_ratio": lambda of: {},  # of the plates: it moves what a locked axle bounds, no force
}
