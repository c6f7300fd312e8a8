"""From case torque to locking torque: ramp thrust, clamp on the plates, pack torque, locking value.

Angles are taken from the ring's face plane (normal to the axis): 90 degrees is flat against the pin's push and gives
no thrust, a smaller angle wedges harder. All of it is statics, derived here.

Free body of one pressure ring, axial forces, outwards is towards its own pack:

    F_r   outwards   pins on the ramps
    F_h   inwards    springs that pull the rings together
    F_s   outwards   springs that spread the rings, where the preload springs sit between them
    R     outwards   the other ring; a contact, so never below zero
    P     inwards    the pack: the clamp

    P = R + F_r - F_h + F_s

*Outside the packs* (between pack and case end; the same between pack and ring, or as dished plates in the pack).
Spring, pack and ring are in series: while the rings touch nothing moves, and the spring's force F_0 is the clamp. The
thrust takes load off the contact, R = F_0 + F_h - F_r, and the plates feel none of it until R is zero. From then on the
rings part and P = F_r - F_h. So P = max(F_0, F_r - F_h). One spring at one end does the same: it presses both.
Where the rings close on the pins instead of on each other, the idle flank of the window carries R: the same result.

*Between the rings, spreading them.* The rings stand apart, R = 0, and spring and thrust push the same way:
P = F_0 + max(0, F_r - F_h), where ring springs hold back the ring alone and the preload reaches the pack by itself
(through the side gears or a thrust plate). Springs that push and springs that pull on the *same* ring subtract:
P = max(0, F_s - F_h + F_r). That is this law with F_0 = F_s - F_h and no ring springs; past F_r = F_h both are equal.

Both positions are P = F_0 + max(0, F_r - F_h - lambda F_0) with the *series share* lambda, 1 outside the packs and 0
between the rings. Springs in both places lie between: outside F_o, spreading F_s, lambda = 1 - F_s/F_o.

Left out, and how large it is. The contact gives a little, so before the rings part the plates feel k/(k + K) of the
thrust (spring rate k, contact K; the load factor of a bolted joint): some per cent. Once parted the ring springs are
pulled further: with their rate k_h the slope is 1/(1 + 2 k_h/k) of that given, until the cone springs lie flat. Side
gears that press on the packs add tan(pressure angle) sin(pitch angle)/(2 r_gear) of thrust per newton-metre: 5 N per
N.m at 20 and 60 degrees and 32 mm, against 13 of a 45-degree ramp at 38 mm.
"""

import math
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from analyzer.arrays import FloatArray

AngleReference = Literal["ring_face", "shaft_axis"]
SpringPosition = Literal["outside_packs", "between_rings"]
SERIES_SHARE: dict[SpringPosition, float] = {"outside_packs": 1.0, "between_rings": 0.0}  # lambda


def ring_face_angle_rad(angle_rad: float, *, reference: AngleReference) -> float:
    """The ramp angle from the ring's face (rad), from either way of quoting it.

    Parameters
    ----------
    angle_rad : 0 to pi/2, as quoted.
    reference : what it is quoted from.

    Notes
    -----
    theta_face = pi/2 - theta_axis

    Examples
    --------
    >>> round(math.degrees(ring_face_angle_rad(math.radians(30), reference="shaft_axis")))
    60
    """
    return angle_rad if reference == "ring_face" else math.pi / 2 - angle_rad


def thrust_N_per_Nm(
    *, ramp_angle_rad: float, pin_radius_m: float, ramp_friction_angle_rad: float = 0.0, torque_rising: bool = True
) -> float:
    """Axial force per ring and pack for one newton-metre of case torque (N per N.m, that is 1/m).

    Parameters
    ----------
    ramp_angle_rad : from the ring's face, 0 to pi/2.
    pin_radius_m : where the cross pin bears on the ramp.
    ramp_friction_angle_rad : arctangent of the friction coefficient between pin and ramp.
    torque_rising : friction opposes spreading while the torque rises and opposes closing while it falls.

    Returns
    -------
    float : 0 where the ramp cannot spread the rings, infinity where it would not let go again (self-locking).

    Notes
    -----
    F/T = cot(theta + phi)/(2 r) rising, cot(theta - phi)/(2 r) falling. The 2: both rings share the torque.

    Examples
    --------
    On a pin radius of 40 mm a ramp of 45 degrees gives 12.5 N per N.m of case torque, one of 30 degrees 21.7:

    >>> [round(thrust_N_per_Nm(ramp_angle_rad=math.radians(a), pin_radius_m=0.040), 1) for a in (45, 30)]
    [12.5, 21.7]
    """
    angle = ramp_angle_rad + (ramp_friction_angle_rad if torque_rising else -ramp_friction_angle_rad)
    if angle <= 0:
        return math.inf
    if angle > math.pi / 2 - 1e-9:  # cos(pi/2) is not exactly 0 in floating point
        return 0.0
    return math.cos(angle) / math.sin(angle) / (2 * pin_radius_m)


