"""Effective rolling radius over wheel load.

A wheel under load F rolls as one of radius R [1 - `radius_shrink`], the same per newton on all four. The share is
given over f, the load over a quarter of the car's weight, as a straight line, as the published form, or between them.
"""

import numpy as np

from analyzer.arrays import FloatArray

# common figures of the effective rolling radius over load in published tyre files, with the load for F_z0: Pacejka,
# Tyre and Vehicle Dynamics, 4.3.6 (form and figures from memory)
RADIUS_B, RADIUS_D, RADIUS_F = 8.0, 0.24, 0.01
RADIUS_LOADS = (0.25, 1.75)  # of the static one: inner and outer wheel near the limit; common practice, no source
# derived: the mean slope over these loads is one
RADIUS_SCALE = 1 / (RADIUS_D * np.ptp(np.arctan(RADIUS_B * np.array(RADIUS_LOADS))) / np.ptp(RADIUS_LOADS) + RADIUS_F)


def published_fall(load: FloatArray | float) -> FloatArray:
    """Fall of the effective rolling radius over wheel load (over the mean static one), in the published form
    D atan(B f) + F f, so scaled that its mean slope over the loads of cornering, `RADIUS_LOADS`, is one.

    Parameters
    ----------
    load : wheel load over the mean static one (1), any shape.

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 4.3.6 (form and figures from memory).

    Examples
    --------
    Over the loads of cornering, 0.25 to 1.75 of the static one, it falls by 1.5, more of it on the light side:

    >>> light, static, heavy = (float(published_fall(load)) for load in (0.25, 1.0, 1.75))
    >>> round(heavy - light, 6), round(static - light, 2)
    (1.5, 1.22)
    """
    fall: FloatArray = RADIUS_SCALE * (RADIUS_D * np.arctan(RADIUS_B * load) + RADIUS_F * load)
    return fall


def published_steepness(load: FloatArray) -> FloatArray:
    """Slope of `published_fall` against `load` (wheel load over the mean static one), of its shape."""
    steepness: FloatArray = RADIUS_SCALE * (RADIUS_D * RADIUS_B / (1.0 + (RADIUS_B * load) ** 2) + RADIUS_F)
    return steepness


def radius_shrink(load_N: FloatArray, static_N: float, *, mean_load_N: float, fall: float, bend: float) -> FloatArray:
    """Share by which wheels' effective rolling radius is smaller than at rest, of the shape of `load_N`.

    Parameters
    ----------
    load_N : (n,) or (wheels, n).
    static_N : load of such a wheel at rest, where the share is 0.
    mean_load_N : a quarter of the car's weight.
    fall : mean fall of the share per f over the loads of cornering (1).
    bend : how much of the fall has the published form; 0 is a straight line.

    Notes
    -----
    With f the load over a quarter of the weight, fall (f - f_0) + bend [h(f) - h(f_0) - (f - f_0)], h `published_fall`:
    a straight line where bend is 0, the published form, steep on a light wheel, where it is `fall`.
    """
    load, at_rest = load_N / mean_load_N, static_N / mean_load_N
    bent = published_fall(load) - published_fall(at_rest)
    return (fall - bend) * (load - at_rest) + bend * bent


def radius_slopes(
    load_N: FloatArray, static_N: float, *, mean_load_N: float, fall: float, bend: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """How `radius_shrink` changes by load (1/N), fall and bend, each of the shape of `load_N`.

    Parameters
    ----------
    load_N, static_N, mean_load_N, fall, bend : as of `radius_shrink`.
    """
    load, at_rest = load_N / mean_load_N, static_N / mean_load_N
    lighter = load - at_rest
    steep = fall + bend * (published_steepness(load) - 1.0)
    return steep / mean_load_N, lighter, published_fall(load) - published_fall(at_rest) - lighter
