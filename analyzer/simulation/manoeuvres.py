"""Slow driving that a test asks for: circles both ways and a slow lap, both with throttle pulses.

At little lateral acceleration the load transfer is small, so the split of the axle's force hardly matters, and a tight
radius makes the slip difference large; a held throttle gives torque that stands still while the packs slip.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analyzer.errors import InputError
from analyzer.simulation.circuit import STEP_M, Circuit
from analyzer.simulation.parameters import Driver
from analyzer.units import STANDARD_GRAVITY_M_S2

Name = Literal["laps", "slow_lap", "circles"]
NAMES: tuple[Name, ...] = ("laps", "slow_lap", "circles")
PULSES = (0.15, 0.22, 0.30, 0.40, 0.52, 0.66)  # throttle held, in turn; from crawling to near the tyres' limit
RADII_M = (15.0, 30.0, 60.0)  # a paved area of 130 m has room for them
CIRCLE_S = 50.0
# lateral acceleration before a pulse and top speed: the pulses double the former and stay within the tyres
_CIRCLE_G, _CIRCLE_TOP_M_S = 0.25, 14.0
_LAP_G, _LAP_TOP_M_S = 0.35, 21.0
_BETWEEN_M = 60.0  # straight from one circle to the next
_BLUR_M = 5.0  # standard deviation of the blur of the curvature, for steering takes time


@dataclass(frozen=True)
class Manoeuvre:
    """Where to drive, how, and which throttle pulses to hold in corners (none: as fast as the driver dares)."""

    course: Circuit
    driver: Driver
    pulses: tuple[float, ...]


def manoeuvre(name: Name, *, circuit: Circuit, driver: Driver, radii_m: tuple[float, ...] = RADII_M) -> Manoeuvre:
    """`laps` and `slow_lap` of `circuit`, or `circles` of `radii_m`, each both ways.

    Raises
    ------
    InputError : another name, or a radius that no car turns.
    """
    if name == "laps":
        return Manoeuvre(circuit, driver, ())
    # who drives slowly plans to coast into corners, and brakes only when far too fast
    slow = replace(driver, braking_use=0.15, drive_use=0.5, brake_reserve_m_s2=5.0)
    if name == "slow_lap":
        slow = replace(slow, most_lateral_m_s2=_LAP_G * STANDARD_GRAVITY_M_S2, top_speed_m_s=_LAP_TOP_M_S)
        return Manoeuvre(circuit, slow, PULSES)
    if name == "circles":
        slow = replace(slow, most_lateral_m_s2=_CIRCLE_G * STANDARD_GRAVITY_M_S2, top_speed_m_s=_CIRCLE_TOP_M_S)
        return Manoeuvre(circles(radii_m), slow, PULSES)
    raise InputError(f"the manoeuvre is '{name}'; allowed: {', '.join(NAMES)}. Name one of these.")


def circles(radii_m: tuple[float, ...] = RADII_M, *, seconds: float = CIRCLE_S) -> Circuit:
    """A line of circles, each radius to the left and then to the right for about `seconds`, with straights between.

    Raises
    ------
    InputError : a radius outside 8 to 200 m.
    """
    parts = [np.zeros(round(_BETWEEN_M / STEP_M))]
    for radius in radii_m:
        if not 8 <= radius <= 200:
            raise InputError(f"a circle's radius is {radius:g} m; allowed: 8 to 200 m. Correct it.")
        speed = min(_CIRCLE_TOP_M_S, (_CIRCLE_G * STANDARD_GRAVITY_M_S2 * radius) ** 0.5)
        for sense in (1, -1):
            parts += [np.full(round(seconds * speed / STEP_M), sense / radius), np.zeros(round(_BETWEEN_M / STEP_M))]
    sharp = np.concatenate(parts)
    wave = 2 * np.pi * np.fft.fftfreq(len(sharp), STEP_M)
    curvature = np.fft.ifft(np.fft.fft(sharp) * np.exp(-0.5 * (wave * _BLUR_M) ** 2)).real.copy()
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * STEP_M)])
    middle = 0.5 * (heading[1:] + heading[:-1])
    x = np.concatenate([[0.0], np.cumsum(np.cos(middle) * STEP_M)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(middle) * STEP_M)])
    return Circuit(
        name="circles", step_m=STEP_M, curvature_1_m=curvature, x_m=x, y_m=y, heading_rad=heading, closed=False
    )
