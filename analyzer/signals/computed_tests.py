"""What no other channel tells of a sensor. An accelerometer feels hills, pitch, side slip, a gyro what tyres slip by:
one that another tells to the last was computed from it, whatever filter lies between. One that changes more than the
car within two seconds feels something else, as a vibration that the logger's rate folds down.
"""

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import CHANNELS
from analyzer.robust import scatter
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View
from analyzer.signals.pair_fit import LEAST_S, PairTest, limited, untested

TAPS = 5  # rows either way: a filter of half a second (common practice, no source)
QUICK_ROWS = round(2 * RATE_HZ) | 1  # slower, circles are told to the last by anything that turns
# of the scatter within two seconds: 0.048 at least on 105 sound logs (laps and circles of random cars 200 to 207 and
# 300 to 323, a smooth and flat world among them, truth, rough, protocol and sample logs); made of other channels behind
# half a second's mean, 0.002 to 0.041
LEAST_OF_ITS_OWN = 0.043
CHARACTERISTIC_M_S = (15.0, 25.0)  # speeds of cars that understeer much and little (common practice, no source)
# m/s2, within two seconds, of what the wheels or the gyro do not tell: 0.49 and 0.36 at most on 218 sound logs with
# kerbs, gear shifts and filters of 4 to 15 Hz; 0.12 g at 0.7 Hz makes 1.17, and took the lock curve 121 N.m out of its
# interval
MOST_BESIDE_THE_CAR = {"long_g": 0.7, "lat_g": 0.6}
# m/s2 and rad/s, of that scatter: less is too little to test
LEAST_SIZE = {"long_g": 0.1, "lat_g": 0.1, "yaw_rate": 0.005}


def computed(view: View) -> list[PairTest]:
    """What each sensor says that the channels which it may be computed from do not."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    gyro, lat, steer = (view.channels.get(name) for name in ("yaw_rate", "lat_g", "steer"))
    found = list[PairTest]()
    speeds = (
        ("front wheels' speed", view.front),
        ("rear wheels' speed", view.rear),
        ("GPS speed", view.channels.get("gps_speed")),
    )
    for words, speed in speeds:
        if speed is not None and "long_g" in view.channels:
            found.append(_own(view, "long_g", f"the change of {words}", np.gradient(speed) * RATE_HZ, [one]))
    turn, front_m_s = view.front_turn, v if view.front is None else np.maximum(view.front, MOVING_M_S)
    if lat is not None:
        if gyro is not None:
            found.append(_own(view, "lat_g", "speed x yaw rate", v * gyro, [one, v], "yaw_rate"))
        if turn is not None:
            found.append(_own(view, "lat_g", "speed x the front wheels' difference", front_m_s * turn, [one, v]))
        if steer is not None:
            asked = [steer * v**2 / (1 + (v / fast) ** 2) for fast in (np.inf, *CHARACTERISTIC_M_S)]
            found.append(_own(view, "lat_g", "what steer asks for", asked[0], [*asked[1:], one, v]))
    if gyro is not None and turn is not None:
        found.append(_own(view, "yaw_rate", "the front wheels' difference", turn, [one, v]))
    if "long_g" in view.channels and view.front is not None:
        found.append(_beside_the_car(view, "long_g", np.gradient(view.front) * RATE_HZ, [one]))
    if lat is not None and gyro is not None:
        found.append(_beside_the_car(view, "lat_g", v * gyro, [one, v]))
    return found


def _beside_the_car(view: View, channel: str, told_by: FloatArray, beside: list[FloatArray]) -> PairTest:
    """How much an accelerometer changes within two seconds that the car's motion does not; arguments as in `_own`."""
    name, use = f"{CHANNELS[channel].label} within two seconds that the car's motion does not show", _known(view)
    if use.sum() < LEAST_S * RATE_HZ:
        return untested(name, (channel,), "too little driving for it")
    rest = _rest(view.channels[channel], told_by, beside, use)
    size = scatter((rest - windows.mean(rest, QUICK_ROWS))[use])
    # one limit: a sensor that feels the car alone may still be of a wrong scale, so nobody is acquitted
    return limited(name, (channel,), size, 0.0, (None, MOST_BESIDE_THE_CAR[channel]), "m/s2", "scatter")


def _known(view: View) -> BoolArray:
    """Rows (m,) bool about which the car moves for as long as `_rest` looks."""
    return windows.least(view.moving, 2 * TAPS + 1)


def _rest(values: FloatArray, told_by: FloatArray, beside: list[FloatArray], use: BoolArray) -> FloatArray:
    """(m,) what is left of a channel once the best filter of another one is taken out; arguments as in `_own`."""
    known = np.array([*(np.roll(told_by, k) for k in range(-TAPS, TAPS + 1)), *beside]).T
    rest: FloatArray = values - known @ np.linalg.lstsq(known[use], values[use])[0]
    return rest


def _own(
    view: View, channel: str, words: str, told_by: FloatArray, beside: list[FloatArray], other: str | None = None
) -> PairTest:
    """The share of a channel's scatter within two seconds that is its own.

    Parameters
    ----------
    told_by : (m,), what it may be computed from through a filter.
    beside : (m,) each, what may be added.
    other : the channel that may be computed from this one instead.
    """
    values = view.channels[channel]
    name = f"{CHANNELS[channel].label} beyond {words}"
    use = _known(view)
    quick = values - windows.mean(values, QUICK_ROWS)
    size = float(np.std(quick[use])) if use.any() else 0.0
    holds = (channel,) if other is None else (channel, other)
    if use.sum() < LEAST_S * RATE_HZ or size < LEAST_SIZE[channel]:
        return untested(name, holds, "too little of it in this log")
    rest = _rest(values, told_by, beside, use)[use]
    return limited(name, holds, scatter(rest) / size, 0.0, (LEAST_OF_ITS_OWN, None), "1", "share of its own")
