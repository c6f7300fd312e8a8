"""What a run may hand on to the next: the unknowns that are the car's own, how far each wanders from run to run, and
what ends it.

An unknown c of run k is the car's with a wandering of its own, c_k = c + d_k, d_k ~ N(0, Q): no number of runs makes
the next one surer than Q. The differential's curve and a log's own zeros are not here: they are never handed on.

The tyre's wandering has two parts. Rubber is warmer, dirtier or more worn in one run than in the next. And the fitted
tyre is an effective one: another circuit asks it at other slips and loads, where another shape fits best. Deviations
are common practice, no source, and twice as large as simulated cars ask for: what the form of the fit does not know, it
does not know in any run, so runs agree better than they are right. On 107 runs of 36 such cars (seeds 0 to 64,
tests/accuracy/known_car.py), intervals that held 80 % of the points alone held 78 with half of these deviations and 79
with these; the error of the curve fell from 31 to 30 % rms.
"""

from collections.abc import Mapping
from typing import TYPE_CHECKING

from analyzer.errors import InputError

if TYPE_CHECKING:
    from analyzer.arrays import FloatArray

TYRE = {
    "log_friction": 0.10,
    "log_slip_stiffness": 0.12,
    "log_cornering_ratio": 0.10,
    "log_friction_ratio": 0.04,
    "friction_fall": 0.04,
    "stiffness_fall": 0.06,
    "shape": 0.06,
    "combined_weight": 0.10,
}
RADIUS = {
    "radius_fall": 0.0006,  # a fifth of 0.003 by pressure, temperature and wear
    "log_speed_scale": 0.004,  # wear of 1 mm of tread
}
# a bank of 0.5 degrees where one circuit corners, and not the next, reads as 0.9 % of gain; the place across, as
# sessions tell it on circuits of their own, differed by 0.2 m on simulated cars
SENSOR = {
    "log_yaw_scale": 0.004,
    "sensor_x_m": 0.2,
    "sensor_y_m": 0.5,
    "sensor_turned": 0.006,
    "lat_gain": 0.02,
    "long_gain": 0.010,
}
CAR = {
    "log_mass": 0.02,  # fuel, luggage, another driver
    "log_cg_height": 0.04,
    "log_load_transfer": 0.06,  # two holes on an anti-roll bar
    "cross_weight": 0.005,  # a spring seat, fuel on one side
    "log_front_track": 0.002,
    "log_drag": 0.06,
    "log_downforce": 0.20,
    "log_wheel_inertia": 0.02,
    "log_rolling_resistance": 0.10,
}
WANDERING = TYRE | RADIUS | SENSOR | CAR
# what differs between two runs -> what one then does not tell the other; all is relative to the car file's figures
SAID = ("tyres", "weather", "sensor")  # by a person, of a run
ENDS: Mapping[str, frozenset[str]] = {
    "car": frozenset(WANDERING),
    "tyres": frozenset(TYRE | RADIUS),
    "weather": frozenset(TYRE),
    "sensor": frozenset(SENSOR | {"log_speed_scale": 0.0}),
    "channels": frozenset(SENSOR),
}


def said(words: Mapping[str, str]) -> dict[str, str]:
    """What a run was driven with, as it is compared: case and spaces do not count.

    Parameters
    ----------
    words : keys of `SAID` -> what a person says; a key that is missing counts as "".

    Returns
    -------
    dict : every key of `SAID`.

    Raises
    ------
    InputError : a key that is none of `SAID`.
    """
    unknown = next((key for key in words if key not in SAID), None)
    if unknown is not None:
        raise InputError(f"driven_with has '{unknown}'; allowed: {', '.join(SAID)}. Use one of these.")
    return {key: " ".join(words.get(key, "").casefold().split()) for key in SAID}


def ended(one: Mapping[str, str], other: Mapping[str, str]) -> frozenset[str]:
    """The unknowns that a run does not tell another of.

    Parameters
    ----------
    one, other : what each was driven with, keys of `ENDS` -> words or hashes; a key that is missing counts as "".
    """
    return frozenset().union(*(names for what, names in ENDS.items() if one.get(what, "") != other.get(what, "")))


def wandering(names: tuple[str, ...]) -> "FloatArray":
    """How far unknowns wander from run to run, one standard deviation, in the unit of each.

    Parameters
    ----------
    names : p of them, as `vehicle.parameters` has them.

    Returns
    -------
    ndarray : (p,), infinite for what is not the car's.
    """
    import numpy as np  # a logbook is listed without it

    return np.array([WANDERING.get(name, np.inf) for name in names])
