"""What laps tell: a closed one turns a whole number of times, mostly once; and what a road does to a sensor is the same
in each, so that from lap to lap nothing is left of it.
"""

from dataclasses import replace

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.robust import median, scatter
from analyzer.signals.channel_tests import CALM_M_S2
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, smooth
from analyzer.signals.pair_fit import (
    FRONT_BY_LATERAL,
    RADIUS_BY_LOAD_S2_M,
    SURE,
    PairTest,
    fit_pair,
    limited,
    untested,
)
from analyzer.signals.speed_tests import ALONG_ENDS
from analyzer.signals.timebase import transform_length

CALM_ROWS = 100  # with so little lateral acceleration tell a zero
LATERAL_ZERO_M_S2 = 0.15  # of an accelerometer that was never zeroed, 0.015 g; common practice, no source
BANK_M_S2 = 0.3  # a circuit's mean cross slope, 3 %, reads as a zero that the front wheels do not have
LEAST_OF_A_TURN = 0.4  # a clock at half pace makes half a turn of one; a lap that does not close is off by less
LAP_ENDS, LAP_ENDS_LATERAL = (0.9, 1.1), (0.85, 1.15)
# turns of a lap: what it then is instead of a wrong clock (`THINGS` in consistency.py), in words
OTHER_TURNS = {
    2.0: ("twice_round", "2 turns a lap: a circuit that crosses itself, or a slow clock"),
    0.5: ("half_round", "half a turn: the halves of the lap are the same, or the clock is fast"),
}
# 600 m off the brakes in both laps; the ratio of what changed there is 1.04 at most on 184 sound logs
LEAST_ROWS = 300
STRETCH_ROWS = 150  # 300 m: some corners
REPEATS, ALIKE = 0.8, 0.95  # correlation of a lap with the next one, at least; and of that, for a shorter one
USUALLY_ALIKE = 0.9  # stretch by stretch; a lap reads 0.95 to 1 of two laps, a half of it 0.5 at most (38 sound logs)


def lap_turns(view: View) -> PairTest | None:
    """A closed lap turns a whole number of times: the scale of the gyro, or without one of lateral acceleration over
    speed, and the clock's.

    Notes
    -----
    Mostly once. A circuit that crosses itself turns twice, or not at all; where a part of it repeats, a half. Where no
    other channel shows the clock, a clock at half or double the pace reads the same, and which it is stays open.
    """
    gyro, lat = view.channels.get("yaw_rate"), view.channels.get("lat_g")
    v = np.maximum(view.speed, MOVING_M_S)
    if gyro is not None:
        name, holds = "turns of a lap by yaw rate", ("yaw_rate", "lat_g", "time")
        if lat is None:
            return untested(name, holds, "the zero of the gyro is not known without lateral acceleration")
        # what the gyro reads where the car hardly corners, within what the accelerometer's own zero leaves open
        calm = view.moving & (np.abs(lat) < CALM_M_S2)
        zero = float(np.median(gyro[calm] - lat[calm] / v[calm])) if calm.sum() >= CALM_ROWS else None
        turn, zero_sd, ends = gyro, LATERAL_ZERO_M_S2 / float(np.median(v[view.moving])), LAP_ENDS
    elif lat is not None and view.front_turn is not None:
        name, holds = "turns of a lap by lateral acceleration / speed", ("lat_g", "wheel_scale", "time")
        # the accelerometer's own zero: what the front wheels leave of it while none of them is light
        by_load = RADIUS_BY_LOAD_S2_M / view.track_m
        between = [(np.ones_like(v), 0.0, 1.0), (v * v, 0.0, 0.01), (v * v * lat, by_load, by_load)]
        gentle = view.gentle(np.abs(lat))
        fit = fit_pair(v * view.front_turn, lat, between, gentle, view.time) if gentle.any() else None
        if fit is not None and fit.ratio < FRONT_BY_LATERAL - SURE * fit.deviation:
            return untested(name, holds, "the front wheels follow lateral acceleration too little to know its zero")
        zero = None if fit is None else -fit.factors[1] / fit.ratio
        unsure = BANK_M_S2 if fit is None else float(np.hypot(BANK_M_S2, fit.deviations[1] / fit.ratio))
        turn, zero_sd, ends = (lat - (zero or 0.0)) / v, unsure / float(np.median(v[view.moving])), LAP_ENDS_LATERAL
        zero = None if zero is None else 0.0
    else:
        return None
    fine, distance, length = _on_the_road(view, turn)
    if length is None:
        return untested(name, holds, "no lap repeats")
    if zero is None:
        return untested(name, holds, "the car is never straight, so the zero is not known")
    heading = np.interp(fine, distance, np.cumsum(turn) / RATE_HZ)
    seconds = np.interp(fine, distance, view.time)
    lap_s = seconds[length:] - seconds[:-length]
    turned = (heading[length:] - heading[:-length] - zero * lap_s) / (2 * np.pi)
    middle = float(np.median(turned))
    timed = bool({"long_g", "gps_speed", "latitude"} & view.channels.keys())
    sure = float(np.hypot(scatter(turned, about=middle), zero_sd * float(np.median(lap_s)) / (2 * np.pi)))
    if round(abs(middle)) == 0 and abs(middle) <= LEAST_OF_A_TURN:
        return untested(name, holds, "what repeats does not close: a lap turns as much left as right")
    once = limited(name, holds, abs(middle), sure, ends, "1", "ratio")
    # of a clock that is off by as much as well, so nobody is acquitted
    for turns, (thing, words) in OTHER_TURNS.items():
        if once.outcome == "disagrees" and _within(abs(middle), sure, turns, ends):
            return untested(name, holds, words) if timed else replace(once, holds=once.holds | {thing})
    return once


