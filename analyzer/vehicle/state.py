"""What the rear axle did at every sample: slips, torques and how sure."""

from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class AxleState:
    """Rear axle over a session. Arrays (n,), NaN where nothing can be said. ISO 8855, torques at the wheels.

    Attributes
    ----------
    slip_left, slip_right : longitudinal slip kappa = (R w - v)/v, positive driving.
    speed_difference_rad_s : w_left - w_right (rad/s), calibrated.
    free_difference_rad_s : w_left - w_right of an axle that rolls freely, -yaw_rate * track / R.
    input_torque_Nm : T_left + T_right through the differential; negative on coast; brakes removed.
    torque_difference_Nm : T_left - T_right through the differential.
    torque_difference_sd_Nm : its standard deviation, calibration included.
    slipping, locked : bool; both False where it cannot be told (noise, transitions).
    load_left_N, load_right_N : wheel loads.
    longitudinal_force_left_N, longitudinal_force_right_N : tyre forces.
    use_left, use_right : combined slip over slip at peak force: 1 is the tyre's peak, above 1 it slides.
    braked : bool, brakes on: torques carry the left/right brake assumption and a wider sd.
    """

    slip_left: np.ndarray
    slip_right: np.ndarray
    speed_difference_rad_s: np.ndarray
    free_difference_rad_s: np.ndarray
    input_torque_Nm: np.ndarray
    torque_difference_Nm: np.ndarray
    torque_difference_sd_Nm: np.ndarray
    slipping: np.ndarray
    locked: np.ndarray
    load_left_N: np.ndarray
    load_right_N: np.ndarray
    longitudinal_force_left_N: np.ndarray
    longitudinal_force_right_N: np.ndarray
    use_left: np.ndarray
    use_right: np.ndarray
    braked: np.ndarray
