"""What a channel says without another that knows the same: a column its noise and its range, a pair its zeros, their
drift and turned axes.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import CHANNELS, REAR_WHEELS, STANDARD_GRAVITY_M_S2, WHEEL_CHANNELS
from analyzer.logs.recording import Recording
from analyzer.robust import median, scatter
from analyzer.signals.faults import COARSE_SPEED_M_S, coarse_step
from analyzer.signals.log_stretches import runs, wheel_speeds_m_s
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View
from analyzer.signals.pair_fit import (
    LEAST_S,
    USUAL_RATIO,
    USUAL_WHEELBASE_M,
    Between,
    PairFit,
    PairTest,
    fit_pair,
    limited,
)
from analyzer.signals.timebase import LOWEST_RATE_HZ, transform_length
from analyzer.vehicle.car import Car

OWN_SENSORS = "have sensors of their own"
NOISE_TURNS = -0.3
NOISE_ROWS = 100  # in a stretch
MOST_STRETCHES = 1000  # evenly over the log; their middle one is then known to a few thousandths
# of the noise of two sensors; of rough roads and gear shifts slower logs hold more (0.13 at 50 Hz, 0.34 at 25 Hz). Of
# rears 0.8 times as far apart as they are 0.22
MOST_SHARED, MOST_SHARED_SLOW, FAST_HZ = 0.2, 0.5, 45.0
# where the difference of an axle's wheels is made too large, the noise of one goes against the other's: -0.12 with a
# spool, -0.04 at least on 112 other sound logs
MOST_OPPOSED = 0.2
NOISE_RATE_HZ = 20.0  # slower, what a car does in three rows is more than its sensors' noise
LATEST_COPY_S = 0.3
# a moving mean over n rows leaves the noise x_k - x_{k-n}, which goes with itself n rows later by -0.5, at no other lag
# by as much; 0.06 at most on 52 sound logs. One over less costs nothing (six random cars)
AVERAGES_BY, AVERAGES_ALONE, MOST_AVERAGED_S, LONGEST_AVERAGED_S, SPREAD_ROWS = -0.25, 2.0, 0.2, 3.0, 4
# a column that seldom repeats itself agrees with another as seldom: for five rows on end three times in ten thousand
REPEATS_ITSELF, ROWS_ON_END, MOST_THE_SAME = 0.2, 5, 0.01
# of their noise, about the row: wheels so far apart do not agree to the last digit in single rows either (in 0.0006
# of the driving at most on 217 sound logs; every other row of the other one 0.02)
APART_BY, AROUND = 6.0, np.arange(-4, 5)
# the rear wheels' difference within a tenth of its largest, of the driving, less the same of the front wheels: steady
# circles have both; 0.009 at most on 221 sound logs
NEAR_THE_LARGEST, LARGEST_PERCENT, MOST_CUT_OFF = 0.9, 99.9, 0.03
MOST_AT_ITS_END = 0.03  # of the driving; a steering stop is met in a spin or a hairpin, for a moment
COARSE_M_S2 = 1.0  # loggers that write tenths of a g are common and do no harm (common practice, no source)
# twice of what a car does as a whole, which is under 2 Hz
MOTION_HZ, RATES_APART = 4.0, (0.9, 1.1)
CALM_M_S2 = 1.0  # of lateral acceleration: as good as straight
# common practice, no source: a unit that was never zeroed is off by a few hundredths of g, one askew by 10 degrees by
# 0.17 g; the calibration takes out what is less
LATERAL_ZERO_G = 0.3
STEER_ZERO_RAD = 0.035  # at the road wheel, 2 degrees; half a turn of a spline of 30 teeth is 6 at the wheel
# a wheel's pulses are nought at rest; a gyro that reads 5 deg/s too much makes as much, or lateral
# acceleration without a gyro 0.3 g. 0.06 on 32 sound sessions
WHEEL_ZERO_M_S = 0.15
# what left turns do to the front wheels right turns do to them the other way round; 0.0009 on 32 sound sessions, and
# what a car's unlike sides add is not in these
ONE_SIDED = 0.003
# 14 degrees in its plane; two or three are how a unit is mounted, the rest a cross slope on power (0.29 +- 0.02 on a
# hillside of 5 %, 0.20 at most on 164 other sound logs)
TURNED_RAD = 0.25
DRIFT_RAD_S = 0.05  # over the log, 3 deg/s: ten times a warming gyro's


def at_the_end(recording: Recording, view: View) -> list[PairTest]:
    """A steering angle that the logger cut off reads as a stop of the steering, against which no car drives for long;
    of an acceleration or a yaw rate that is cut off, what is left of the driving is not what the car did."""
    found = list[PairTest]()
    for channel in ("steer", "lat_g", "long_g", "yaw_rate"):
        ends = [a for a in recording.annotations if a.code == "clipped" and a.channel == channel]
        seconds = sum(a.end_s - a.start_s for a in ends if a.start_s is not None and a.end_s is not None)
        if channel in recording.channels:
            share, name = seconds / max(view.seconds_moving, 1.0), f"{CHANNELS[channel].label} at the end of its range"
            found.append(limited(name, (channel,), share, 0.0, (None, MOST_AT_ITS_END), "1", "share of driving"))
    return found


def limited_difference(recording: Recording, view: View) -> list[PairTest]:
    """A driven wheel spins for a moment, ever further than the last time. A difference between an axle's wheels that
    comes to one figure time and again was cut off there, by a range or by what a logger takes for plausible."""
    moving = _moving(recording, view)
    shares = list[float]()
    for end in "rf":
        pair = [f"wheel_speed_{end}{side}" for side in "lr"]
        if not recording.channels.keys() >= {*pair}:
            return []
        left, right = (recording.channels[wheel][moving] for wheel in pair)
        apart = np.abs(left - right)
        apart = apart[np.isfinite(apart)]
        if len(apart) < 5 * NOISE_ROWS:
            return []
        shares.append(float(np.mean(apart > NEAR_THE_LARGEST * np.percentile(apart, LARGEST_PERCENT))))
    name, holds = "rear wheels' difference close to its largest, beyond the front wheels'", ("rear_wheels",)
    # one limit: wheels that nothing cuts off may be wrong otherwise
    return [limited(name, holds, shares[0] - shares[1], 0.0, (None, MOST_CUT_OFF), "1", "share of driving")]


def _moving(recording: Recording, view: View) -> BoolArray:
    """Rows (n,) bool of the recording at which the car moves."""
    moving: BoolArray = np.interp(recording.time_s, view.time, view.moving.astype(float)) > 0.9
    return moving


def steps(recording: Recording) -> list[PairTest]:
    """A wheel speed that comes in steps wider than the slip that an axle locks and unlocks with, or an acceleration in
    steps as wide as what a car coasts with."""
    wheels, channels = wheel_speeds_m_s(recording), recording.channels
    asked = [(n, ("rear_wheels",), wheels[n], COARSE_SPEED_M_S, "m/s") for n in REAR_WHEELS if n in wheels]
    asked += [(n, (n,), channels[n], COARSE_M_S2, "m/s2") for n in ("lat_g", "long_g") if n in channels]
    return [
        limited(f"step of {CHANNELS[name].label}", holds, coarse_step(values, most), 0.0, (None, most), unit, "step")
        for name, holds, values, most, unit in asked
    ]


def rates(recording: Recording) -> list[PairTest]:
    """A wheel speed that a slow bus repeats must have as many values of its own as a log must have rows, and as many as
    the other one of a driven axle, for it comes late by half of what it repeats; the car's motion twice what it needs.
    """
    found = list[PairTest]()
    rate = {name: source.rate_hz for name, source in recording.sources.items() if name in recording.channels}
    for channel in (*WHEEL_CHANNELS, "lat_g", "long_g", "yaw_rate"):
        own = rate.get(channel)
        if own is None:
            continue
        wheel = channel in WHEEL_CHANNELS
        holds = channel if not wheel else "front_wheels" if channel[-2] == "f" else "rear_wheels"
        name, least = f"values of {CHANNELS[channel].label}", LOWEST_RATE_HZ if wheel else MOTION_HZ
        found.append(limited(name, (holds,), own, 0.0, (least, None), "Hz", "values of its own"))
    left, right = (rate.get(name) for name in REAR_WHEELS)
    if left and right:
        name = "values of rear left wheel speed over those of rear right wheel speed"
        found.append(limited(name, ("rear_wheels",), left / right, 0.0, RATES_APART, "1", "values of their own"))
    return found


def copies(recording: Recording, view: View) -> list[PairTest]:
    """One sensor behind two columns: each sensor has noise of its own."""
    found: list[PairTest] = []
    moving = _moving(recording, view)
    speeds, turns = (*WHEEL_CHANNELS, "gps_speed"), ("lat_g", "yaw_rate")
    names = [name for name in (*speeds, *turns) if name in recording.channels]
    noise = {name: np.diff(recording.channels[name], n=3) for name in names}
    latest = round(LATEST_COPY_S / float(np.median(np.diff(recording.time_s))))
    use = moving[:-3] & np.all([np.isfinite(x) for x in noise.values()], axis=0)
    rate = 1 / float(np.median(np.diff(recording.time_s)))
    if use.sum() < 5 * NOISE_ROWS or rate < NOISE_RATE_HZ:
        return []
    for name, values in noise.items():
        scale = scatter(values[use], about=0.0) + 1e-12
        noise[name] = np.where(use, np.clip(values, -4 * scale, 4 * scale), 0.0)
    # third differences of noise turn over from row to row (white: -15/20), of smooth lines not
    noisy = [_Noise.of(name, x) for name, x in noise.items() if np.dot(x[1:], x[:-1]) < NOISE_TURNS * np.dot(x, x)]
    for x, y in combinations(noisy, 2):
        a, b = x.name, y.name
        if (a in turns) != (b in turns):
            continue
        # a copy may come some samples later
        later = [_usual_correlation(x, y, lag) for lag in range(latest + 1)]
        later += [_usual_correlation(y, x, lag) for lag in range(1, latest + 1)]
        axles = {"f": "front_wheels", "r": "rear_wheels"}
        holds = {axles[w[-2]] if w in WHEEL_CHANNELS else w for w in (a, b)}
        words = f"{CHANNELS[a].label} and {CHANNELS[b].label} {OWN_SENSORS}"
        found.append(
            limited(
                words,
                sorted(holds),
                max(map(abs, later)),
                0.0,
                (None, MOST_SHARED if rate >= FAST_HZ else MOST_SHARED_SLOW),
                "1",
                "correlation of their noise",
            )
        )
        if a[:-1] == b[:-1] and rate >= FAST_HZ:  # of one axle
            name, ends = f"{CHANNELS[a].label} and {CHANNELS[b].label}, one against the other", (-MOST_OPPOSED, None)
            found.append(limited(name, sorted(holds), later[0], 0.0, ends, "1", "correlation of their noise"))
    return found


def averaged(recording: Recording, view: View) -> list[PairTest]:
    """A wheel speed that was averaged over some tenths of a second shows slip late and blunt, unlike what it is held
    against. The noise of a moving mean tells its length."""
    moving = _moving(recording, view)
    period, found = float(np.median(np.diff(recording.time_s))), list[PairTest]()
    for channel in (name for name in WHEEL_CHANNELS if name in recording.channels):
        noise = np.diff(recording.channels[channel], n=3)
        use = moving[:-3] & np.isfinite(noise)
        if use.sum() < 5 * NOISE_ROWS:
            continue
        scale = scatter(noise[use], about=0.0) + 1e-12
        length = _averaged_rows(np.where(use, np.clip(noise, -4 * scale, 4 * scale), 0.0), period)
        name, holds = f"moving mean in {CHANNELS[channel].label}", f"{'front' if channel[-2] == 'f' else 'rear'}_wheels"
        found.append(limited(name, (holds,), length * period, 0.0, (None, MOST_AVERAGED_S), "s", "length"))
    return found


def _averaged_rows(noise: FloatArray, period_s: float) -> int:
    """Rows that third differences (n,) were averaged over; 0 where they were not."""
    shortest, longest = round(MOST_AVERAGED_S / 2 / period_s), round(LONGEST_AVERAGED_S / period_s)
    shortest, longest = max(shortest, 2 * SPREAD_ROWS), min(longest, len(noise) // 2)
    if shortest >= longest:
        return 0
    size = transform_length(len(noise) + longest)  # zeros beyond the end for the longest lag
    power = np.abs(np.fft.rfft(noise, size)) ** 2
    with_itself = np.fft.irfft(power, size)[:longest] / max(float(np.dot(noise, noise)), 1e-300)
    at = shortest + int(np.argmin(with_itself[shortest:]))
    others = np.abs(with_itself[shortest:])
    others[max(at - shortest - SPREAD_ROWS, 0) : at - shortest + SPREAD_ROWS + 1] = 0.0
    alone = -with_itself[at] > AVERAGES_ALONE * float(others.max())
    return at if with_itself[at] < AVERAGES_BY and alone else 0


def same_rows(recording: Recording, view: View) -> list[PairTest]:
    """Noisy wheel speeds agree to the last digit for some rows on end, or in single rows while they turn at unlike
    speeds, only where one, or the mean of the front ones, is written for the other."""
    moving = _moving(recording, view)
    values = {name: recording.channels[name][moving] for name in WHEEL_CHANNELS if name in recording.channels}
    values = {name: v for name, v in values.items() if np.mean(np.diff(v) == 0) < REPEATS_ITSELF}
    words = {name: CHANNELS[name].label for name in values}
    if {"wheel_speed_fl", "wheel_speed_fr"} <= values.keys():
        values["front"] = (values["wheel_speed_fl"] + values["wheel_speed_fr"]) / 2
        words["front"] = "the front wheels' mean"
    # of the usual wheel: rows of another one among its own are no noise
    noise = float(np.median([scatter(np.diff(v[np.isfinite(v)], n=3), about=0.0) for v in values.values()] or [0.0]))
    noise /= np.sqrt(20)  # third differences of white noise
    found = list[PairTest]()
    for a, b in combinations(values, 2):
        holds = {"front_wheels" if w == "front" or w[-2] == "f" else "rear_wheels" for w in (a, b)}
        if b == "front" and holds == {"front_wheels"}:
            continue
        equal = values[a] == values[b]
        on_end = runs(equal)
        length = on_end[:, 1] - on_end[:, 0] + 1
        copied = float(length[length >= ROWS_ON_END].sum())
        rows = np.flatnonzero(equal)[:, None] + AROUND
        beside = np.abs(values[a] - values[b])[np.clip(rows, 0, len(equal) - 1)].mean(axis=1)
        single = float(np.sum(beside > APART_BY * noise))
        share = max(copied, single) / max(len(values[a]), 1)
        name = f"{words[a]} and {words[b]}, row by row, {OWN_SENSORS}"
        found.append(limited(name, sorted(holds), share, 0.0, (None, MOST_THE_SAME), "1", "share of rows"))
    return found


@dataclass(frozen=True)
class _Noise:
    """A column's noise (n,), and the sum (n + 1,) of its squares up to each row: a stretch is a difference of two."""

    name: str
    values: FloatArray
    squares: FloatArray

    @classmethod
    def of(cls, name: str, values: FloatArray) -> "_Noise":
        return cls(name, values, np.concatenate([np.zeros(1), np.cumsum(values**2)]))

    def power(self, starts: IntArray) -> FloatArray:
        """(k,) sum of squares of the stretches from rows `starts` (k,)."""
        return self.squares[starts + NOISE_ROWS] - self.squares[starts]


