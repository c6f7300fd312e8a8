"""Ground speed from satellites: the receiver's own samples instead of a staircase, and how late they come."""

import numpy as np
from scipy.linalg import solve_banded

from analyzer.errors import CannotTell
from analyzer.signals.consistency import contradicted
from analyzer.signals.session import Signals
from analyzer.signals.timebase import low_pass

LONGEST_HOLD_S = 0.5  # a speed that stays the same for longer is no receiver's rhythm
FRESH = 50  # new values, at the least, to tell a rhythm
COMPARED_HZ = 2.0  # below it receivers and accelerometers both follow
COMPARED_ROWS_HZ = 10.0
MOST_DELAY_S = 0.3  # beyond it nothing was found: `delays` has taken out what is coarse
ROUNDS = 4
SATELLITES_ALONE = "GPS speed by itself does not tell slip; log a front wheel speed or longitudinal acceleration"
SLIP_UNKNOWN = (
    "neither a front wheel speed nor longitudinal acceleration is logged. Slip is a few per cent of the speed, and GPS "
    "speed by itself can come a tenth of a second late, which is as much: no locking torque is told. Log a front wheel "
    "speed or longitudinal acceleration."
)


def without_steps(held: np.ndarray, time_s: np.ndarray) -> np.ndarray:
    """Speed (n,) on a smooth line through the samples where a new value came: of a receiver slower than the log each
    value is repeated until the next, half a period late in the mean and with no change of speed in between.

    Parameters
    ----------
    held : (n,) m/s, NaN where there is none.
    time_s : (n,) rising.
    """
    known = np.flatnonzero(np.isfinite(held))
    fresh = known[np.flatnonzero(np.diff(held[known], prepend=np.nan) != 0)]
    if len(fresh) < FRESH or np.median(np.diff(fresh)) < 2:
        return held
    line = through(time_s[fresh], held[fresh], time_s)
    following = np.searchsorted(fresh, np.arange(len(held)), side="right")
    until = np.append(time_s[fresh], np.inf)[following]
    since = time_s[fresh[np.maximum(following - 1, 0)]]
    rhythm = np.isfinite(held) & (following > 0) & (until - since < LONGEST_HOLD_S)
    return np.where(rhythm, line, held)


def through(knots: np.ndarray, values: np.ndarray, at: np.ndarray) -> np.ndarray:
    """(n,) the cubic spline through `values` (k,) at rising `knots` (k,), k of 4 or more.

    Notes
    -----
    Two bends in a row are one cubic at both ends ("not a knot"). In its slopes at the knots this is a system with
    three diagonals (de Boor, A Practical Guide to Splines, chapter IV, from memory).
    """
    width = np.diff(knots)
    rise = np.diff(values) / width
    first, last = width[0] + width[1], width[-1] + width[-2]
    bands = np.zeros((3, len(knots)))
    bands[0, 1], bands[0, 2:] = first, width[:-1]
    bands[1, 0], bands[1, 1:-1], bands[1, -1] = width[1], 2 * (width[:-1] + width[1:]), width[-2]
    bands[2, :-2], bands[2, -2] = width[1:], last
    told = np.empty(len(knots))
    told[0] = ((width[0] + 2 * first) * width[1] * rise[0] + width[0] ** 2 * rise[1]) / first
    told[1:-1] = 3 * (width[1:] * rise[:-1] + width[:-1] * rise[1:])
    told[-1] = (width[-1] ** 2 * rise[-2] + (2 * last + width[-1]) * width[-2] * rise[-1]) / last
    slope = solve_banded((1, 1), bands, told)
    piece = np.clip(np.searchsorted(knots, at, side="right") - 1, 0, len(width) - 1)
    since, span, steep = at - knots[piece], width[piece], rise[piece]
    bend = (slope[piece] + slope[piece + 1] - 2 * steep) / span
    return values[piece] + since * (slope[piece] + since * ((steep - slope[piece]) / span - bend + since * bend / span))


def delay_behind_accelerometer_s(
    *, speed_m_s: np.ndarray, long_m_s2: np.ndarray, lat_m_s2: np.ndarray, use: np.ndarray, rate_hz: float
) -> float:
    """How much later (s) a ground speed comes than the accelerometer's axes; 0 where that cannot be told.

    Parameters
    ----------
    speed_m_s, long_m_s2, lat_m_s2 : (n,).
    use : (n,) bool.

    Notes
    -----
    dV/dt = a_x cos(beta) + a_y sin(beta), and a car's side slip is beta = b/r - K a_y, r the radius, a_y = V^2/r. So
    with a delay d, by least squares,

        dV/dt = c a_x - d da_x/dt + c_0 + c_1 a_y^2 + c_2 (a_y/V)^2.
    """
    speed, along, across = (
        low_pass(x, cutoff_hz=COMPARED_HZ, rate_hz=rate_hz) for x in (speed_m_s, long_m_s2, lat_m_s2)
    )
    rows = np.flatnonzero(use)[:: max(1, round(rate_hz / COMPARED_ROWS_HZ))]
    if len(rows) < FRESH:
        return 0.0
    time = np.arange(len(speed)) / rate_hz
    terms = [
        along,
        -np.gradient(along) * rate_hz,
        np.ones_like(along),
        across**2,
        (across / np.maximum(speed, 5.0)) ** 2,
    ]
    matrix = np.stack(terms, axis=1)[rows]
    delay = 0.0
    for _ in range(ROUNDS):
        change = (np.gradient(np.interp(time + delay, time, speed)) * rate_hz)[rows]
        delay += float(np.linalg.lstsq(matrix, change, rcond=None)[0][1])
    return delay if abs(delay) < MOST_DELAY_S else 0.0


def require_slip(name: str, signals: Signals) -> None:
    """Refuse a log, called `name`, whose slips are not known.

    Raises
    ------
    CannotTell : no front wheel speed and no accelerometer, or its channels contradict each other.
    """
    if mark := contradicted(signals.annotations):
        raise CannotTell(f"{name}: {mark.message}")
    if not signals.slip_known:
        raise CannotTell(f"{name}: {SLIP_UNKNOWN}")
