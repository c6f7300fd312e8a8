"""The multi-body model of [COMMONROAD] as it is written, compiled: its own code objects, none of ours.

A session takes 160,000 evaluations, nine tenths of the time that these tests took. What the
package's function calls is looked up in its module, where numba finds plain functions that it will not call, so each is
compiled on its own and looked up here. `test_multibody_car.py` holds the compiled function against the package's.
"""

import dataclasses
import hashlib
from collections import namedtuple
from collections.abc import Callable
from functools import cache
from importlib.metadata import version
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any

import numba
import numpy as np
from vehiclemodels import vehicle_dynamics_mb as package


def compiled(function: Callable) -> Callable:
    """Compiled on its first call, which takes twelve seconds, and kept beside the tests for the next run of them."""
    sources = b"".join(path.read_bytes() for path in sorted(Path(__file__).parent.glob("*.py")))
    sources += version("commonroad-vehicle-models").encode()  # numba looks at one function's file, not at what it calls
    folder = Path(__file__).parent / "__pycache__" / f"multibody-{hashlib.sha256(sources).hexdigest()[:12]}"
    before, numba.config.CACHE_DIR = numba.config.CACHE_DIR, str(folder)
    try:
        return numba.njit(cache=True)(function)
    finally:
        numba.config.CACHE_DIR = before


def _compiled(function: FunctionType, **called: Any) -> Callable:
    """The function's own code, compiled, with `called` for what its module gives under these names."""
    return compiled(FunctionType(function.__code__, {**function.__globals__, **called}, function.__name__))


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
    return _form(type(parameters).__name__, tuple(values))(**values)


@cache
def _form(name: str, fields: tuple[str, ...]) -> type:
    """The tuple of figures of this name, to be found in this module, or numba does not know again what it has kept."""
    globals()[name] = namedtuple(name, fields)
    return globals()[name]


@compiled
def derivative(state: np.ndarray, steer_rate: float, push_m_s2: float, parameters: Any) -> np.ndarray:
    """(29,) the package's derivative; it writes into the state that it is given, so it gets a copy."""
    return np.array(_dynamics(state.copy(), (steer_rate, push_m_s2), parameters))
