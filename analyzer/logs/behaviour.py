"""What the numbers of a column say: whether they can be a channel, and in which unit when none is stated; and which
four are the wheel speeds, whatever they are called, by names that differ only in the wheel or by values alike within
per cents.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import CHANNELS, QUANTITIES, TIME_FACTORS, WHEEL_CHANNELS
from analyzer.channels import STANDARD_GRAVITY_M_S2 as G
from analyzer.logs.names import CORNERS, LONGEST_NAME, not_a_wheel_speed
from analyzer.logs.recording import RawLog

# What a car on wheels can do, inside units (common practice, no source): 1st and 99th percentile must lie within.
_POSSIBLE = {
    "wheel_speed": (-1.0, 140.0),
    "rotation": (-3.0, 500.0),
    "throttle": (-0.15, 1.3),
    "steer": (-20.0, 20.0),
    "lat_g": (-6.5 * G, 6.5 * G),
    "long_g": (-6.5 * G, 6.5 * G),
    "yaw_rate": (-4.0, 4.0),
    "gps_speed": (-1.0, 140.0),
    "latitude": (-np.pi / 2, np.pi / 2),
    "longitude": (-np.pi, np.pi),
    "engine_speed": (-10.0, 2500.0),
    "gear": (-2.0, 20.0),
    "lap": (-1.0, 5000.0),
    "engine_torque": (-3000.0, 5000.0),
    "diff_temperature": (-60.0, 300.0),
}
RATES_HZ = (2.0, 5000.0)  # a log for this job samples at a rate between these
# a second in units that loggers and spreadsheets count time in: words for a person
CLOCKS = {
    1e-3: "thousandths of a second",
    0.01: "hundredths of a second",
    0.1: "tenths of a second",
    60.0: "minutes",
    3600.0: "hours",
    86400.0: "days",
}
HARDEST_M_S2, SOFTEST_M_S2 = 40.0, 0.3  # 95 % of a session's changes of speed lie between (common practice, no source)
_CLOCK_ROWS = 25  # smoothed over: half a second at 50 Hz, whatever the clock says
ALIKE = 0.08  # of their medians: circumferences and slip; four pressures or temperatures are further apart
TOGETHER = 0.95  # correlation of two wheels of a car
LEAST_SCATTER = 0.1  # of the median: a car's speed varies, four supply voltages do not
TOLD_BY_ROWS = 5_000
MOST_COLUMNS = 300  # of those that nothing else was made of


def possible(channel: str, values: FloatArray, symbol: str) -> bool:
    """Whether `values` (rows,), in the unit `symbol`, lie where this channel can lie."""
    finite = values[np.isfinite(values)]
    if not len(finite):
        return True
    if channel == "time":
        step = np.diff(finite)
        return len(step) > 0 and bool(max(np.mean(step >= 0), np.mean(step <= 0)) > 0.9 and finite[-1] != finite[0])
    unit = QUANTITIES[CHANNELS[channel].quantity].get(symbol)
    key = channel
    if channel in WHEEL_CHANNELS:
        if symbol == "Hz":
            return bool(finite.min() >= 0)
        key = "rotation" if unit is not None and unit.inside == "rad/s" else "wheel_speed"
    if unit is None or key not in _POSSIBLE:
        return True
    low, high = np.percentile(finite, [1, 99]) * unit.factor + unit.offset
    return bool(low >= _POSSIBLE[key][0] and high <= _POSSIBLE[key][1])


def time_unit(values: FloatArray) -> str | None:
    """The unit of a time column (rows,) from the sample rate it would mean; None when none or more than one fits."""
    step = np.abs(np.diff(values[np.isfinite(values)]))
    step = step[step > 0]
    if not len(step):
        return None
    usual = float(np.median(step))
    periods_s = {u: usual * factor for u, factor in TIME_FACTORS.items()}
    fits = [u for u, period in periods_s.items() if period > 0 and RATES_HZ[0] <= 1 / period <= RATES_HZ[1]]
    # seconds first: a column without a unit is seconds when that gives a usual rate
    return "s" if "s" in fits else (fits[0] if len(fits) == 1 else None)


def clock_by_motion(time_s: FloatArray, speed_m_s: FloatArray, long_m_s2: FloatArray | None) -> tuple[float, bool]:
    """By what a clock must be multiplied (1 where it is right), and whether the accelerometer proves it.

    Parameters
    ----------
    time_s, speed_m_s, long_m_s2 : (n,) as the clock is taken, the last None where it is not logged.

    Notes
    -----
    The change of speed over the acceleration is the factor. Without an accelerometer the change of speed alone must be
    one that a car can make.
    """
    known = np.isfinite(speed_m_s)
    if known.sum() < 4 * _CLOCK_ROWS or np.ptp(speed_m_s[known]) < 5.0:
        return 1.0, False
    even = np.full(_CLOCK_ROWS, 1 / _CLOCK_ROWS)
    usual = float(np.median(np.diff(time_s)))
    speed = np.interp(np.arange(len(speed_m_s)), np.flatnonzero(known), speed_m_s[known])
    change = np.gradient(np.convolve(speed, even, mode="valid")) / usual
    if long_m_s2 is not None:
        felt = np.convolve(np.nan_to_num(long_m_s2), even, mode="valid")
        felt, turned = felt - np.median(felt), change - np.median(change)
        power = float(np.dot(felt, felt) * np.dot(turned, turned))
        if power > 0 and abs(np.dot(felt, turned)) / np.sqrt(power) > 0.8:
            factor = float(np.dot(turned, turned) / abs(np.dot(felt, turned)))
            near = min(CLOCKS, key=lambda c: abs(np.log(factor / c)))
            far = min(CLOCKS, key=lambda c: abs(np.log(factor * c)))
            if abs(np.log(factor / near)) < 0.25:
                return near, True
            return (1 / far, True) if abs(np.log(factor * far)) < 0.25 else (1.0, False)
    hardest = float(np.percentile(np.abs(change), 95))
    if hardest < HARDEST_M_S2:  # a slow session, or a channel that ends early, is no proof of a slow clock
        return 1.0, False
    able = [c for c in (*CLOCKS, 10.0) if SOFTEST_M_S2 < hardest / c < HARDEST_M_S2 / 4]
    return (able[0] if len(able) == 1 else 0.0), False


@dataclass(frozen=True)
class Evidence:
    """A unit found by behaviour, with the reason; `unit` is None when the numbers do not decide."""

    unit: str | None
    reason: str


def speed_unit(
    speed: FloatArray, time_s: FloatArray, known: Mapping[str, FloatArray], front_difference: FloatArray | None
) -> Evidence:
    """The unit of speeds that state none, from what other channels say in their stated units.

    Parameters
    ----------
    speed : (n,) mean of the wheel speeds, in the unknown unit.
    time_s : (n,) s.
    known : channels whose unit is known, inside units: any of `gps_speed`, `long_g`, `yaw_rate`, `lat_g`, and
        `wheel_speeds` (m/s), their mean.
    front_difference : (n,) right minus left front wheel speed in the unknown unit, or None.

    Notes
    -----
    metres per second for one unit of the column: speed over speed; acceleration over change of speed; lateral
    acceleration over speed times yaw rate; and, with a front track of 1.2 to 1.75 m, from lateral acceleration over
    speed times wheel difference, whose root is taken.
    """
    if len(time_s) < 2:
        return Evidence(None, "one row tells no unit")
    moving = speed > 0.3 * np.nanpercentile(speed, 95)
    found: list[tuple[float, float, str]] = []  # factor, tolerance, words
    if "gps_speed" in known:
        found.append((_slope(speed, known["gps_speed"], moving), 0.03, "GPS speed"))
    if "wheel_speeds" in known:  # their circumferences are the logger's, and braked or driven wheels slip
        found.append((_slope(speed, known["wheel_speeds"], moving), 0.05, "the wheel speeds"))
    if "lat_g" in known and "yaw_rate" in known:
        found.append(
            (_slope(speed * known["yaw_rate"], known["lat_g"], moving), 0.12, "lateral acceleration over yaw rate")
        )
    if "long_g" in known:
        change = np.gradient(_smooth(speed, time_s), time_s)
        found.append((_slope(change, _smooth(known["long_g"], time_s), moving), 0.12, "longitudinal acceleration"))
    if not found and "lat_g" in known and front_difference is not None:
        change = np.gradient(_smooth(speed, time_s), time_s)
        free = moving & (change > -0.03 * np.nanpercentile(speed, 95))  # a braked front wheel slips
        smooth = _smooth(front_difference, time_s), _smooth(known["lat_g"], time_s)
        factor = _factor_from_difference(speed, *smooth, free)
        found.append((factor, 0.25, "lateral acceleration over the front wheels' difference"))
    for factor, tolerance, words in found:
        factor = abs(factor)
        fits = [
            symbol
            for symbol in ("km/h", "m/s", "mph", "kn")
            if abs(factor / QUANTITIES["speed"][symbol].factor - 1) <= tolerance
        ]
        if "kn" in fits and tolerance > 0.05:
            fits.remove("kn")  # too near to mph for a rough comparison, and rare on cars
        if len(fits) == 1:
            return Evidence(fits[0], f"unit {fits[0]} from {words}")
    return Evidence(None, "no other channel tells the unit")


def _factor_from_difference(speed: FloatArray, difference: FloatArray, lateral: FloatArray, where: BoolArray) -> float:
    """m/s per unit of speed, from difference = track / factor^2 * lateral / speed + scale error * speed."""
    good = where & np.isfinite(speed) & np.isfinite(difference) & np.isfinite(lateral)
    if good.sum() < 100:
        return 0.0
    design = np.column_stack([lateral[good] / speed[good], speed[good]])
    (gain, _), *_ = np.linalg.lstsq(design, difference[good], rcond=None)
    return float(np.sqrt(1.45 / abs(gain))) if gain else 0.0


def acceleration_unit(values: FloatArray) -> Evidence:
    """g or m/s2 from the size of values (rows,): cars corner and brake with 0.5 to 3.4 g, which is 5 to 33 m/s2."""
    size = float(np.nanpercentile(np.abs(values), 99))
    if 0.3 <= size <= 3.4:
        return Evidence("g", f"unit g from its size (up to {size:.1f})")
    if 5.0 <= size <= 40.0:
        return Evidence("m/s2", f"unit m/s2 from its size (up to {size:.1f})")
    return Evidence(None, f"its size (up to {size:.1f}) fits neither g nor m/s2 for certain")


def yaw_unit(values: FloatArray) -> Evidence:
    """deg/s or rad/s from the size of values (rows,): a car turns at 0.2 to 2 rad/s, which is 11 to 115 deg/s."""
    size = float(np.nanpercentile(np.abs(values), 99))
    if 0.1 <= size <= 2.5:
        return Evidence("rad/s", f"unit rad/s from its size (up to {size:.1f})")
    if 7.0 <= size <= 150.0:
        return Evidence("deg/s", f"unit deg/s from its size (up to {size:.0f})")
    return Evidence(None, f"its size (up to {size:.2g}) fits neither rad/s nor deg/s for certain")


def fraction_unit(values: FloatArray) -> Evidence:
    """Per cent or ratio from the largest of the values (rows,)."""
    known = values[np.isfinite(values)]
    if not len(known):
        return Evidence(None, "it has no values")
    top = float(known.max())
    if 0.15 <= top <= 1.2:
        return Evidence("1", f"unit 1 (ratio) from its size (up to {top:.2f})")
    if 254.0 <= top <= 256.0:
        return Evidence("1/255", "unit 1/255 (a raw byte) from its size (up to 255)")
    if 998.0 <= top <= 1001.0:
        return Evidence("1/1000", f"unit 1/1000 from its size (up to {top:.0f})")
    if 5.0 <= top <= 130.0:
        return Evidence("%", f"unit % from its size (up to {top:.0f})")
    return Evidence(None, f"its size (up to {top:.3g}) fits neither % nor a ratio")


def steer_slope_m(steer: FloatArray, speed_m_s: FloatArray, turn_rate_rad_s: FloatArray) -> float | None:
    """Steer per path curvature (steer units times m), from gentle cornering; None without enough of it.

    For a road-wheel angle in rad this is about the wheelbase (Ackermann, SAE J670 'Ackermann steer angle' = L/R);
    at the steering wheel the steering ratio times that.
    """
    good = np.isfinite(steer) & np.isfinite(speed_m_s) & np.isfinite(turn_rate_rad_s) & (speed_m_s > 5.0)
    lateral = np.abs(speed_m_s * turn_rate_rad_s)
    if good.sum() < 100:
        return None
    good &= lateral < 0.7 * np.percentile(lateral[good], 97)
    if good.sum() < 100:
        return None
    curvature = turn_rate_rad_s[good] / speed_m_s[good]
    centred = curvature - np.median(curvature)
    power = float(np.dot(centred, centred))
    if power == 0:
        return None
    values = steer[good] - np.median(steer[good])
    correlation = np.dot(centred, values) / np.sqrt(power * np.dot(values, values)) if values.any() else 0.0
    return float(np.dot(centred, values) / power) if abs(correlation) > 0.5 else None


def steer_unit(slope_m: float | None, values: FloatArray) -> Evidence:
    """deg or rad of steer (rows,), from steer per curvature: wheelbase 1.5 to 4 m, ratio 1 (road wheel) or 8 to 22."""
    if slope_m is not None:
        size = abs(slope_m)
        if 1.0 <= size <= 75.0:
            return Evidence("rad", f"unit rad from steer per curvature ({size:.1f} m)")
        if 85.0 <= size <= 5000.0:
            return Evidence("deg", f"unit deg from steer per curvature ({size:.0f})")
    top = float(np.nanpercentile(np.abs(values), 99))
    if top > 15.0:
        return Evidence("deg", f"unit deg from its size (up to {top:.0f})")
    return Evidence(None, f"its size (up to {top:.2g}) fits neither deg nor rad for certain")


def moves_with(values: FloatArray, reference: FloatArray) -> float:
    """Correlation of two channels (rows,) over the rows that both have, 0 where there is none."""
    good = np.isfinite(values) & np.isfinite(reference)
    if good.sum() < 20:
        return 0.0
    a, b = values[good] - values[good].mean(), reference[good] - reference[good].mean()
    scale = np.sqrt(np.dot(a, a) * np.dot(b, b))
    return float(np.dot(a, b) / scale) if scale > 0 else 0.0


def _slope(x: FloatArray, y: FloatArray, where: BoolArray) -> float:
    """y over x through zero, robust: fitted twice, the second time without the worst tenth."""
    good = where & np.isfinite(x) & np.isfinite(y)
    x, y = x[good], y[good]
    if len(x) < 50 or not x.any():
        return 0.0
    slope = np.dot(x, y) / np.dot(x, x)
    near = np.abs(y - slope * x) <= np.percentile(np.abs(y - slope * x), 90)
    return float(np.dot(x[near], y[near]) / np.dot(x[near], x[near]))


def _smooth(values: FloatArray, time_s: FloatArray) -> FloatArray:
    """A running mean over about half a second."""
    width = max(1, round(0.5 / float(np.median(np.diff(time_s))))) | 1
    if width >= len(values):
        return values
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.full(width, 1 / width), mode="valid")


def named_alike(raw: RawLog) -> list[tuple[int, int, int, int]]:
    """Fours of columns (front left, front right, rear left, rear right) whose names differ only in the wheel."""
    by_name = {c.name.casefold(): i for i, c in enumerate(raw.columns) if len(c.name) <= LONGEST_NAME}
    found: list[tuple[int, int, int, int]] = []
    for name, index in by_name.items():
        if not_a_wheel_speed(raw.columns[index].name):
            continue
        for corners in CORNERS:
            for place in re.finditer(re.escape(corners[0]), name):
                before, after = name[: place.start()], name[place.end() :]
                fl, fr, rl, rr = (by_name.get(f"{before}{corner}{after}", -1) for corner in corners)
                if min(fr, rl, rr) >= 0 and (fl, fr, rl, rr) not in found:
                    found.append((fl, fr, rl, rr))
    return found


def agreeing(values: Sequence[FloatArray]) -> bool:
    """Whether four columns (rows,) are speeds of the wheels of one car."""
    middles = [_moving_about(v) for v in values]
    return all(_go_together(values[0], middles[0], v, m) for v, m in zip(values[1:], middles[1:], strict=True)) and (
        max(middles) <= (1 + ALIKE) * min(middles)
    )


def _moving_about(values: FloatArray) -> float:
    """The median of what varies as a car's speed does; 0 for what does not."""
    middle = float(np.nanmedian(np.abs(values))) if np.isfinite(values).any() else 0.0
    return middle if middle > 0 and float(np.nanstd(values)) >= LEAST_SCATTER * middle else 0.0