def clamp_N(
    *, thrust_N: ArrayLike, preload_N: float, ring_spring_N: float = 0.0, series_share: ArrayLike
) -> FloatArray:
    """Force on one pack (N), of the shape of the arguments. Derived above.

    Parameters
    ----------
    thrust_N : ramp thrust of one ring F_r, 0 or more.
    preload_N : force of the preload springs at no torque, F_0.
    ring_spring_N : force that holds the rings together, F_h.
    series_share : lambda, `SERIES_SHARE` of where the preload springs sit.

    Notes
    -----
    P = F_0 + max(0, F_r - F_h - lambda F_0)

    Examples
    --------
    A spring of 1000 N under 3000 N of thrust: outside the packs the thrust replaces it, between the rings they add up.

    >>> [float(clamp_N(thrust_N=3000, preload_N=1000, series_share=share)) for share in (1, 0)]
    [3000.0, 4000.0]
    """
    spare = np.asarray(thrust_N, dtype=float) - ring_spring_N - np.asarray(series_share, dtype=float) * preload_N
    return preload_N + np.maximum(0.0, spare)


def uniform_wear_radius_m(*, outer_radius_m: float, inner_radius_m: float) -> float:
    """Friction radius of worn-in plates (m).

    Notes
    -----
    r_eff = (ro + ri)/2

    References
    ----------
    [BHANDARI] chapter 11.
    """
    return (outer_radius_m + inner_radius_m) / 2


def uniform_pressure_radius_m(*, outer_radius_m: float, inner_radius_m: float) -> float:
    """Friction radius of new, evenly loaded plates (m).

    Notes
    -----
    r_eff = (2/3) (ro^3 - ri^3)/(ro^2 - ri^2), a little outside that of worn-in plates.

    References
    ----------
    [BHANDARI] chapter 11.

    Examples
    --------
    >>> round(uniform_pressure_radius_m(outer_radius_m=0.060, inner_radius_m=0.043), 4)
    0.052
    """
    return 2 / 3 * (outer_radius_m**3 - inner_radius_m**3) / (outer_radius_m**2 - inner_radius_m**2)


def pack_torque_Nm(
    *, friction_coefficient: float, friction_faces: float, friction_radius_m: float, clamp_N: float
) -> float:
    """Torque T_c that one pack carries while it slips (N.m): mu z r_eff F.

    Parameters
    ----------
    friction_faces : z, rubbing pairs in one pack: plates on the case plus plates on the side gear, less one.
    friction_radius_m : r_eff, by `uniform_wear_radius_m` or `uniform_pressure_radius_m`.
    clamp_N : force on the pack, the same on every face.

    References
    ----------
    [BHANDARI] chapter 11.

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


def locking_value(*, locking_torque_Nm: ArrayLike, input_torque_Nm: ArrayLike) -> FloatArray:
    """S = M/|T_in|, of the shape of the arguments (-). NaN where the input torque is zero: S does not exist there.

    A locking value of 0.6 ("60 % lock") means that the difference of the two wheel torques is 60 % of their sum: an
    80/20 split, torque bias ratio 4. It does not mean 60 % more torque on one wheel.

    Parameters
    ----------
    locking_torque_Nm : M = T_slow - T_fast, any shape.
    input_torque_Nm : sum of both wheels' torques, of a shape that goes with it; its sign does not count.

    Examples
    --------
    300 N.m between the wheels of 500 N.m in all are 60 % lock, an 80/20 split, a bias ratio of 4:

    >>> s = locking_value(locking_torque_Nm=300, input_torque_Nm=500)
    >>> round(float(s), 2), round(float(torque_bias_ratio(s)), 2)
    (0.6, 4.0)
    """
    torque = np.abs(np.asarray(input_torque_Nm, dtype=float))
    locking = np.asarray(locking_torque_Nm, dtype=float)
    unknown = np.full(np.broadcast(locking, torque).shape, np.nan)
    value: FloatArray = np.divide(locking, torque, out=unknown, where=torque > 0)
    return value


def torque_bias_ratio(locking_value: ArrayLike) -> FloatArray:
    """TBR = T_slow/T_fast = (1 + S)/(1 - S), of its shape (-); infinite at S >= 1: no drive at the fast wheel.

    Parameters
    ----------
    locking_value : S of `locking_value`; NaN stays NaN.

    References
    ----------
    [J2817] 3.1 for the ratio.
    """
    s = np.asarray(locking_value, dtype=float)
    ratio: FloatArray = np.divide(1 + s, 1 - s, out=np.where(np.isnan(s), np.nan, np.inf), where=s < 1)
    return ratio
