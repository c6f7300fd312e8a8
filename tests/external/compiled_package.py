"""The multi-body model of [COMMONROAD] as it is written, compiled: its own code objects, none of ours.

A session takes 160,000 evaluations, nine tenths of the time that these tests took. What the
package's function calls is looked up in its module, where numba finds plain functions that it will not call, so each is
compiled on its own and looked up here. `test_multibody_car.py` holds the compiled function against the package's.
"""

import dataclasses
from collections import namedtuple
from collections.abc import Callable
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
from vehiclemodels import vehicle_dynamics_mb as package


def _compiled(function: FunctionType, **called: Any) -> Callable:
    """The function's own code, compiled, with `called` for what its module gives under these names."""
    return numba.njit(FunctionType(function.__code__, {**function.__globals__, **called}, function.__name__))


def _tyres() -> ModuleType:
    """The module of the tyre formulas with every function in it compiled."""
    plain, compiled = package.tireModel, ModuleType("compiled_tyres")
    compiled.sign = _compiled(plain.sign)
    for name in ("longitudinal", "lateral", "longitudinal_comb", "lateral_comb"):
        setattr(compiled, f"formula_{name}", _compiled(getattr(plain, f"formula_{name}"), sign=compiled.sign))
    return compiled


_acceleration = _compiled(package.acceleration_constraints)
_steering = _compiled(package.steering_constraints)
_dynamics = _compiled(
    package.vehicle_dynamics_mb,
    tireModel=_tyres(),
    acceleration_constraints=_acceleration,
    steering_constraints=_steering,
    vehicle_dynamics_ks_cog=_compiled(
        package.vehicle_dynamics_ks_cog,
        acceleration_constraints=_acceleration,
        steering_constraints=_steering,
    ),
)


def plain(parameters: Any) -> Any:
    """The package's parameters as nested tuples with names, as compiled code takes them; without those not given."""
    values = {f.name: getattr(parameters, f.name) for f in dataclasses.fields(parameters)}
    values = {k: plain(v) if dataclasses.is_dataclass(v) else v for k, v in values.items() if v is not None}
    return namedtuple(type(parameters).__name__, values)(**values)


@numba.njit
def derivative(state: np.ndarray, steer_rate: float, push_m_s2: float, parameters: Any) -> np.ndarray:
    """(29,) the package's derivative; it writes into the state that it is given, so it gets a copy."""
    return np.array(_dynamics(state.copy(), (steer_rate, push_m_s2), parameters))
