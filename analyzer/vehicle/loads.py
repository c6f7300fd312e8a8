"""Wheel loads from statics: weight, longitudinal and lateral load transfer, downforce."""

import numpy as np

from analyzer.units import STANDARD_GRAVITY_M_S2


def wheel_loads(
    *,
    mass_kg: float,
    wheelbase_m: float,
    cg_height_m: float,
    front_weight_fraction: float,
    front_track_m: float,
    rear_track_m: float,
    rear_transfer_share: float,
    long_m_s2: np.ndarray,
    lat_m_s2: np.ndarray,
    downforce_N: np.ndarray,
    front_downforce_share: float,
    least_N: float = 50.0,
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Loads front left, front right, rear left, rear right (N), each (n,), never under `least_N`.

    Notes
    -----
    Moments about the axles: the rear axle gains m a_x h / L; a left turn (a_y > 0) moves m a_y h * share / track from
    left to right on each axle (Meriam & Kraige, Dynamics, sample 6/1; Automotive Chassis Engineering p. 174, with the
    roll-centre and unsprung terms gathered in the share).
    """
    weight = mass_kg * STANDARD_GRAVITY_M_S2
    along = mass_kg * long_m_s2 * cg_height_m / wheelbase_m
    across = mass_kg * lat_m_s2 * cg_height_m
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
