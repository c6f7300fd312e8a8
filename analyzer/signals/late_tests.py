"""How late channels come that measure one thing. A delay hardly moves a ratio and hides in a correlation, and costs the
curve as much as a wrong scale; what a car itself puts between two channels is known to a tenth of a second.
"""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import REAR_WHEELS
from analyzer.logs.recording import Recording
from analyzer.robust import median
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, ahead_of, smooth
from analyzer.signals.pair_fit import (
    LEAST_S,
    RADIUS_BY_LOAD_S2_M,
    USUAL_RATIO,
    USUAL_WHEELBASE_M,
    Between,
    PairTest,
    fit_pair,
    limited,
    untested,
)
from analyzer.vehicle.car import Car

FOLLOWS = 0.7  # correlation below which two do not go together closely enough to time them
STEADY_SHED = 0.7  # of its load: an inner front wheel that is lighter lags
# the brakes are on; for so long at the least
HARD_BRAKING_M_S2, LEAST_BRAKING_S = -4.0, 3.0
# What a car puts between two channels (s), rounded outwards from 84 sound logs: random cars 0 to 40 with everything
# real cars do, circles and slow laps of 11 to 14, multi-body cars 3 and 4, truth, rough and protocol logs. Side slip
# makes lateral acceleration late, and early on a car that yaws about a point far behind it: -0.05 to 0.15
LATERAL_BEHIND_GYRO_S = (-0.1, 0.18)
# a light inner wheel lags: -0.02 to 0.16 by the gyro, -0.13 to 0.12 by lateral acceleration
FRONT_BEHIND_GYRO_S, FRONT_BEHIND_LATERAL_S = (-0.08, 0.2), (-0.17, 0.16)
# tyres need a moment: -0.18 to -0.03 by the gyro, -0.21 to -0.003 by the front wheels
STEER_BEHIND_TURN_S = (-0.25, 0.04)
# once slip is taken out, which goes with the brakes' force and not with the speed: -0.053 to 0.059 on 147 sound logs,
# among them a heavy car whose front brakes do nearly all
FRONT_BEHIND_REAR_S = (-0.1, 0.1)
# on straights a driven axle's wheels change their speed together: 0.014 at most on 113 sound logs before slip was taken
# out, without which the multi-body car reads 0.06; of 217 more four were over 0.02 by more than two deviations, for
# unlike rear brakes, two of them off the brakes as well. 0.03 s took the lock curve 140 N.m out of its interval
REARS_APART_S, STRAIGHT_M_S2, FAST_M_S = 0.02, 2.0, 10.0


