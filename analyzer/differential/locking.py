"""Locking value and torque bias ratio: two names for one split of torque.

A locking value of 0.6 ("60 % lock") means that the difference of the two wheel torques is 60 % of their sum: an 80/20
split, torque bias ratio 4. It does not mean 60 % more torque on one wheel.
"""

import numpy as np
from numpy.typing import ArrayLike


def locking_value(*, locking_torque_Nm: ArrayLike, input_torque_Nm: ArrayLike) -> np.ndarray:
    """S = M/|T_in|, of the shape of the arguments (-). NaN where the input torque is zero: S does not exist there.

    Examples
    --------
    300 N.m between the wheels of 500 N.m in all are 60 % lock, an 80/20 split, a bias ratio of 4:

    >>> s = locking_value(locking_torque_Nm=300, input_torque_Nm=500)
    >>> round(float(s), 2), round(float(torque_bias_ratio(s)), 2)
    (0.6, 4.0)
    """
    torque = np.abs(np.asarray(input_torque_Nm, dtype=float))
    locking = np.asarray(locking_torque_Nm, dtype=float)
    return np.divide(locking, torque, out=np.full(np.broadcast(locking, torque).shape, np.nan), where=torque > 0)


def torque_bias_ratio(locking_value: ArrayLike) -> np.ndarray:
    """TBR = T_slow/T_fast = (1 + S)/(1 - S), of its shape (-); infinite at S >= 1: no drive at the fast wheel.

    References
    ----------
    [J2817] 3.1 for the ratio.
    """
    s = np.asarray(locking_value, dtype=float)
    return np.divide(1 + s, 1 - s, out=np.where(np.isnan(s), np.nan, np.inf), where=s < 1)
