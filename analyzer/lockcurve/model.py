"""The lock curve, how likely a torque is under it, and what a workshop knows of it.

The lock curve: M(T) = M0 + slope * max(0, |T| - hold), one slope and hold a side.

Corners of the hinge are rounded over `ROUNDING_Nm`, so that the fit has a gradient; that changes M by less than
slope * ROUNDING_Nm * ln 2 at the corner and by nothing away from it.

Censored likelihood of locking torques, with its slopes.

A slipping sample measures: residual M_observed - M(T), Huber loss (robust), Gaussian near zero.
A locked sample bounds: the capacity is at least |M_observed|, loss -log Phi((M(T) - |M_observed|)/sd), the censored
part of a Tobit model (Tobin, Econometrica 26, 1958; Wooldridge, Econometric Analysis, ch. 17).

What a workshop knows of the lock curve besides the log, as measurements of the fitted curve.

A bench breakaway measures the preload M0. Ring springs hold the ramps back up to a torque h, which is the curve's
hold-off where preload springs and ramps add; where the springs sit outside the packs the larger of both clamps, and
max(M0, s (T - h)) bends at h + M0/s. Two ramp angles in one pair of rings fix the ratio of the slopes, for friction,
faces and radii are the same on drive and coast.
"""

from dataclasses import dataclass

import numpy as np
from scipy.special import log_ndtr

from analyzer.arrays import FloatArray

NAMES = ("preload_Nm", "drive_slope", "drive_hold_Nm", "coast_slope", "coast_hold_Nm")
ROUNDING_Nm = 12.0
LEAST_SLOPE = 0.02  # a flatter ramp hardly clamps; where it bends then says nothing
MOST_HOLD_Nm = 5000.0  # a bend further out is one that nobody drives to


def _hinge(z: FloatArray) -> FloatArray:
    return ROUNDING_Nm * np.logaddexp(0.0, z / ROUNDING_Nm)


def rounding_at_rest_Nm(parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
    """h(-hold) of drive and coast (N.m), which `locking_torque_Nm` takes off so that M(0) is the preload.

    Parameters
    ----------
    parameters : as of `locking_torque_Nm`.
    """
    _, _, drive_hold, _, coast_hold = parameters if np.ndim(parameters) == 1 else np.moveaxis(parameters, 1, 0)
    return _hinge(-drive_hold), _hinge(-coast_hold)


def locking_torque_Nm(
    parameters: FloatArray, input_torque_Nm: FloatArray, *, at_rest_Nm: tuple[FloatArray, FloatArray] | None = None
) -> FloatArray:
    """Locking torque M = T_slow - T_fast at the wheels (N.m).

    Parameters
    ----------
    parameters : (5,) or (k, 5, 1) in the order of `NAMES`: preload (N.m), slope (1) and hold (N.m) of each side.
    input_torque_Nm : (n,) sum of both wheels' torques, drive positive.
    at_rest_Nm : `rounding_at_rest_Nm(parameters)`, for who asks the same curves many times.

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
    at_rest = np.where(driven, *(rounding_at_rest_Nm(parameters) if at_rest_Nm is None else at_rest_Nm))
    torque: FloatArray = preload + slope * (_hinge(np.abs(input_torque_Nm) - hold) - at_rest)
    return torque


def gradient(parameters: FloatArray, torque: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Slopes of M: dM/dparameters (5, n), in the units of N.m over each parameter's, and dM/dT (n,) (1).

    Parameters
    ----------
    parameters : (5,) in the order of `NAMES`.
    torque : (n,) input torque (N.m).
    """
    _, drive, drive_hold, coast, coast_hold = parameters
    up = torque > 0

    def bend(z: FloatArray) -> FloatArray:
        return 1.0 / (1.0 + np.exp(-np.clip(z / ROUNDING_Nm, -60, 60)))

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


def censored(z: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Loss of a locked sample.

    Parameters
    ----------
    z : margins, capacity minus bound, in standard deviations, any shape.

    Returns
    -------
    tuple : -log Phi(z), its slope and its curvature, each of the shape of `z`.

    Examples
    --------
    A capacity at the bound costs log 2; one far above it nothing:

    >>> [round(float(loss), 3) for loss in censored(np.array([0.0, 5.0]))[0]]
    [0.693, 0.0]
    """
    log_tail = log_ndtr(z)
    mills = np.exp(-0.5 * z * z - 0.5 * np.log(2 * np.pi) - log_tail)
    return -log_tail, -mills, mills * (mills + z)


@dataclass(frozen=True)
class CurveAnchors:
    """Measurements of one lock curve: (value, standard deviation), None where there is none. Torques in N.m.

    Attributes
    ----------
    preload : M0.
    drive_hold, coast_hold : torque at which the ramps begin to push against the ring springs.
    slope_ratio : coast slope over drive slope.
    larger_rules, larger_rules_sd : 1 where the larger of spring and ramp clamps, 0 where both add; between and unsure,
        where nobody knows.
    """

    preload: tuple[float, float] | None = None
    drive_hold: tuple[float, float] | None = None
    coast_hold: tuple[float, float] | None = None
    slope_ratio: tuple[float, float] | None = None
    larger_rules: float = 0.0
    larger_rules_sd: float = 0.0

    def bend_Nm(self, ring_Nm: float, *, preload: float, slope: float) -> float:
        """Where a side bends, were there no limit to it: h + lambda M0 / slope.

        Parameters
        ----------
        ring_Nm : h, at which its ramps overcome the ring springs.
        preload : M0 (N.m).
        slope : of the side (1).
        """
        return ring_Nm + self.larger_rules * preload / max(slope, LEAST_SLOPE)

    def residuals(self, curve: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How far a curve is from the measurements, with the slopes; the a measurements that there are, in the order of
        the attributes.

        Parameters
        ----------
        curve : (5,) in the order of `NAMES`.

        Returns
        -------
        tuple : residuals (a,) in standard deviations and their slopes (a, 5).
        """
        preload, drive, _, coast, _ = curve
        index = {name: i for i, name in enumerate(NAMES)}
        found, rows = [], []
        if self.preload is not None:
            value, sd = self.preload
            row = np.zeros(len(curve))
            row[0] = 1 / sd
            found.append((preload - value) / sd)
            rows.append(row)
        for side, slope, anchor in (("drive", drive, self.drive_hold), ("coast", coast, self.coast_hold)):
            if anchor is None:
                continue
            value, sd = anchor
            hold, steep = index[f"{side}_hold_Nm"], index[f"{side}_slope"]
            kept = max(slope, LEAST_SLOPE)
            sd = float(np.hypot(sd, self.larger_rules_sd * preload / kept))
            row = np.zeros(len(curve))
            row[hold] = 1.0
            bend = self.bend_Nm(value, preload=preload, slope=slope)
            if bend < MOST_HOLD_Nm:
                row[0] = -self.larger_rules / kept
                row[steep] = self.larger_rules * preload / kept**2 if slope > LEAST_SLOPE else 0.0
            found.append((curve[hold] - min(bend, MOST_HOLD_Nm)) / sd)
            rows.append(row / sd)
        if self.slope_ratio is not None:
            value, sd = self.slope_ratio
            size = sd * max(drive, LEAST_SLOPE)
            row = np.zeros(len(curve))
            row[index["coast_slope"]] = 1 / size
            row[index["drive_slope"]] = -value / size
            found.append((coast - value * drive) / size)
            rows.append(row)
        return np.array(found), np.array(rows).reshape(-1, len(curve))