def late(view: View, recording: Recording, car: Car | None) -> list[PairTest]:
    """Turning channels and axles, each timed by another one."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    gyro, lat, steer = (view.channels.get(name) for name in ("yaw_rate", "lat_g", "steer"))
    front, by_load = view.front_turn, RADIUS_BY_LOAD_S2_M / view.track_m
    found = [_axles(view), _rears(view)]
    if gyro is not None and lat is not None:
        name, holds = "lateral acceleration behind speed x yaw rate", ("lat_g", "yaw_rate")
        between = [(one, 0.0, 1.0), (v, 0.0, 0.1)]
        found.append(_behind(name, holds, lat, v * gyro, between, view, view.moving, LATERAL_BEHIND_GYRO_S))
    turn = gyro if gyro is not None else None if lat is None else lat / v
    by, words = ("yaw_rate", "yaw rate") if gyro is not None else ("lat_g", "lateral acceleration / speed")
    if front is not None and turn is not None:
        zero = [] if gyro is not None else [(1 / v, 0.0, 1.0)]
        between = [(one, 0.0, 0.02), (v, 0.0, 0.01), (v * v * turn, by_load, by_load), *zero]
        use = view.rolling & (view.shed(car, v * turn) < STEADY_SHED)
        ends = FRONT_BEHIND_LATERAL_S if gyro is None else FRONT_BEHIND_GYRO_S
        name = f"front wheels' difference behind {words}"
        found.append(_behind(name, ("front_wheels", by), front, turn, between, view, use, ends))
    other = gyro if gyro is not None else front
    if steer is not None and other is not None:
        by, words = ("yaw_rate", "yaw rate") if gyro is not None else ("front_wheels", "the front wheels' difference")
        ratio = 1.0 if recording.steer_at == "road_wheel" else car.steering_ratio if car else USUAL_RATIO
        wheelbase = car.wheelbase_m if car else USUAL_WHEELBASE_M
        between = [(one, 0.0, 0.1), (v, 0.0, 0.1), (v * v * other, 1e-3 / wheelbase, 2e-3 / wheelbase)]
        asked, use = steer / ratio / wheelbase * v, view.gentle(np.abs(v * other))
        name = f"steer behind {words}"
        found.append(_behind(name, ("steer", by), asked, other, between, view, use, STEER_BEHIND_TURN_S))
    return [test for test in found if test is not None]


def _behind(
    name: str,
    holds: Sequence[str],
    a: FloatArray,
    b: FloatArray,
    between: Between,
    view: View,
    where: BoolArray,
    ends: tuple[float, float],
) -> PairTest:
    """How much later than b (m,) a (m,) comes: a = ratio (b - delay db/dt) + what lies between them."""
    if where.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little driving for it")
    fit = fit_pair(a, b, [(-np.gradient(b) * RATE_HZ, 0.0, 1.0), *between], where, view.time)
    if fit.together < FOLLOWS:
        return untested(name, holds, "they do not go together closely enough to time them")
    delay, deviation = fit.factors[1] / fit.ratio, fit.deviations[1] / fit.ratio
    return limited(name, holds, float(delay), float(deviation), ends, "s", "delay")


def _rears(view: View) -> PairTest | None:
    """How much one rear wheel comes after the other, by their changes of speed on straights."""
    name, holds = "one rear wheel behind the other, on straights", ("rear_wheels",)
    across, v = view.across, np.maximum(view.speed, MOVING_M_S)
    if across is None or not view.wheels.keys() >= {*REAR_WHEELS}:
        return None
    left, right = (np.gradient(smooth(view.wheels[wheel])) * RATE_HZ for wheel in REAR_WHEELS)
    straight = view.moving & (np.abs(across) < STRAIGHT_M_S2) & (v > FAST_M_S)
    # what one slips more than the other by goes with the speed, a delay does not
    slip, ends = np.gradient(right) * RATE_HZ * v + right**2, (-REARS_APART_S, REARS_APART_S)
    # a brake that pulls more on its side makes one of them slip, and lag; a wheel that is late is so off the brakes too
    told = _behind(name, holds, left, right, [(slip, 0.0, 0.01)], view, straight, ends)
    if told.outcome == "disagrees":
        off_the_brakes = _behind(name, holds, left, right, [(slip, 0.0, 0.01)], view, straight & view.rolling, ends)
        told = off_the_brakes if off_the_brakes.is_within else told
    # one limit: that both come at once says nothing of their scale, so nobody is acquitted
    return told if told.number is None else replace(told, number=abs(told.number), lowest=None)


def _axles(view: View) -> PairTest | None:
    """How much later the front wheels come than the rear ones: under braking a delay makes them differ by itself times
    the change of speed over the speed, and slip by what the brakes' force alone makes of it."""
    if view.front is None or view.rear is None:
        return None
    name, holds = "front wheels' speed behind the rear wheels', on the brakes", ("front_wheels", "rear_wheels")
    ahead, hard = ahead_of(view.rear, view.front), view.moving & (view.change < HARD_BRAKING_M_S2)
    if hard.sum() < LEAST_BRAKING_S * RATE_HZ:
        return untested(name, holds, "the car hardly brakes")
    usual, slowing = median(ahead[view.rolling]) if view.rolling.any() else 0.0, -view.change
    between = [(slowing, 0.0, 0.01), (slowing**2, 0.0, 1e-3)]
    fit = fit_pair(usual - ahead, slowing / np.maximum(view.speed, MOVING_M_S), between, hard, view.time)
    return limited(name, holds, fit.ratio, fit.deviation, FRONT_BEHIND_REAR_S, "s", "delay")
