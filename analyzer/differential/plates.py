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
    """
    return friction_coefficient * friction_faces * friction_radius_m * clamp_N