def _go_together(one: FloatArray, middle: float, other: FloatArray, other_middle: float) -> bool:
    if min(middle, other_middle) <= 0 or max(middle, other_middle) > (1 + ALIKE) * min(middle, other_middle):
        return False
    return moves_with(one, other) > TOGETHER


def unnamed(
    raw: RawLog, used: set[int], load: Callable[[Sequence[int]], dict[int, FloatArray]]
) -> tuple[int, ...] | None:
    """Columns that agree as wheel speeds do, in file order, among those of which nothing else was made; None unless
    there are at least four."""
    free = [i for i, column in enumerate(raw.columns) if i not in used and not column.is_clock][:MOST_COLUMNS]
    if len(free) < len(WHEEL_CHANNELS):
        return None
    data = {i: v[:: max(1, len(v) // TOLD_BY_ROWS)] for i, v in load(free).items()}
    # once a column, not once a pair: a hundred thousand medians take half a minute
    middle = {i: about for i in free if (about := _moving_about(data[i])) > 0}
    for first in middle:
        like = [i for i in middle if i == first or _go_together(data[first], middle[first], data[i], middle[i])]
        if len(like) >= len(WHEEL_CHANNELS) and possible(WHEEL_CHANNELS[0], data[first], "km/h"):
            return tuple(like)
    return None
