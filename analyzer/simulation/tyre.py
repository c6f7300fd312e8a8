"""Forces of one tyre by the magic formula with cosine weighting, scalar, for the inner loop."""

import math
from collections import namedtuple

from analyzer.simulation.compiled import compiled
from analyzer.simulation.parameters import SimTyre

# the figures of one axle's tyres in the form that both numba and plain Python read fast
TyreFigures = namedtuple(
    "TyreFigures",
    "friction_x friction_y friction_load_sensitivity slip_stiffness stiffness_load_sensitivity "
    "cornering_stiffness_per_rad cornering_peak_load shape_x shape_y curvature_x curvature_y weight_x weight_x_slip "
    "weight_x_shape weight_y weight_y_angle weight_y_shape reference_load_N relaxation_x_m relaxation_y_m",
)


def tyre_figures(tyre: SimTyre, *, friction_factor: float = 1.0, stiffness_factor: float = 1.0) -> TyreFigures:
    """The tyre with its friction (both ways) and its stiffness (both ways) scaled."""
    figures = TyreFigures(*(float(getattr(tyre, name)) for name in TyreFigures._fields))
    return figures._replace(
        friction_x=figures.friction_x * friction_factor,
        friction_y=figures.friction_y * friction_factor,
        slip_stiffness=figures.slip_stiffness * stiffness_factor,
        cornering_stiffness_per_rad=figures.cornering_stiffness_per_rad * stiffness_factor,
    )


@compiled
def cornering_stiffness(load, tyre):
    """Lateral force per slip tangent at zero slip, N."""
    ratio, knee = load / tyre.reference_load_N, tyre.cornering_peak_load
    rise = math.sin(2.0 * math.atan(ratio / knee)) / math.sin(2.0 * math.atan(1.0 / knee))
    return tyre.cornering_stiffness_per_rad * tyre.reference_load_N * rise


@compiled
def friction_scale(load, tyre):
    """Friction at `load` over friction at the reference load; held positive far above it."""
    return max(0.2, 1.0 - tyre.friction_load_sensitivity * (load / tyre.reference_load_N - 1.0))


@compiled
def tyre_forces(slip, tangent, load, tyre, friction=1.0, stiffness=1.0):
    """(F_x, F_y, dF_x/dslip) in N.

    Parameters
    ----------
    slip : longitudinal slip, (omega R - v) / v, positive driving.
    tangent : minus lateral over longitudinal contact speed; positive gives a force to the left.
    load : wheel load, N.
    friction, stiffness : factors on the tyre's friction and on both its stiffnesses.

    Notes
    -----
    F_x0 = D sin(C atan(B s - E (B s - atan(B s)))), D = mu_x F_z, B C D = K_x; the same across with K_y.
    F_x = F_x0 cos(C_a atan(B_a a)), B_a = r_1 cos(atan(r_2 s)); across likewise with slip and angle exchanged.
    The derivative is that of F_x0 times the weighting (the weighting's own slope is left out: it only guides a step).

    References
    ----------
    Pacejka, Tyre and Vehicle Dynamics, 3rd ed. 2012, section 4.3.2, without offsets, camber and turn slip.
    """
    if load <= 1.0:
        return 0.0, 0.0, 0.0
    ratio = load / tyre.reference_load_N
    scale = friction_scale(load, tyre) * load * friction
    peak_x, peak_y = tyre.friction_x * scale, tyre.friction_y * scale
    stiffness_x = tyre.slip_stiffness * load * math.exp(-tyre.stiffness_load_sensitivity * (ratio - 1.0)) * stiffness
    stiffness_y = cornering_stiffness(load, tyre) * stiffness

    b = stiffness_x / (tyre.shape_x * peak_x)
    bs = b * slip
    inner = bs - tyre.curvature_x * (bs - math.atan(bs))
    phase = tyre.shape_x * math.atan(inner)
    force_x = peak_x * math.sin(phase)
    slope_x = (
        peak_x
        * math.cos(phase)
        * tyre.shape_x
        / (1.0 + inner * inner)
        * b
        * (1.0 - tyre.curvature_x * bs * bs / (1.0 + bs * bs))
    )

    bt = stiffness_y / (tyre.shape_y * peak_y) * tangent
    force_y = peak_y * math.sin(tyre.shape_y * math.atan(bt - tyre.curvature_y * (bt - math.atan(bt))))

    # cos(atan(u)) = 1 / sqrt(1 + u^2)
    by_angle = tyre.weight_x / math.sqrt(1.0 + (tyre.weight_x_slip * slip) ** 2)
    by_slip = tyre.weight_y / math.sqrt(1.0 + (tyre.weight_y_angle * tangent) ** 2)
    weight_x = math.cos(tyre.weight_x_shape * math.atan(by_angle * tangent))
    weight_y = math.cos(tyre.weight_y_shape * math.atan(by_slip * slip))
    return force_x * weight_x, force_y * weight_y, slope_x * weight_x
