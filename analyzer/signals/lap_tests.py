"""A closed lap turns once round: what that says of the gyro's scale, and of the clock's."""

import numpy as np

from analyzer.signals.pair_fit import MOVING_M_S, RATE_HZ, PairTest, View, fit_pair, limited, untested

CALM_M_S2, CALM_ROWS = 1.0, 100  # of lateral acceleration: as good as straight; how many rows of it tell a zero
LATERAL_ZERO_M_S2 = 0.15  # of an accelerometer that was never zeroed, 0.015 g; common practice, no source
BANK_M_S2 = 0.3  # a circuit's mean cross slope, 3 %, reads as a zero that the front wheels do not have
LAP_ENDS, LAP_ENDS_LATERAL = (0.9, 1.1), (0.85, 1.15)


def lap_turns(view: View) -> PairTest | None:
    """A closed lap turns once round: the scale of the gyro, or without one of lateral acceleration over speed, and the
    clock's.

    Notes
    -----
    Where no other channel shows the clock, two turns a lap are one at half the pace; else a circuit may cross itself.
    """
    gyro, lat = view.channels.get("yaw_rate"), view.channels.get("lat_g")
    v = np.maximum(view.speed, MOVING_M_S)
    if gyro is not None:
        name, holds = "yaw rate over a lap over whole turns", ("yaw_rate", "lat_g", "time")
        if lat is None:
            return untested(name, holds, "the zero of the gyro is not known without lateral acceleration")
        # what the gyro reads where the car hardly corners, within what the accelerometer's own zero leaves open
        calm = view.moving & (np.abs(lat) < CALM_M_S2)
        zero = float(np.median(gyro[calm] - lat[calm] / v[calm])) if calm.sum() >= CALM_ROWS else None
        turn, zero_sd, ends = gyro, LATERAL_ZERO_M_S2 / float(np.median(v[view.moving])), LAP_ENDS
    elif lat is not None and view.front_turn is not None:
        name, holds = "lateral acceleration / speed over a lap over whole turns", ("lat_g", "wheel_scale", "time")
        # the accelerometer's own zero: what the front wheels leave of it
        between = [(np.ones_like(v), 0.0, 1.0), (v * v, 0.0, 0.01)]
        fit = fit_pair(lat, v * view.front_turn, between, view.rolling, view.time) if view.rolling.any() else None
        zero = None if fit is None else fit.factors[1]
        turn, zero_sd, ends = (lat - (zero or 0.0)) / v, BANK_M_S2 / float(np.median(v[view.moving])), LAP_ENDS_LATERAL
        zero = None if zero is None else 0.0
    else:
        return None
    fine = np.arange(0.0, max(float(np.sum(view.speed)) / RATE_HZ, 1.0), 2.0)
    distance = np.cumsum(view.speed) / RATE_HZ
    length = _lap_length(np.interp(fine, distance, np.where(view.speed > MOVING_M_S, turn / v, 0.0)))
    if length is None:
        return untested(name, holds, "no lap repeats")
    if zero is None:
        return untested(name, holds, "the car is never straight, so the zero is not known")
    heading = np.interp(fine, distance, np.cumsum(turn) / RATE_HZ)
    seconds = np.interp(fine, distance, view.time)
    lap_s = seconds[length:] - seconds[:-length]
    turned = (heading[length:] - heading[:-length] - zero * lap_s) / (2 * np.pi)
    middle = float(np.median(turned))
    timed = {"long_g", "gps_speed", "latitude"} & view.channels.keys()
    whole = round(abs(middle)) if timed else min(round(abs(middle)), 1)
    if whole == 0:
        return untested(name, holds, "what repeats does not close: a lap turns as much left as right")
    scatter = 1.4826 * float(np.median(np.abs(turned - middle)))
    by_zero = zero_sd * float(np.median(lap_s)) / (2 * np.pi)
    sure = float(np.hypot(scatter, by_zero)) / whole
    found = limited(name, holds, abs(middle) / whole, sure, ends, "1", "ratio")
    if whole > 1 and found.outcome == "agrees":  # of a clock that is slow by as much as well, so nobody is acquitted
        return untested(name, holds, f"{whole} turns a lap: a circuit that crosses itself, or a slow clock")
    return found


def _lap_length(curvature: np.ndarray) -> int | None:
    """Rows after which the path repeats, from the correlation of its curvature with itself; None without a lap."""
    count = len(curvature)
    if count < 400:
        return None
    values = curvature - curvature.mean()
    spectrum = np.fft.rfft(values, 2 * count)
    shared = np.fft.irfft(np.abs(spectrum) ** 2)[:count]
    power = np.concatenate([[0.0], np.cumsum(values**2)])
    lags = np.arange(count)
    scale = np.sqrt(np.maximum(power[count - lags] * (power[count] - power[lags]), 1e-30))
    together = shared / scale
    together[: min(150, count)] = 0.0  # laps under 300 m are circles, whose curvature says nothing
    together[int(0.7 * count) :] = 0.0
    best = int(np.argmax(together))
    if together[best] < 0.8:
        return None
    # the shortest of the peaks that fit as well: one lap, not two
    peaks = 1 + np.flatnonzero((together[1:-1] >= together[:-2]) & (together[1:-1] > together[2:]))
    return int(next(lag for lag in (*peaks, best) if together[lag] > 0.95 * together[best]))
