"""Ramps of the pressure rings: from case torque to the axial force that spreads the rings.

Angles are taken from the ring's face plane (normal to the axis): 90 degrees is flat against the pin's push and gives
no thrust, a smaller angle wedges harder. The equations are the statics of a wedge, derived here.
"""

import math
from typing import Literal

AngleReference = Literal["ring_face", "shaft_axis"]


def ring_face_angle_rad(angle_rad: float, *, reference: AngleReference) -> float:
    """The ramp angle from the ring's face (rad), from either way of quoting it.

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
