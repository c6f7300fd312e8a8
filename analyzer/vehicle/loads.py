"""Wheel loads from statics: weight, longitudinal and lateral load transfer, downforce."""

import numpy as np

from analyzer.units import STANDARD_GRAVITY_M_S2

LEAST_LOAD_N = 50.0


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
    long_m_s2: np.ndarray,
    lat_m_s2: np.ndarray,
    downforce_N: np.ndarray,
    front_downforce_share: float,
    least_N: float = LEAST_LOAD_N,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
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
    front_side = across * (1 - rear_transfer_share) / front_track_m
    rear_side = across * rear_transfer_share / rear_track_m
    return (
        np.maximum(front / 2 - front_side, least_N),
        np.maximum(front / 2 + front_side, least_N),
        np.maximum(rear / 2 - rear_side, least_N),
        np.maximum(rear / 2 + rear_side, least_N),
    )
