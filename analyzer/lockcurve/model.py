"""The lock curve: M(T) = M0 + slope * max(0, |T| - hold), one slope and hold a side.

Corners of the hinge are rounded over `ROUNDING_Nm`, so that the fit has a gradient; that changes M by less than
slope * ROUNDING_Nm * ln 2 at the corner and by nothing away from it.
"""

import numpy as np

NAMES = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope", "coast_hold_Nm")
ROUNDING_Nm = 12.0


def _hinge(z: np.ndarray) -> np.ndarray:
    return ROUNDING_Nm * np.logaddexp(0.0, z / ROUNDING_Nm)


def locking_torque_Nm(parameters: np.ndarray, input_torque_Nm: np.ndarray) -> np.ndarray:
    """Locking torque M = T_slow - T_fast at the wheels (N.m).

    Parameters
    ----------
    parameters : (5,) or (k, 5, 1) in the order of `NAMES`: preload (N.m), slope (1) and hold (N.m) of each side.
    input_torque_Nm : (n,) sum of both wheels' torques, drive positive.

    Returns
    -------
    ndarray : (n,) or (k, n).

    Notes
    -----
    M = M0 + slope [h(|T| - hold) - h(-hold)], h(z) = r ln(1 + exp(z / r)), r = `ROUNDING_Nm`.

    Examples
    --------
    60 N.m of preload; ramps that begin to clamp at 100 N.m and then add 0.4 N.m per N.m on drive, 0.2 on coast:

    >>> import numpy as np
    >>> curve = np.array([60.0, 0.4, 100.0, 0.2, 100.0])
    >>> [round(float(m), 1) for m in locking_torque_Nm(curve, np.array([-300.0, 0.0, 50.0, 600.0]))]
    [100.0, 60.0, 60.1, 260.0]
    """
    preload, drive, drive_hold, coast, coast_hold = (
        parameters if np.ndim(parameters) == 1 else np.moveaxis(parameters, 1, 0)
    )
    driven = input_torque_Nm > 0
    slope, hold = np.where(driven, drive, coast), np.where(driven, drive_hold, coast_hold)
    return preload + slope * (_hinge(np.abs(input_torque_Nm) - hold) - _hinge(-hold))


def gradient(parameters: np.ndarray, torque: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Slopes of M: dM/dparameters (5, n), in the units of N.m over each parameter's, and dM/dT (n,) (1).

    Parameters
    ----------
    parameters : (5,) in the order of `NAMES`.
    torque : (n,) input torque (N.m).
    """
    _, drive, drive_hold, coast, coast_hold = parameters
    up = torque > 0
    bend = lambda z: 1.0 / (1.0 + np.exp(-np.clip(z / ROUNDING_Nm, -60, 60)))  # noqa: E731
    zero = np.zeros_like(torque)
    d_drive, d_coast = bend(torque - drive_hold), bend(-torque - coast_hold)
    return np.array(
        [
            np.ones_like(torque),
            np.where(up, _hinge(torque - drive_hold) - _hinge(-drive_hold), zero),
            np.where(up, drive * (-d_drive + bend(-drive_hold)), zero),
            np.where(up, zero, _hinge(-torque - coast_hold) - _hinge(-coast_hold)),
            np.where(up, zero, coast * (-d_coast + bend(-coast_hold))),
        ]
    ), np.where(up, drive * d_drive, -coast * d_coast)
