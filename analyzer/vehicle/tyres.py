"""What the tyres carry and what force they give.

Wheel loads from statics: weight, longitudinal and lateral load transfer, downforce.

One tyre curve for combined slip, by similarity, with less loss of longitudinal force to lateral slip.

Both slips are normalised by the stiffness and friction of their own direction,

    k_x = C_x sigma_x / mu_x,   k_y = C_y sigma_y / mu_y,   rho = hypot(k_x, k_y),   rho_x = hypot(k_x, w k_y),
    F_x = mu_x F_z f(rho_x) k_x / rho_x,   F_y = mu_y F_z f(rho) k_y / rho,
    f(rho) = sin(c atan(rho / c)),

with sigma the theoretical slip (ISO 8855 kappa and tan(alpha) over 1 + kappa), C the stiffness over wheel load, mu
the peak friction. f has slope 1 at 0 and peak 1 at rho = c tan(pi / 2c); c sets how it falls beyond. mu and C fall
linearly with load. The form is the sine of SAE 870421 without its curvature term; combining by similarity is H. B.
Pacejka, Tyre and Vehicle Dynamics, section 4.3.2 (from memory).

Full similarity (w = 1) ties what is left of the longitudinal stiffness to how much of the lateral friction is used:
at 87 % of it a wheel keeps two thirds of its longitudinal stiffness. Measured tyres keep as much or more: the
weighting of the same book's example tyre, cos(1.09 atan(12.35 tan(alpha))) (from memory), keeps 0.80 at 0.05 rad
where similarity says 0.59; a multi-body car with other published figures wants about full similarity. w is therefore
fitted, from 0.85.
"""

from dataclasses import dataclass
from typing import TypeAlias

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2

Figure: TypeAlias = float | FloatArray  # a replay that draws tyres has another figure in each draw

LEAST_LOAD_N = 50.0
ENVELOPE_GRID = 80  # slips each way: the envelope to half a per cent
LEAST_FACTOR = 0.2  # a linear fall with load must not reach zero