def lap_to_lap(view: View) -> PairTest | None:
    """Longitudinal acceleration over the change of speed, each less what it was there a lap before: hills, which make
    the ratio of a whole log small where a car climbs on power, are in neither.
    """
    name, holds = "longitudinal acceleration over change of front wheels' speed, from lap to lap", ("long_g",)
    across, long = view.across, view.channels.get("long_g")
    if across is None or long is None or view.front is None:
        return None
    fine, distance, length = _on_the_road(view, across / np.maximum(view.speed, MOVING_M_S))
    if length is None:
        return untested(name, holds, "no lap repeats")

    def there(values: FloatArray) -> FloatArray:
        return np.interp(fine, distance, values)

    feels = [smooth(long), np.gradient(smooth(view.front)) * RATE_HZ, across, across**2]
    felt, change, lat, slip = (x[length:] - x[:-length] for x in map(there, feels))
    rolls, seconds = there(view.rolling.astype(float)) > 0.99, there(view.time)[length:]
    use = rolls[length:] & rolls[:-length]
    if use.sum() < LEAST_ROWS:
        return untested(name, holds, "too little of a lap off the brakes")
    between = [(np.ones_like(felt), 0.0, 1.0), (lat, 0.0, 0.2), (slip, 0.0, 0.02)]
    fit = fit_pair(felt, change, between, use, seconds)
    # one limit: if all laps are the same, the change is lost in its noise and the ratio is small
    return limited(name, (*holds, "wheel_scale", "time"), fit.ratio, fit.deviation, (None, ALONG_ENDS[1]), "1", "ratio")


def _on_the_road(view: View, turn_rad_s: FloatArray) -> tuple[FloatArray, FloatArray, int | None]:
    """Places 2 m apart, how far the car has come at each row of the view (m), and after how many places a lap repeats
    by how the car turns (m,); None where none does."""
    distance = np.cumsum(view.speed) / RATE_HZ
    fine = np.arange(0.0, max(float(distance[-1]), 1.0), 2.0)
    bend = np.where(view.speed > MOVING_M_S, turn_rad_s / np.maximum(view.speed, MOVING_M_S), 0.0)
    return fine, distance, _lap_length(np.interp(fine, distance, bend))


def _within(number: float, deviation: float, turns: float, ends: tuple[float, float]) -> bool:
    return limited("", (), number / turns, deviation / turns, ends, "1", "").outcome == "agrees"


def _lap_length(curvature: FloatArray) -> int | None:
    """Rows after which the path repeats, from the correlation of its curvature with itself; None without a lap."""
    count = len(curvature)
    if count < 400:
        return None
    values = curvature - curvature.mean()
    length = transform_length(2 * count)
    shared = np.fft.irfft(np.abs(np.fft.rfft(values, length)) ** 2, length)[:count]
    power = np.concatenate([[0.0], np.cumsum(values**2)])
    lags = np.arange(count)
    scale = np.sqrt(np.maximum(power[count - lags] * (power[count] - power[lags]), 1e-30))
    together = shared / scale
    together[: min(150, count)] = 0.0  # laps under 300 m are circles, whose curvature says nothing
    together[int(0.7 * count) :] = 0.0
    best = int(np.argmax(together))
    if together[best] < REPEATS:
        return None
    # the shortest of the peaks that fit as well: one lap, not two
    peaks = 1 + np.flatnonzero((together[1:-1] >= together[:-2]) & (together[1:-1] > together[2:]))
    lap = int(next(lag for lag in (*peaks, best) if together[lag] > ALIKE * together[best]))
    # one lap that was driven otherwise spoils that of neighbours, but not of most stretches
    for laps in (5, 4, 3, 2):
        near = peaks[np.abs(peaks * laps - lap) < 0.02 * lap]
        one = int(near[np.argmax(together[near])]) if len(near) else lap
        if one < lap and _usual_likeness(values, one) > USUALLY_ALIKE * _usual_likeness(values, lap):
            return one
    return lap


def _usual_likeness(values: FloatArray, lag: int) -> float:
    """Correlation of curvature (n,) with itself `lag` rows on: the middle one of its stretches."""
    count = (len(values) - lag) // STRETCH_ROWS * STRETCH_ROWS
    if count == 0:
        return 0.0
    now, later = (v[:count].reshape(-1, STRETCH_ROWS) for v in (values, values[lag:]))
    size = np.sqrt(np.vecdot(now, now) * np.vecdot(later, later))
    return median(np.vecdot(now, later) / np.maximum(size, 1e-30))
