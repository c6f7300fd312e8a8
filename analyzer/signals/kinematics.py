"""The motion of the car, one quantity at a time: wheel speeds, ground speed (satellites' too:
the receiver's own samples, and how late they come), yaw rate, path.

Yaw rate from everything that knows it: gyro, front wheel speeds, lateral acceleration over speed.

The fixed-interval smoother of an integrated random walk (yaw acceleration changes at random) with independent
measurements is the minimiser of

    sum_k w_k (r - z_k)^2 + lambda sum (second difference of r)^2,

a banded linear system: the same estimate as a Rauch-Tung-Striebel smoother of that model, without the recursion.
"""

from collections.abc import Mapping

import numpy as np
from scipy.linalg import solve_banded, solveh_banded

from analyzer.arrays import BoolArray, FloatArray
from analyzer.errors import CannotTell
from analyzer.signals.consistency import contradicted
from analyzer.signals.session import Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.car import Car

LEAST_SPEED_M_S = 8.0  # slower than this nothing is told of the car
SLIDES_M_S, SLIDES_SHARE = 1.0, 0.03  # front wheels further apart than their turn and their scales make them
EARTH_RADIUS_M = 6_371_008.8  # mean radius, IUGG
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


def surface_speeds_m_s(channels: Mapping[str, FloatArray], unit: str, car: Car) -> FloatArray:
    """(n, 4) surface speeds front left, front right, rear left, rear right (m/s); NaN columns where not logged.

    Parameters
    ----------
    channels : each (n,), `wheel_speed_fl` and so on where logged, and others.
    unit : theirs, `m/s` or `rad/s`.
    """
    count = len(next(iter(channels.values())))
    wheels = np.full((count, 4), np.nan, order="F")  # wheel by wheel in memory, as filters take them
    for i, corner in enumerate(("fl", "fr", "rl", "rr")):
        values = channels.get(f"wheel_speed_{corner}")
        if values is not None:
            wheels[:, i] = values * (car.rolling_radii_m[i] if unit == "rad/s" else 1.0)
    return wheels


def mean_of_both(left: FloatArray, right: FloatArray) -> FloatArray:
    """Mean of two wheels (n,), the other one where one is NaN."""
    both = (left + right) / 2
    return np.where(np.isfinite(both), both, np.fmax(left, right))


def front_axle_m_s(front: FloatArray, channels: Mapping[str, FloatArray], car: Car) -> FloatArray:
    """(n,) speed of the middle of the front axle from its wheels (n, 2): their mean; from the faster alone where the
    other stands or slides, so that they are further apart than the car's turn and their scales make them.

    Parameters
    ----------
    channels : `yaw_rate` (rad/s), or `lat_g` (m/s2) where it is not logged.
    """
    faster = np.fmax(front[:, 0], front[:, 1])
    gyro = channels.get("yaw_rate")
    turning = channels["lat_g"] / np.maximum(faster, LEAST_SPEED_M_S) if gyro is None else gyro
    by_turn = car.front_track_m * np.abs(turning)
    beyond = np.abs(front[:, 0] - front[:, 1]) - by_turn - SLIDES_M_S - SLIDES_SHARE * faster
    alone = np.clip(np.nan_to_num(beyond) / SLIDES_M_S, 0.0, 1.0)
    return (1 - alone) * mean_of_both(front[:, 0], front[:, 1]) + alone * (faster - by_turn / 2)


