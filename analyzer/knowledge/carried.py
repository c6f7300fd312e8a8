"""What a run may hand on to the next: the unknowns that are the car's own, how far each wanders from run to run, and
what ends it.

An unknown c of run k is the car's with a wandering of its own, c_k = c + d_k, d_k ~ N(0, Q): no number of runs makes
the next one surer than Q. The differential's curve and a log's own zeros are not here: they are never handed on.

The tyre's wandering has two parts. Rubber is warmer, dirtier or more worn in one run than in the next. And the fitted
tyre is an effective one: another circuit asks it at other slips and loads, where another shape fits best. Deviations
without an origin of their own are common practice, no source. That together they are large enough was tried on pairs of
runs of simulated cars (tests/accuracy/known_car.py): for most unknowns half of it would do, and intervals that are
wider for it held the truth more often.
"""

from collections.abc import Mapping

import numpy as np

from analyzer.errors import InputError

TYRE = {
    "log_friction": 0.05,
    "log_slip_stiffness": 0.06,
    "log_cornering_ratio": 0.05,
    "log_friction_ratio": 0.02,
    "friction_fall": 0.02,
    "stiffness_fall": 0.03,
    "shape": 0.03,
    "combined_weight": 0.05,
}
RADIUS = {
    "radius_fall": 0.0003,  # a tenth of 0.003 by pressure and temperature
    "log_speed_scale": 0.002,  # wear of 0.5 mm of tread
}
# a bank of 0.5 degrees where one circuit corners, and not the next, reads as 0.9 % of gain; the place across, as
# sessions tell it on circuits of their own, differed by 0.2 m on simulated cars
SENSOR = {
    "log_yaw_scale": 0.002,
    "sensor_x_m": 0.1,
    "sensor_y_m": 0.25,
    "sensor_turned": 0.003,
    "lat_gain": 0.01,
    "long_gain": 0.005,
}
CAR = {
    "log_mass": 0.01,  # fuel
    "log_cg_height": 0.02,
    "log_load_transfer": 0.03,  # a hole on an anti-roll bar
    "log_front_track": 0.001,
    "log_drag": 0.03,
    "log_downforce": 0.10,
    "log_wheel_inertia": 0.01,
    "log_rolling_resistance": 0.05,
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

    Raises
    ------
    InputError : a key that is none of `SAID`.
    """
    unknown = next((key for key in words if key not in SAID), None)
    if unknown is not None:
        raise InputError(f"driven_with has '{unknown}'; allowed: {', '.join(SAID)}. Use one of these.")
    return {key: " ".join(words.get(key, "").casefold().split()) for key in SAID}


def ended(one: Mapping[str, str], other: Mapping[str, str]) -> frozenset[str]:
    """The unknowns that a run does not tell another of, by what each was driven with (`ENDS`' keys -> words)."""
    return frozenset().union(*(names for what, names in ENDS.items() if one.get(what, "") != other.get(what, "")))


def wandering(names: tuple[str, ...]) -> np.ndarray:
    """(p,) one standard deviation from run to run, infinite for what is not the car's."""
    return np.array([WANDERING.get(name, np.inf) for name in names])