def _usual_correlation(x: _Noise, y: _Noise, lag: int) -> float:
    """Correlation of two columns of noise, x `lag` rows later, 0 or more: the middle one of many short stretches, for
    a kerb or a gear shift moves all wheels at once."""
    count = (len(x.values) - lag) // NOISE_ROWS
    some, whole = slice(None, None, -(-count // MOST_STRETCHES)), count * NOISE_ROWS
    starts = np.arange(0, whole, NOISE_ROWS)[some]
    later, now = (v.reshape(-1, NOISE_ROWS)[some] for v in (x.values[lag : lag + whole], y.values[:whole]))
    product = np.vecdot(later, now)
    power = np.sqrt(x.power(starts + lag) * y.power(starts))
    known = power > 0
    return median(product[known] / power[known]) if known.any() else 0.0


def zeros(view: View, recording: Recording, car: Car | None) -> list[PairTest]:
    """Zeros, drift and turned axes, each from the pair of channels that shows it best."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    gyro, lat, steer = (view.channels.get(name) for name in ("yaw_rate", "lat_g", "steer"))
    front, found = view.front_turn, list[PairTest]()
    later = view.time / view.time[-1] - 0.5
    # by the front wheels neither is told: light ones slip in corners, and as the car speeds up or slows down
    if lat is not None and gyro is not None:
        fit = _fitted(view, lat, v * gyro, [(one, 0.0, 10.0), (view.change, 0.0, 1.0), (v, 0.0, 0.1)])
        if fit is not None:
            g, most = STANDARD_GRAVITY_M_S2, LATERAL_ZERO_G
            name, holds = "zero of lateral acceleration", ("lat_g", "yaw_rate")
            found.append(limited(name, holds, fit.factors[1] / g, fit.deviations[1] / g, (-most, most), "g", "zero"))
            name, limits = "lateral acceleration's share of longitudinal acceleration", (-TURNED_RAD, TURNED_RAD)
            found.append(limited(name, ("lat_g",), fit.factors[2], fit.deviations[2], limits, "1", "share"))
    other = lat / v if lat is not None else front
    if gyro is not None and other is not None:
        fit = _fitted(view, gyro, other, [(one, 0.0, 1.0), (1 / v, 0.0, 1.0), (later, 0.0, 1.0)])
        if fit is not None:
            name, holds = "drift of yaw rate", ("yaw_rate", "lat_g" if lat is not None else "front_wheels")
            number, sure = np.degrees(fit.factors[3]), np.degrees(fit.deviations[3])
            most = float(np.degrees(DRIFT_RAD_S))
            found.append(limited(name, holds, number, sure, (-most, most), "deg/s", "over the log"))
    turn, by = (gyro, "yaw_rate") if gyro is not None else (None if lat is None else lat / v, "lat_g")
    if turn is not None:
        calm = view.gentle(np.abs(v * turn))
        for words, end in (("front", "f"), ("rear", "r")):
            left, right = (view.wheels.get(f"wheel_speed_{end}{side}") for side in "lr")
            if left is None or right is None or calm.sum() < LEAST_S * RATE_HZ:
                continue
            # a driven axle's wheels turn alike in one corner and not in the next, as its differential lets them
            turns, free = v * (np.abs(v * turn) > CALM_M_S2), end == "f"
            use = calm if free else calm & (turns == 0)
            if use.sum() < LEAST_S * RATE_HZ:
                continue
            # a side that is heavier, or whose brake pulls more, slips more as the car slows (random car 2623)
            between = [(one, 0.0, 2.0), (v, 0.0, 0.1), (v * v * turn, 0.0, 0.01), (view.change, 0.0, 0.1)]
            fit = fit_pair(right - left, turn, [*between, (turns, 0.0, 0.1)] if free else between, use, view.time)
            holds, most = (f"{words}_wheels", by), WHEEL_ZERO_M_S
            name = f"{words} right wheel less {words} left wheel at rest"
            found.append(limited(name, holds, fit.factors[1], fit.deviations[1], (-most, most), "m/s", "zero"))
            if free:
                name = f"{words} right wheel over {words} left wheel, left and right turns against straights"
                uneven = (f"{words}_wheels",), fit.factors[5], fit.deviations[5]
                found.append(limited(name, *uneven, (-ONE_SIDED, ONE_SIDED), "1", "share"))
    other, by = (gyro, "yaw_rate") if gyro is not None else (front, "front_wheels")
    if steer is not None and other is not None:
        ratio = 1.0 if recording.steer_at == "road_wheel" else car.steering_ratio if car else USUAL_RATIO
        wheelbase = car.wheelbase_m if car else USUAL_WHEELBASE_M
        fit = _fitted(view, steer / ratio * v, other * wheelbase, [(v, 0.0, 1.0), (v * v * other, 0.0, 0.01)])
        if fit is not None:
            name, limits = "zero of steer at the road wheel", (-STEER_ZERO_RAD, STEER_ZERO_RAD)
            found.append(limited(name, ("steer", by), fit.factors[1], fit.deviations[1], limits, "rad", "zero"))
    return found


def _fitted(view: View, a: FloatArray, b: FloatArray, between: Between) -> PairFit | None:
    if view.rolling.sum() < LEAST_S * RATE_HZ:
        return None
    return fit_pair(a, b, between, view.rolling, view.time)
