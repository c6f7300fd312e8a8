"""What repeats once a turn of a wheel. No sensor ring is even: the speed that a wheel shows is off by the same at the
same place of every turn, a few hundredths of a per cent. So a log counts its own turns, and they must be those that
its speed, its clock and the rolling radius make.
"""

from collections.abc import Sequence

import numpy as np

from analyzer import windows
from analyzer.arrays import FloatArray
from analyzer.logs.recording import Recording
from analyzer.robust import scatter
from analyzer.signals.log_stretches import NOMINAL_RADIUS_M, known
from analyzer.signals.pair_fit import PairTest, limited, untested
from analyzer.vehicle.car import Car

# a block of turns: their place is then known to 1/256 of an order, and a gap of the log spoils one of them
TURNS, PLACES = 256, 64
# a ring that is uneven at random has the same power at every order; four orders alone fit 3/4 and 4/3 of a turn as well
ORDERS = range(1, 17)
TRIED = np.arange(0.74, 1.36, 0.002)  # turns a period of the noise; other tests tell what is further off
AROUND = 33  # steps of a spectrum, an eighth of an order: at one speed the noise of rows differs from order to order
TURNING_M_S = 8.0  # slower, the steps of a logged speed are as large
LEAST_ROWS, MOST_TURNS_S = 200, 100.0  # a wheel that turns faster on the mean is in a wrong unit, and costs memory
WILD = 3.0  # of the noise's scatter: kerbs and gear shifts
# beyond what the radius may be off by, a wheel's calibration: 0.993 to 1.006 on 86 sound logs, whose wheels are
# calibrated to 0.4 %
CALIBRATED, USUAL_RADIUS_PERCENT = 0.008, 1.2
WHEELS_APART = 4  # of `TRIED`: wheels of one car, each with its radius
# What the best inside the limits and the best outside must be apart (logarithm of the power over its median, summed
# over both wheels): 0.23 at least on 63 random cars and 0.76 on 23 other sound logs, all at the true turn; 0.21 at most
# where the wheels were a median and noise, and at any turn
CLEAR = 0.35


def once_a_turn(recording: Recording, car: Car | None) -> list[PairTest]:
    """The turns of each axle's wheels by speed, clock and radius over those that their own unevenness shows; nothing of
    an axle without both.

    Notes
    -----
    Second differences of ln(speed) over the angle that the column itself makes, integral of v dt / R: a Fourier
    transform of each block, whose power at the orders 1, 2, ... of a trial turn is compared. In the angle the rate of
    the log bounds nothing, for a wheel turns at ever other speeds (order tracking).
    """
    turning, found = recording.wheel_speed_unit == "rad/s", list[PairTest]()
    for words, end in (("front", "f"), ("rear", "r")):
        wheels = [f"wheel_speed_{end}{side}" for side in "lr"]
        if not recording.channels.keys() >= {*wheels}:
            continue
        name = f"turns of the {words} wheels by speed x time over those that repeat"
        holds = (f"{words}_wheels", "wheel_scale", "time", *(() if turning else ("radius",)))
        if car is None and not turning:
            found.append(untested(name, holds, "the rolling radii are not known without a car file"))
            continue
        rolling = NOMINAL_RADIUS_M
        if car is not None:
            rolling = car.front_rolling_radius_m if end == "f" else car.rear_rolling_radius_m
        each = list[FloatArray]()
        for wheel in wheels:
            time, values = known(recording.time_s, recording.channels[wheel])
            each += _power(time, values / (1.0 if turning else rolling), TURNING_M_S / rolling)
        found.append(_told(name, holds, each, _ends(car)))
    return found


def _ends(car: Car | None) -> tuple[float, float]:
    """Three deviations of what the fit believes of a radius (`log_speed_scale` in `vehicle/parameters.py`), and what
    its wheel is calibrated to."""
    percent = USUAL_RADIUS_PERCENT if car is None else car.uncertainty.rolling_radius_percent
    reach = CALIBRATED + 3 * percent / 100 / np.sqrt(3)
    return round(1 - float(reach), 3), round(1 + float(reach), 3)


def _told(name: str, holds: Sequence[str], each: Sequence[FloatArray], ends: tuple[float, float]) -> PairTest:
    """The test of one axle, from `_power` of its wheels."""
    if len(each) < 2:
        return untested(name, holds, "too little driving for it")
    total = np.sum([windows.greatest(power, 2 * WHEELS_APART + 1) for power in each], axis=0)
    inside = (1 / TRIED > ends[0]) & (1 / TRIED < ends[1])
    best, other = (float(total[where].max()) for where in (inside, ~inside))
    if abs(best - other) < CLEAR:
        return untested(name, holds, "nothing repeats clearly enough")
    middle = int(np.argmax(total))
    near = slice(max(middle - WHEELS_APART, 0), middle + WHEELS_APART + 1)
    own = np.array([1 / TRIED[near][np.argmax(power[near])] for power in each])
    # known to a step; what the wheels of an axle are apart is in the limits
    return limited(name, holds, float(np.mean(own)), float(TRIED[1] - TRIED[0]), ends, "1", "ratio")


def _power(time: FloatArray, turning_rad_s: FloatArray, least_rad_s: float) -> list[FloatArray]:
    """Logarithm of the power at the orders of each of `TRIED`, mean over the orders, each over its median.

    Parameters
    ----------
    time, turning_rad_s : (n,) of a wheel.
    least_rad_s : slower rows do not count.

    Returns
    -------
    list : of one array as long as `TRIED`; of none where the drive is less than two blocks, or no wheel's.
    """
    if len(time) < LEAST_ROWS:
        return []
    turned = np.cumsum(np.maximum(turning_rad_s, 0.0) * np.gradient(time)) / (2 * np.pi)
    count = int(turned[-1] // TURNS)
    if count < 2 or turned[-1] > MOST_TURNS_S * (time[-1] - time[0]):
        return []
    rest = np.zeros(len(time))
    rest[1:-1] = np.diff(np.log(np.maximum(turning_rad_s, 1.0)), n=2)
    use = turning_rad_s > least_rad_s
    size = scatter(rest[use], about=0.0) if use.any() else 0.0
    rest = np.where(use, np.clip(rest, -WILD * size, WILD * size), 0.0)
    place = np.floor(turned * PLACES).astype(int)
    inside = place < count * TURNS * PLACES
    blocks = np.bincount(place[inside], rest[inside], minlength=count * TURNS * PLACES).reshape(count, -1)
    energy = np.sum(blocks**2, axis=1)
    if not energy.any():
        return []
    power = np.abs(np.fft.rfft(blocks[energy > 0], axis=1)) ** 2 / energy[energy > 0, None]
    spectrum = power.mean(axis=0)
    spectrum = spectrum / np.maximum(windows.median(spectrum, AROUND), np.finfo(float).tiny)
    found, step = np.zeros(len(TRIED)), TRIED[1] - TRIED[0]
    for order in ORDERS:
        edges = np.append(TRIED - step / 2, TRIED[-1] + step / 2) * order * TURNS
        first, last = np.floor(edges[:-1]).astype(int), np.ceil(edges[1:]).astype(int) + 1
        highest = np.maximum.reduceat(spectrum[: last[-1]], np.column_stack([first, last]).ravel()[:-1])[::2]
        found += highest / np.median(highest)
    return [np.log(found / len(ORDERS))]