def wheel_loads(
    *,
    mass_kg: float,
    wheelbase_m: float,
    cg_height_m: float,
    front_weight_fraction: float,
    front_track_m: float,
    rear_track_m: float,
    rear_transfer_share: float,
    roll_gradient_rad_per_g: float,
    long_m_s2: FloatArray,
    lat_m_s2: FloatArray,
    downforce_N: FloatArray,
    front_downforce_share: float,
    cross_weight: float = 0.0,
    least_N: float = LEAST_LOAD_N,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Wheel loads at each sample.

    Parameters
    ----------
    mass_kg, wheelbase_m, cg_height_m, front_track_m, rear_track_m : of the car.
    front_weight_fraction : share of the weight on the front axle at rest, 0 to 1.
    rear_transfer_share : share of the lateral load transfer that the rear axle carries, 0 to 1.
    roll_gradient_rad_per_g : roll of the body over lateral acceleration (rad/g).
    long_m_s2, lat_m_s2 : (n,) accelerations of the centre of gravity, forward and left positive (ISO 8855).
    downforce_N : (n,) aerodynamic load on both axles together.
    front_downforce_share : share of it on the front axle, 0 to 1.
    cross_weight : share of the weight on front right and rear left at rest, over a half.
    least_N : a load never falls under this, for a tyre curve has no answer at zero load.

    Returns
    -------
    tuple : loads front left, front right, rear left, rear right (N), each (n,).

    Notes
    -----
    Moments about the axles: the rear axle gains m a_x h / L; a left turn (a_y > 0) moves
    m a_y h (1 + roll gradient) * share / track from left to right on each axle (Meriam & Kraige, Dynamics, sample 6/1;
    Automotive Chassis Engineering p. 174, with the roll-centre and unsprung terms gathered in the share). The roll
    gradient's part is the weight m g that a body rolled by phi carries h phi outwards: 2 % of the whole at 1 deg/g.
    A cross weight c is a moment that the axles hold against each other: c m g on both wheels, so
    c m g / (1 / front track + 1 / rear track).
    An axle whose inner wheel is off the road carries no more than that moment, and the other axle has the rest.

    Examples
    --------
    A car of 1000 kg with its weight in the middle turns left at 1 g: 1000 * 9.80665 * 0.5/1.5 N cross over, half of
    them on each axle.

    >>> import numpy as np
    >>> loads = wheel_loads(
    ...     mass_kg=1000, wheelbase_m=2.5, cg_height_m=0.5, front_weight_fraction=0.5, front_track_m=1.5,
    ...     rear_track_m=1.5, rear_transfer_share=0.5, roll_gradient_rad_per_g=0.0, long_m_s2=np.zeros(1),
    ...     lat_m_s2=np.array([9.80665]), downforce_N=np.zeros(1), front_downforce_share=0.5,
    ... )
    >>> [round(float(load[0])) for load in loads]
    [817, 4086, 817, 4086]
    """
    weight = mass_kg * STANDARD_GRAVITY_M_S2
    along = mass_kg * long_m_s2 * cg_height_m / wheelbase_m
    across = mass_kg * lat_m_s2 * cg_height_m * (1 + roll_gradient_rad_per_g)
    front = weight * front_weight_fraction - along + downforce_N * front_downforce_share
    rear = weight * (1 - front_weight_fraction) + along + downforce_N * (1 - front_downforce_share)
    crossed = cross_moment_Nm(cross_weight, weight, front_track_m, rear_track_m)
    most_front, most_rear = (
        lifting_moment_Nm(front, front_track_m, least_N),
        lifting_moment_Nm(rear, rear_track_m, least_N),
    )
    on_front = np.clip(
        across - np.clip(across * rear_transfer_share - crossed, -most_rear, most_rear), -most_front, most_front
    )
    on_rear = np.clip(across - on_front, -most_rear, most_rear)
    front_side, rear_side = on_front / front_track_m, on_rear / rear_track_m
    return (
        np.maximum(front / 2 - front_side, least_N),
        np.maximum(front / 2 + front_side, least_N),
        np.maximum(rear / 2 - rear_side, least_N),
        np.maximum(rear / 2 + rear_side, least_N),
    )


def cross_moment_Nm(cross_weight: float, weight_N: float, front_track_m: float, rear_track_m: float) -> float:
    """Moment (N.m) from the front axle's left to its right wheel, and back on the rear one, of a cross weight (1)."""
    return cross_weight * weight_N / (1 / front_track_m + 1 / rear_track_m)


def lifting_moment_Nm(axle_N: FloatArray, track_m: float, least_N: float = LEAST_LOAD_N) -> FloatArray:
    """Roll moment (N.m) at which an axle's inner wheel leaves the road: all of its load is then on the outer one.

    Parameters
    ----------
    axle_N : (n,) load of the axle.
    track_m : its track.
    least_N : what counts as off the road.
    """
    return np.maximum(axle_N / 2 - least_N, 0.0) * track_m


@dataclass(frozen=True)
class WheelForces:
    """Forces of one wheel (N) with their slopes against kappa and tan(alpha); `use` is rho over rho at the peak."""

    longitudinal: FloatArray
    lateral: FloatArray
    use: FloatArray
    dlong_dkappa: FloatArray
    dlong_dtan_alpha: FloatArray
    dlat_dkappa: FloatArray
    dlat_dtan_alpha: FloatArray


def peak_rho(shape: Figure) -> Figure:
    """rho at the peak of f, for a shape c between 1 and 2 (1): c tan(pi / 2c).

    Parameters
    ----------
    shape : c; the larger, the earlier and sharper the peak.

    Examples
    --------
    >>> round(float(peak_rho(1.5)), 3)
    2.598
    """
    rho: Figure = shape * np.tan(np.pi / (2 * shape))
    return rho


def rho_at(share: FloatArray, shape: Figure) -> FloatArray:
    """rho below the peak at which f has a value: c tan(asin(share) / c).

    Parameters
    ----------
    share : value of f, -1 to 1, any shape; rho has its sign and shape.
    shape : c, between 1 and 2.

    Examples
    --------
    >>> round(float(rho_at(1.0, 1.5)), 3)
    2.598
    """
    return shape * np.tan(np.arcsin(share) / shape)


def sine_and_cosine(angle_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Sine and cosine (n,) of angles (n,) inside +-pi (rad), from the tangent of half the angle.

    A sixth to two thirds of the time of numpy's own, to 1e-15; of single precision numpy's own take a quarter of this.
    """
    if angle_rad.dtype == np.float32:
        return np.sin(angle_rad), np.cos(angle_rad)
    tangent = np.tan(angle_rad / 2)
    scale = tangent**2
    scale += 1.0
    np.divide(1.0, scale, out=scale)
    tangent *= 2.0
    tangent *= scale
    scale *= 2.0
    scale -= 1.0
    return tangent, scale


def _gain(k_x: FloatArray, k_y: FloatArray, shape: Figure) -> tuple[FloatArray, FloatArray, FloatArray]:
    """rho, f(rho) / rho, and the slope of that over rho."""
    rho = k_x**2
    rho += k_y**2
    np.sqrt(rho, out=rho)
    rho += 1e-9
    share = rho / shape
    angle = np.arctan(share)
    angle *= shape
    gain, curve = sine_and_cosine(angle)
    gain /= rho
    np.square(share, out=share)
    share += 1.0
    curve /= share
    curve -= gain
    curve /= np.square(rho, out=share)
    return rho, gain, curve


def gain_and_slopes(k_x: FloatArray, k_y: FloatArray, shape: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """f(rho) / rho, its slope against rho over rho, and its slope against the shape, each of the arguments' shape.

    Parameters
    ----------
    k_x, k_y : normalised slips of the module's text (1); rho is their length.
    shape : c, 1 < c < 2.
    """
    rho, gain, curve = _gain(k_x, k_y, shape)
    angle = np.arctan(rho / shape)
    by_shape = np.cos(shape * angle) * (angle - (rho / shape) / (1 + (rho / shape) ** 2)) / rho
    return gain, curve, by_shape


def envelope(side: FloatArray, *, shape: float, combined_weight: float) -> FloatArray:
    """Most longitudinal force, over mu_x F_z, of a tyre that gives the share `side` (n,) of its lateral friction.

    Parameters
    ----------
    side : F_y over mu_y F_z, 0 to 1; beyond 1 nothing is left.
    shape, combined_weight : c and w.

    Notes
    -----
    The largest F_x over all slips with at least that F_y, on a grid. With w = 1 it is the friction ellipse,
    sqrt(1 - side^2); with less it is wider.

    Examples
    --------
    >>> import numpy as np
    >>> [round(float(f), 2) for f in envelope(np.array([0.0, 0.6, 1.1]), shape=1.4, combined_weight=1.0)]
    [1.0, 0.8, 0.0]
    """
    k_x, k_y = np.meshgrid(*[np.linspace(0.0, 2 * peak_rho(shape), ENVELOPE_GRID)] * 2)
    along = (_gain(k_x, combined_weight * k_y, shape)[1] * k_x).ravel()
    across = (_gain(k_x, k_y, shape)[1] * k_y).ravel()
    order = np.argsort(-across)
    most = np.maximum.accumulate(along[order])
    return np.interp(side, across[order][::-1], most[::-1], right=0.0)


def wheel_forces(
    *,
    kappa: FloatArray,
    tan_alpha: FloatArray,
    load_N: FloatArray,
    static_load_N: Figure,
    slip_stiffness: Figure,
    cornering_stiffness: Figure,
    friction_x: Figure,
    friction_y: Figure,
    friction_fall: Figure,
    stiffness_fall: Figure,
    shape: Figure,
    combined_weight: Figure,
) -> WheelForces:
    """Combined-slip forces of a wheel, or of several; all arrays (n,) or (wheels, n).

    Parameters
    ----------
    kappa : longitudinal slip (1), positive driving.
    tan_alpha : lateral slip, tangent of the slip angle (1), positive for a force to the left.
    load_N, static_load_N : wheel load of each sample, and the load that the other figures belong to (N).
    slip_stiffness, cornering_stiffness : over wheel load at `static_load_N` (per unit slip, per radian).
    friction_x, friction_y : peak friction along and across at `static_load_N` (1).
    friction_fall, stiffness_fall : relative fall per relative rise of load over `static_load_N` (1).
    shape : c, 1 < c < 2.
    combined_weight : w.

    Returns
    -------
    WheelForces : forces (N), use (1), and slopes (N per unit slip).

    References
    ----------
    The module's text.

    Examples
    --------
    Driven straight ahead with 5 % slip, a tyre of 3000 N whose peak friction is 1.3:

    >>> import numpy as np
    >>> figures = dict(
    ...     static_load_N=3000.0, slip_stiffness=20.0, cornering_stiffness=18.0, friction_x=1.3, friction_y=1.3,
    ...     friction_fall=0.1, stiffness_fall=0.05, shape=1.4, combined_weight=0.7,
    ... )
    >>> straight = wheel_forces(kappa=np.array([0.05]), tan_alpha=np.zeros(1), load_N=np.array([3000.0]), **figures)
    >>> round(float(straight.longitudinal[0])), float(straight.lateral[0])
    (2437, 0.0)

    The same slip in a corner gives less, and the wheel is nearer to its peak (use 1):

    >>> slips = dict(kappa=np.array([0.05]), tan_alpha=np.array([0.1]))
    >>> cornering = wheel_forces(load_N=np.array([3000.0]), **slips, **figures)
    >>> bool(cornering.longitudinal[0] < straight.longitudinal[0]), bool(cornering.use[0] > straight.use[0])
    (True, True)
    """
    relative = load_N / static_load_N - 1.0
    fall = np.maximum(1.0 - friction_fall * relative, LEAST_FACTOR)
    soft = np.maximum(1.0 - stiffness_fall * relative, LEAST_FACTOR)
    rolling = np.maximum(1.0 + kappa, 0.3)
    ease = soft / (fall * rolling)
    per_kappa, dky = slip_stiffness / friction_x * ease, cornering_stiffness / friction_y * ease
    k_x, k_y = per_kappa * kappa, dky * tan_alpha
    rho, gain, curve = _gain(k_x, k_y, shape)
    _, gain_x, curve_x = _gain(k_x, combined_weight * k_y, shape)
    hold = fall * load_N
    nx, ny = friction_x * hold, friction_y * hold
    longitudinal, lateral, use = nx * gain_x * k_x, ny * gain * k_y, rho / peak_rho(shape)
    dkx = per_kappa / rolling
    dky_dkappa = k_y / rolling  # slip turns the sliding direction, so it moves the lateral slip too
    np.negative(dky_dkappa, out=dky_dkappa)
    # each force by its own slip and by the other one, in the arrays that are there: new ones cost more than the sums
    along, across = np.square(k_x), np.square(k_y)
    along *= curve_x
    along += gain_x
    across *= curve
    across += gain
    cross_x, cross_y = curve_x, curve
    cross_x *= combined_weight**2
    for cross in (cross_x, cross_y):
        cross *= k_x
        cross *= k_y
    long_turned = cross_x * dky_dkappa
    along *= dkx
    along += long_turned
    along *= nx
    dky_dkappa *= across
    dkx = cross_y * dkx
    dkx += dky_dkappa
    dkx *= ny
    cross_x *= nx
    cross_x *= dky
    across *= ny
    across *= dky
    return WheelForces(
        longitudinal,
        lateral,
        use,
        dlong_dkappa=along,
        dlong_dtan_alpha=cross_x,
        dlat_dkappa=dkx,
        dlat_dtan_alpha=across,
    )
