"""The engine's inertia from what the log says of the engine: in several gears, and with a wheel that spins up.

An engine's torque T_e hangs on its speed w and the throttle p. With G the engine's speed over the wheels' and T the
torque into the axle, as the fit has it,

    T/G = eta T_e(w, p) - J dw/dt

At one speed and throttle dw/dt goes about with the square of the gear, and is several times as large while a wheel
spins up: J comes apart from T_e, of which nothing is known but that it is smooth. What looks like inertia is a gear
that loses more than another, an engine that follows the throttle late, and a map that bends where spins are. The first
two have terms of their own, about 0; the last a floor under what can be known. Torque that is cut while a wheel spins
(traction control) looks the same.
"""

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.robust import by_huber, regression

OPEN_FROM = 0.5  # throttle: below it an engine's torque bends most
HELD_S = 0.15  # above that so long before and after: half of what the fit's low-pass sees
SHIFTS_S, RATIO_STEADY = 0.4, 0.03  # no change of gear so near; the ratio's logarithm moves by less
# differences of the ratio's logarithm: two gears of a box are ten times as far apart as this, wheels' radii a tenth
SAME_GEAR = 0.03
# what one gear loses more than another; common practice (one mesh of teeth takes about this), no source
GEAR_SD = 0.01
LATE_S = 0.1  # by which torque follows the throttle, one standard deviation; common practice, no source
KNOTS = 4  # of engine speed, and of throttle
LEAST_S = 4.0  # of wheels that grip, for the torque to be known
LEAST_SCATTER = 0.006  # of the torque: what is left of it on simulated logs, in the median
LEAST_BELIEF = 1e-6  # bounds what rows leave open: a corner of the map, the inertia with one gear and no spin
LIMITER = 0.98  # of the highest speed with wheels that grip: a wheel that spins up from there meets the limiter
# rows within this are one look, and the inertia is known to no better than this share of the usual: errors over what is
# said of them are then 1 (rms) where drivers ask for little and 0.5 where they ask for more (simulated cars, seeds 500
# to 594, `tests/findings/causes.py`)
ONE_LOOK_S, FLOOR = 1.5, 0.12


def driven_rows(
    *, throttle: FloatArray, rate_hz: float, index: IntArray, ratio: FloatArray, step_s: float
) -> BoolArray:
    """(n,) rows at which the throttle is, and stays, well open in one gear.

    Parameters
    ----------
    throttle : (m,) 0 to 1, at `rate_hz`.
    index : (n,) sample of each row.
    ratio : (n,) engine speed over wheel speed, NaN where it is not known.
    step_s : from row to row.
    """
    lowest = windows.least(throttle, 2 * round(HELD_S * rate_hz) + 1)[index]
    log = np.log(np.nan_to_num(ratio, nan=1.0))  # far from any gear
    width = 2 * round(SHIFTS_S / step_s) + 1
    moves = windows.greatest(log, width) - windows.least(log, width)
    driven: BoolArray = (lowest > OPEN_FROM) & (moves < RATIO_STEADY) & np.isfinite(ratio)
    return driven


def engine_inertia(
    *,
    torque_Nm: FloatArray,
    ratio: FloatArray,
    speed_rad_s: FloatArray,
    gain_rad_s2: FloatArray,
    throttle: FloatArray,
    driven: BoolArray,
    grips: BoolArray,
    step_s: float,
    believed: tuple[float, float],
) -> tuple[float, float]:
    """Share of the believed inertia that the log shows, and its standard deviation.

    Parameters
    ----------
    torque_Nm : (n,) into the axle; may be NaN where the engine is not `driven`.
    ratio : (n,) engine speed over wheel speed.
    speed_rad_s, gain_rad_s2 : (n,) speed of the engine and its change.
    throttle : (n,) 0 to 1, behind the filter that the torque is behind.
    driven : (n,) bool, `driven_rows`.
    grips : (n,) bool, both rear wheels.
    step_s : from row to row.
    believed : inertia (kg m2) and its standard deviation over it.

    Notes
    -----
    What the log says is weighed against what was believed by their variances: with one gear and no spin that stands.
    """
    over = speed_rad_s > LIMITER * speed_rad_s[driven & grips].max(initial=0.0)
    near = windows.greatest(over & ~grips, 2 * round(SHIFTS_S / step_s) + 1)
    kept = driven & ~near
    if (kept & grips).sum() * step_s < LEAST_S:
        return 1.0, believed[1]
    usual = float(np.percentile((torque_Nm / ratio)[kept], 80))
    if usual <= 0:
        return 1.0, believed[1]
    given, speed = (torque_Nm / ratio)[kept] / usual, speed_rad_s[kept]
    by_speed = hats(speed, np.quantile(speed, np.linspace(0, 1, KNOTS)))
    by_throttle = hats(throttle[kept], np.linspace(OPEN_FROM, 1, KNOTS))
    engine = (by_speed[:, :, None] * by_throttle[:, None, :]).reshape(len(given), -1)
    turns = -believed[0] * gain_rad_s2[kept] / usual
    late = -LATE_S * np.gradient(throttle, step_s)[kept]
    gear = gears(ratio[kept])
    own = (gear[:, None] == np.arange(gear.max() + 1)) * given[:, None]
    at = engine.shape[1]
    precision = np.array([LEAST_BELIEF] * (at + 1) + [1.0] + [GEAR_SD**-2] * own.shape[1])
    found = regression(
        np.column_stack([engine, turns, late, own]),
        given - turns,
        pull=by_huber,
        least=LEAST_SCATTER,
        weight=np.full(len(given), min(1.0, step_s / ONE_LOOK_S)),
        precision=np.diag(precision),
    )
    error = float(np.hypot(found.scatter * np.sqrt(np.linalg.pinv(found.information)[at, at]), FLOOR))
    return weighed(found.coefficients[at], error, believed[1])


def weighed(more: float, error: float, believed_sd: float) -> tuple[float, float]:
    """Share of the believed inertia and its standard deviation, from what a log shows and what was believed.

    Parameters
    ----------
    more : what the log shows over what was believed, less one.
    error, believed_sd : standard deviation of either.
    """
    weight = 1 / (1 + (error / believed_sd) ** 2)
    return float(1 + weight * more), float(believed_sd * np.sqrt(1 - weight))


def gears(ratio: FloatArray) -> IntArray:
    """(n,) number of the gear of each ratio (n,), from the longest one up.

    Examples
    --------
    >>> gears(np.array([5.0, 8.41, 8.40, 5.01, 12.1])).tolist()
    [0, 1, 1, 0, 2]
    """
    log = np.log(ratio)
    order = np.argsort(log)
    number = np.empty(len(log), int)
    number[order] = np.cumsum(np.diff(log[order], prepend=log[order[:1]]) > SAME_GEAR)
    return number


def hats(values: FloatArray, knots: FloatArray) -> FloatArray:
    """(n, k) what each of k knots counts at values (n,), in a straight line between two.

    Parameters
    ----------
    values : (n,).
    knots : (k,) rising.
    """
    return np.array([np.interp(values, knots, one) for one in np.eye(len(knots))]).T
