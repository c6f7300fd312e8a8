"""Disc (cone, Belleville) springs and their stacks: the force of the preload.

References
----------
[EN16984] DIN EN 16984, Disc springs, calculation: load of a single disc without contact flats, thickness up to 6 mm.
The formula is that of [ALMEN1936]. It holds for plain discs, not for diaphragm springs with fingers.
"""

import math
from dataclasses import dataclass

STEEL_ELASTIC_MODULUS_PA = 206e9  # [EN16984] for spring steel
STEEL_POISSON_RATIO = 0.3


@dataclass(frozen=True, kw_only=True)
class DiscSpring:
    """One disc: outer and inner diameter, thickness, free cone height (m); elastic modulus (Pa), Poisson's ratio."""

    outer_diameter_m: float
    inner_diameter_m: float
    thickness_m: float
    free_cone_height_m: float
    elastic_modulus_Pa: float = STEEL_ELASTIC_MODULUS_PA
    poisson_ratio: float = STEEL_POISSON_RATIO


@dataclass(frozen=True, kw_only=True)
class DiscStack:
    """Discs nested the same way up (`in_parallel`), and such sets turned against each other (`in_series`)."""

    disc: DiscSpring
    in_parallel: int = 1
    in_series: int = 1


def shape_factor(diameter_ratio: float) -> float:
    """K1, from the ratio of outer to inner diameter (above 1).

    Notes
    -----
    K1 = (1/pi) ((d-1)/d)^2 / ((d+1)/(d-1) - 2/ln d)
    """
    d = diameter_ratio
    return ((d - 1) / d) ** 2 / ((d + 1) / (d - 1) - 2 / math.log(d)) / math.pi


def _stiffness_factor_N(disc: DiscSpring) -> float:
    """4E/(1-nu^2) * t^4/(K1 De^2), the factor in front of the dimensionless characteristic (N)."""
    k1 = shape_factor(disc.outer_diameter_m / disc.inner_diameter_m)
    modulus = 4 * disc.elastic_modulus_Pa / (1 - disc.poisson_ratio**2)
    return modulus * disc.thickness_m**4 / (k1 * disc.outer_diameter_m**2)


def disc_force_N(disc: DiscSpring, *, deflection_m: float) -> float:
    """Force of one disc (N) pressed by `deflection_m` from its free height (m), friction left out.

    Notes
    -----
    F = 4E/(1-nu^2) * t^4/(K1 De^2) * (s/t) * [ (h0/t - s/t)(h0/t - s/(2t)) + 1 ]

    References
    ----------
    [EN16984], [ALMEN1936]

    Examples
    --------
    The standard disc of 50 x 25.4 x 3 mm with 1.1 mm of cone height, pressed to three quarters of it:

    >>> disc = DiscSpring(
    ...     outer_diameter_m=0.050, inner_diameter_m=0.0254, thickness_m=0.003, free_cone_height_m=0.0011
    ... )
    >>> round(disc_force_N(disc, deflection_m=0.75 * 0.0011), 1)
    11976.5
    """
    h, s = disc.free_cone_height_m / disc.thickness_m, deflection_m / disc.thickness_m
    return _stiffness_factor_N(disc) * s * ((h - s) * (h - s / 2) + 1)


def disc_rate_N_per_m(disc: DiscSpring, *, deflection_m: float) -> float:
    """Slope dF/ds of one disc (N/m). Negative where the force falls as the disc is pressed (h0/t above sqrt 2)."""
    h, s = disc.free_cone_height_m / disc.thickness_m, deflection_m / disc.thickness_m
    return _stiffness_factor_N(disc) / disc.thickness_m * (h**2 - 3 * h * s + 1.5 * s**2 + 1)


def stack_force_N(stack: DiscStack, *, deflection_m: float) -> float:
    """Force of a stack (N) pressed by `deflection_m` in all (m): n F(s / i), friction between discs left out."""
    return stack.in_parallel * disc_force_N(stack.disc, deflection_m=deflection_m / stack.in_series)


def stack_rate_N_per_m(stack: DiscStack, *, deflection_m: float) -> float:
    """Slope of a stack (N/m): n/i times that of one disc."""
    rate = disc_rate_N_per_m(stack.disc, deflection_m=deflection_m / stack.in_series)
    return stack.in_parallel / stack.in_series * rate


def stack_free_height_m(stack: DiscStack) -> float:
    """Height of the unloaded stack (m): i [h0 + n t]."""
    return stack.in_series * (stack.disc.free_cone_height_m + stack.in_parallel * stack.disc.thickness_m)


def stack_flat_deflection_m(stack: DiscStack) -> float:
    """Deflection at which every disc lies flat (m): i h0."""
    return stack.in_series * stack.disc.free_cone_height_m
