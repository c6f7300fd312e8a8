"""Friction plates: the radius at which they act, and the torque that a clamped pack carries.

References
----------
[BHANDARI] chapter 11, friction clutches: uniform wear and uniform pressure.
"""


def uniform_wear_radius_m(*, outer_radius_m: float, inner_radius_m: float) -> float:
    """Friction radius of worn-in plates (m): (ro + ri)/2."""
    return (outer_radius_m + inner_radius_m) / 2


def uniform_pressure_radius_m(*, outer_radius_m: float, inner_radius_m: float) -> float:
    """Friction radius of new, evenly loaded plates (m): (2/3) (ro^3 - ri^3)/(ro^2 - ri^2)."""
    return 2 / 3 * (outer_radius_m**3 - inner_radius_m**3) / (outer_radius_m**2 - inner_radius_m**2)


def pack_torque_Nm(
    *, friction_coefficient: float, friction_faces: float, friction_radius_m: float, clamp_N: float
) -> float:
    """Torque T_c that one pack carries while it slips (N.m): mu z r_eff F.

    Notes
    -----
    `friction_faces` counts rubbing pairs in one pack: plates on the case plus plates on the side gear, less one.

    Examples
    --------
    A worn-in plate of 200 over 100 mm under 15 708 N, friction 0.2 ([BHANDARI] example 11.1 gives 235.619 N.m):

    >>> radius_m = uniform_wear_radius_m(outer_radius_m=0.1, inner_radius_m=0.05)
    >>> torque_Nm = pack_torque_Nm(
    ...     friction_coefficient=0.2, friction_faces=1, friction_radius_m=radius_m, clamp_N=15707.963268
    ... )
    >>> round(torque_Nm, 3)
    235.619
    """
    return friction_coefficient * friction_faces * friction_radius_m * clamp_N
