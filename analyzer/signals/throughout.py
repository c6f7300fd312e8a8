"""What stays the same all through a log: how fast the wheels of an axle turn over each other on straights, and the rear
axle over the front one. A sensor, a tyre or two columns that change places half-way show here and in no mean.
"""

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.robust import median, scatter
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, ahead_of
from analyzer.signals.pair_fit import BLOCK_S, LEAST_S, PairTest, fit_pair, limited, thirds, untested
from analyzer.signals.speed_tests import CORNERING_M_S2, STEADY_M_S2, grips

STRAIGHT_M_S2, FAST_M_S = 1.0, 10.0  # of lateral acceleration: as good as straight; no pit lane
LEAST_ROWS, LEAST_BLOCKS, LEAST_OF_A_THIRD_S = 15, 4, 4.0
# all but one straight: 0.0019 at most on 41 random cars' laps, 0.0024 on circles, which hardly have straights
STRAIGHTS_APART = 0.004
# thirds of a log: 0.0001 to 0.007 on the straights of 97 sound logs, 0.0096 with a deviation of 0.003 where half of it
# was wet; 0.0001 to 0.0046 in left turns less right ones. One wheel 2 % off on one side makes 0.0086 to 0.011. What the
# rows of a corner scatter by is the same in every lap, and says nothing of how sure that is
THIRDS_APART, SIDES_APART = 0.005, 0.006
# where slip of power is taken out: 0.0005 to 0.0061 on 61 sound logs; the rear wheels of the lap before 0.019
MOST_SCATTER = 0.012


def throughout(view: View) -> list[PairTest]:
    """Wheels of one axle over each other, and the axles, from part to part of the log."""
    across = view.across
    if across is None:
        return []
    found = list[PairTest]()
    for words, end in (("front", "f"), ("rear", "r")):
        pair = [view.wheels.get(f"wheel_speed_{end}{side}") for side in "lr"]
        if pair[0] is not None and pair[1] is not None:
            found.append(_wheels(words, ahead_of(pair[0], pair[1]), view, across))
    if view.front is not None and view.rear is not None:
        found += _axles(view, across)
    return found


def _wheels(words: str, ahead: FloatArray, view: View, across: FloatArray) -> PairTest:
    """The speeds of an axle's two wheels keep their ratio from straight to straight, whatever that ratio is."""
    name, holds = f"{words} left wheel over {words} right wheel, from straight to straight", (f"{words}_wheels",)
    # on a wet straight the driven wheels spin, one more than the other
    use = view.rolling & (np.abs(across) < STRAIGHT_M_S2) & (view.speed > FAST_M_S) & grips(view)
    block = (view.time // BLOCK_S).astype(int)
    if use.any():
        bend = across / np.maximum(view.speed, MOVING_M_S) ** 2
        fit = fit_pair(ahead, bend, [(np.ones_like(bend), 0.0, 0.1)], use, view.time)
        ahead = ahead - fit.ratio * bend
    parts = [use & (block == k) for k in np.unique(block[use])]
    each = np.array([median(ahead[part]) for part in parts if part.sum() >= LEAST_ROWS])
    if len(each) < LEAST_BLOCKS:
        return untested(name, holds, "too few straights")
    apart = np.sort(np.abs(each - median(each)))[-2]
    return limited(name, holds, float(apart), 0.0, (None, STRAIGHTS_APART), "1", "share, all straights but one")


def _axles(view: View, across: FloatArray) -> list[PairTest]:
    """The rear axle over the front one, less what slip of power and of corners makes of it: on straights, in each third
    of the log, and in left turns against right ones from third to third.

    Notes
    -----
    The middle of an axle knows nothing of its differential; see `speed_tests._axle_in_turns`.
    """
    axles, holds = "rear axle over front axle", ("rear_wheels", "front_wheels")
    assert view.front is not None and view.rear is not None
    ahead, v = ahead_of(view.rear, view.front), np.maximum(view.speed, MOVING_M_S)
    use = view.rolling & (view.change > -STEADY_M_S2) & grips(view)
    one, bend, corner = np.ones_like(v), np.abs(across) / v**2, across**2
    push, coast = np.maximum(view.change, 0.0), np.minimum(view.change, 0.0)
    between = [(coast, 0.1), (one, 0.1), (corner, 1e-3), (bend, 1.0), (bend**2, 10.0), (view.change / v, 0.5)]
    between += [(push * np.abs(across), 0.01), (push * corner, 1e-3), (v**2, 1e-4)]
    throttle = view.channels.get("throttle")
    if throttle is not None:
        between += [(throttle, 0.1), (throttle / v, 1.0), (throttle * corner, 1e-3)]
    if use.sum() < 3 * LEAST_OF_A_THIRD_S * RATE_HZ:
        return [untested(axles, holds, "too little driving for it")]
    fit = fit_pair(ahead, push, [(x, 0.0, sd) for x, sd in between], use, view.time)
    rest = ahead - fit.factors @ np.array([push, *(x for x, _ in between)])
    side = np.sign(across) * (np.abs(across) > CORNERING_M_S2)
    found, straight = list[PairTest](), use & (side == 0)
    if straight.sum() >= LEAST_S * RATE_HZ:
        words = "scatter: they hardly follow each other"
        size = scatter(rest[straight])
        found.append(limited(f"{axles}, on straights", holds, size, 0.0, (None, MOST_SCATTER), "1", words))
    level, left, right = (np.array([_level(rest[part]) for part in thirds(use & (side == s))]) for s in (0, 1, -1))
    # as tyres warm up or rain falls their slip under power changes, by the same amount left and right
    blocks = straight.sum() / len(level) / RATE_HZ / BLOCK_S
    unsure = scatter(rest[straight]) * np.sqrt(2 / max(blocks, 1.0)) if straight.any() else 0.0
    for words, parts, deviation, most in (
        ("from third to third of the straights", level, unsure, THIRDS_APART),
        ("left turns less right ones, from third to third", left - right, 0.0, SIDES_APART),
    ):
        known = parts[np.isfinite(parts)]
        name = f"{axles}, {words}"
        if len(known) < 2:
            found.append(untested(name, holds, "too little driving for it"))
        else:
            found.append(limited(name, holds, float(np.ptp(known)), float(deviation), (None, most), "1", "share"))
    return found


def _level(rest: FloatArray) -> float:
    """The middle of a third of a log (k,), NaN where that is too little."""
    return median(rest) if len(rest) >= LEAST_OF_A_THIRD_S * RATE_HZ else np.nan