def smooth_yaw_rate(
    *,
    measurements: list[FloatArray],
    standard_deviations: list[FloatArray],
    rate_hz: float,
    roughness_rad_s3: float = 8.0,
) -> tuple[FloatArray, FloatArray]:
    """Fuse measurements of the yaw rate.

    Parameters
    ----------
    measurements : each (n,), rad/s.
    standard_deviations : each (n,), rad/s; inf where that measurement knows nothing.
    roughness_rad_s3 : density of the random yaw jerk; 8 lets a car turn in within 0.2 s.

    Returns
    -------
    yaw_rate (n,) rad/s and its standard deviation (n,) rad/s (local approximation).
    """
    n = len(measurements[0])
    weight, right = np.zeros(n), np.zeros(n)
    for z, sd in zip(measurements, standard_deviations, strict=True):
        known = np.isfinite(z)
        w = np.where(known, 1.0 / np.square(sd), 0.0)  # 0 where sd is inf
        weight += w
        right += w * np.where(known, z, 0.0)
    # second difference over dt^2 is a yaw jerk; its variance per step is roughness^2 * rate
    penalty = rate_hz**4 / (roughness_rad_s3**2 * rate_hz)
    # D'D of the second difference D, upper bands; the ends have fewer differences to answer to
    bands = np.empty((3, n))
    bands[0], bands[1], bands[2] = penalty, -4 * penalty, 6 * penalty
    bands[1, [1, -1]] = -2 * penalty
    bands[2, [0, -1]], bands[2, [1, -2]] = penalty, 5 * penalty
    bands[2] += weight
    bands[2] += 1e-9
    yaw = solveh_banded(bands, right, overwrite_ab=True, overwrite_b=True)
    # equivalent number of samples averaged by the smoother: (penalty / weight)^(1/4) each side
    weight = np.maximum(weight, 1e-6)
    span = np.maximum(2.0 * np.sqrt(np.sqrt(penalty / weight)), 1.0)
    return yaw, 1.0 / np.sqrt(weight * span)


def first_position(latitude_rad: FloatArray, longitude_rad: FloatArray) -> tuple[float, float]:
    """The first latitude and the first longitude that are known (rad)."""
    return float(latitude_rad[np.isfinite(latitude_rad)][0]), float(longitude_rad[np.isfinite(longitude_rad)][0])


def from_position(
    latitude_rad: FloatArray, longitude_rad: FloatArray, origin_rad: tuple[float, float] | None = None
) -> tuple[FloatArray, FloatArray]:
    """Path in the local tangent plane: x east, y north (m), (n,) each.

    Parameters
    ----------
    latitude_rad, longitude_rad : (n,); NaN stays NaN.
    origin_rad : latitude and longitude where x and y are 0; None: the first that are known.

    Notes
    -----
    x = R cos(lat0) (lon - lon0), y = R (lat - lat0). x is off by x y tan(lat0)/R: 0.16 m at 1 km each way and 45
    degrees.
    """
    lat0, lon0 = first_position(latitude_rad, longitude_rad) if origin_rad is None else origin_rad
    return EARTH_RADIUS_M * np.cos(lat0) * (longitude_rad - lon0), EARTH_RADIUS_M * (latitude_rad - lat0)


def dead_reckoned(speed_m_s: FloatArray, yaw_rate_rad_s: FloatArray, rate_hz: float) -> tuple[FloatArray, FloatArray]:
    """Path by integrating yaw rate and speed: x, y (m), (n,) each, from 0 with the heading along x; it drifts.

    Parameters
    ----------
    speed_m_s, yaw_rate_rad_s : (n,), left turn positive.
    """
    heading = np.cumsum(yaw_rate_rad_s) / rate_hz
    return np.cumsum(speed_m_s * np.cos(heading)) / rate_hz, np.cumsum(speed_m_s * np.sin(heading)) / rate_hz


def without_steps(held: FloatArray, time_s: FloatArray) -> FloatArray:
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


def through(knots: FloatArray, values: FloatArray, at: FloatArray) -> FloatArray:
    """The cubic spline through some points.

    Parameters
    ----------
    knots : (k,) rising, k of 4 or more.
    values : (k,) there.
    at : (n,) where it is read off; outside the knots the end pieces go on.

    Returns
    -------
    ndarray : (n,).

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
    turned = (steep - slope[piece]) / span - bend + since * bend / span
    between: FloatArray = values[piece] + since * (slope[piece] + since * turned)
    return between


def delay_behind_accelerometer_s(
    *, speed_m_s: FloatArray, long_m_s2: FloatArray, lat_m_s2: FloatArray, use: BoolArray, rate_hz: float
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
    if not signals.sensors.slip_known:
        raise CannotTell(f"{name}: {SLIP_UNKNOWN}")
