"""What the driver asks for against what the car then does: pedals, braking within the tyres' grip, and which wheels
gain on power.
"""

from collections.abc import Mapping, Sequence

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import REAR_WHEELS, STANDARD_GRAVITY_M_S2
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, ahead_of
from analyzer.signals.pair_fit import (
    LEAST_S,
    SURE,
    SURE_OF_A_PART,
    PairTest,
    fit_pair,
    late_test,
    limited,
    thirds,
    untested,
    view_s,
)
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

BRAKE_ON_Pa = 1e5  # as in calibrate.py
# a left foot overlaps by a tenth (common practice, no source); 0.36 in a third of a drive whose front wheels lock often
MOST_DRAGGED = 0.6
MOST_BRAKING = 1.25  # of the grip, which is known to a quarter
GAINS = (1.0, 18.0)  # thousandths per m/s2; an axle that is late by 0.3 s reads as 18 more at 20 m/s
# half of the slip at which tyres' grip peaks, 0.08 to 0.15 (common practice, no source): beyond it a wheel no longer
# gains in proportion, and cars driven to spin read 21 to 43
SPINS = 0.04
# of the speed, and of the driving: none of it on 36 sound logs (`accuracy.random_sessions`, seeds 0 to 29, and
# `findings.causes`, 0 to 5); a lost tooth of 48 is 0.02, less what the wheel slips
BEHIND, BEHIND_OTHER, MOST_BEHIND = 0.005, 0.01, 0.01
LEAST_RADIUS_M = 400.0  # on less a wheel of a locked axle is behind its road by 0.002: half a track over the radius


def pedals(view: View) -> list[PairTest | None]:
    """Throttle and brake against what the car then does."""
    found: list[PairTest | None] = []
    for name, sign in (("throttle", 1), ("brake", -1)):
        if name in view.channels:
            words = f"{name} behind the {'gain' if sign > 0 else 'loss'} of speed"
            pedal, answer = view.channels[name], np.maximum(sign * view.change, 0.0)
            found.append(late_test(words, (name,), pedal, answer, view.moving, least_size=0.3))
    throttle, brake = view.channels.get("throttle"), view.channels.get("brake")
    change, use = view.change, view.moving
    if throttle is not None:
        name, holds = "throttle with change of speed", ("throttle",)
        if np.std(change[use]) < 0.3:
            found.append(untested(name, holds, "the speed hardly changes"))
        elif np.ptp(throttle[use]) < 0.02:
            found.append(limited(name, holds, 0.0, 0.0, (0.3, None), "1", "correlation: it does not move"))
        else:
            # off the brakes: a brake pedal read as a throttle tells hard deceleration from the rest, and no more
            free = use & (change > -1.5)
            together = float(np.corrcoef(throttle[free], change[free])[0, 1]) if np.ptp(throttle[free]) > 0 else 0.0
            found.append(limited(name, holds, together, 0.0, (0.45, None), "1", "correlation"))
    if brake is not None and np.ptp(brake) > 0:
        # a channel without a unit counts from its own range
        on = brake > (BRAKE_ON_Pa if brake.max() > 1e4 else 0.1 * np.percentile(brake, 99.5))
        for one in (_braked, _dragged):
            told = [one(on, view, part, when) for part, when in _whole_and_thirds(use)]
            tested = [test for test in told if test.outcome != "untested"]
            found.append(next((test for test in tested if test.outcome == "disagrees"), (tested or told)[0]))
    return found


def _whole_and_thirds(use: BoolArray) -> list[tuple[BoolArray, str]]:
    """All rows of `use` (m,) bool, and those of each third of the log, each with when that is: a sensor dies, or is
    plugged in half-way."""
    return [(use, ""), *((part, f" from {view_s(part)}") for part in thirds(use) if part.any())]


def _braked(on: BoolArray, view: View, use: BoolArray, when: str) -> PairTest:
    """Whether the brake (m,) bool is on where the car slows harder than engine and drag can, and off where it pulls."""
    name, holds = "brake with hard deceleration", ("brake",)
    hard, pulling = use & (view.change < -4.0), use & (view.change > 1.0)
    if hard.sum() < 2 * RATE_HZ or pulling.sum() < 2 * RATE_HZ:
        return untested(name, holds, "the car hardly brakes")
    told = float(np.mean(on[hard]) - np.mean(on[pulling]))
    words = f"share of hard braking with the brake on, less that of hard driving{when}"
    return limited(name, holds, told, 0.0, (0.5, None), "1", words)


def _dragged(on: BoolArray, view: View, use: BoolArray, when: str) -> PairTest:
    """Whether the brake (m,) bool is off where the car gains speed, but for a left foot that overlaps."""
    name, holds, pulling = "brake while the car gains speed", ("brake",), use & (view.change > 1.0)
    if pulling.sum() < 2 * RATE_HZ:
        return untested(name, holds, "the car hardly gains speed")
    return limited(
        name, holds, float(np.mean(on[pulling])), 0.0, (None, MOST_DRAGGED), "1", f"share with the brake on{when}"
    )


def braking(view: View, car: Car | None) -> PairTest | None:
    """No car slows faster than its tyres can: what a clock or a speed off by a factor asks for.

    Notes
    -----
    The most is mu (g + rho v^2 C_l A / 2m) + rho v^2 C_d A / 2m, mu the car file's or what the car corners with.
    """
    if car is None:
        return None
    name, holds = "hardest braking over the tyres' grip", ("time", "wheel_scale")
    air = AIR_DENSITY_KG_M3 * view.speed**2 / (2 * car.mass_kg)
    pressed = STANDARD_GRAVITY_M_S2 + air * max(car.downforce_area_m2, 0.0)
    friction = car.tyre.peak_friction
    if "lat_g" in view.channels:
        friction = max(friction, float(np.percentile((np.abs(view.channels["lat_g"]) / pressed)[view.moving], 99)))
    asked = -view.change / (friction * pressed + air * car.drag_area_m2)
    return limited(name, holds, float(np.percentile(asked[view.moving], 99.5)), 0.0, (None, MOST_BRAKING), "1", "share")


def behind(view: View) -> PairTest | None:
    """On power a driven wheel turns faster than the road, or with it; one that falls behind it, alone and time and
    again, loses pulses.

    Notes
    -----
    The road is the front axle, times what the wheel turns of it where the car neither gains nor loses speed.
    """
    name, holds = "a rear wheel alone behind the road on power", ("rear_wheels",)
    if len(view.wheels) < 4 or view.front is None:
        return None
    gyro, lat, v = view.channels.get("yaw_rate"), view.channels.get("lat_g"), np.maximum(view.speed, MOVING_M_S)
    turn = gyro if gyro is not None else None if lat is None else lat / v
    if turn is None:
        return untested(name, holds, "neither yaw rate nor lateral acceleration tells the straights")
    straight = view.rolling & (view.change > 0.0) & (np.abs(turn) < v / LEAST_RADIUS_M)
    if straight.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little power on straights")
    one, rears = np.ones_like(view.front), list[FloatArray]()
    for wheel in REAR_WHEELS:
        ahead = ahead_of(view.wheels[wheel], view.front)
        fit = fit_pair(ahead, view.change, [(one, 0.0, 0.1)], straight, view.time)
        rears.append((ahead - fit.factors[1])[straight])
    left, right = rears
    alone = [
        float(np.mean((mine < -BEHIND) & (mine - other < -BEHIND_OTHER)))
        for mine, other in ((left, right), (right, left))
    ]
    return limited(name, holds, max(alone), 0.0, (None, MOST_BEHIND), "1", "share of driving straight on")


def driven(view: View) -> PairTest | None:
    """On a straight the rear wheels gain on the front ones with acceleration; whichever columns do are driven."""
    name, holds = "rear wheels gain on front wheels on power", ("front_wheels", "rear_wheels")
    if len(view.wheels) < 4:
        return None
    straight = view.rolling & (view.change > -1.5)
    for channel, factor in (("lat_g", np.ones_like(view.speed)), ("yaw_rate", view.speed)):
        if channel in view.channels:
            across = factor * view.channels[channel]
            straight &= np.abs(across - np.median(across)) < 2.0
    if straight.sum() < LEAST_S * RATE_HZ or np.std(view.change[straight]) < 0.3:
        return untested(name, holds, "too little power on straights")
    mean = np.mean(list(view.wheels.values()), axis=0)
    ahead = {wheel: ahead_of(v, mean) for wheel, v in view.wheels.items()}
    straight &= np.all([np.abs(slip - np.median(slip[straight])) < SPINS for slip in ahead.values()], axis=0)
    if straight.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "the wheels spin wherever there is power on straights")
    # columns may change places within a log; wheels that spin in a part of it gain more, never less
    found = _gain(name, holds, ahead, view, straight, GAINS, SURE)
    parts = (_gain(name, holds, ahead, view, part, (GAINS[0], None), SURE_OF_A_PART) for part in thirds(straight))
    return next((test for test in parts if test.outcome == "disagrees"), found) if found.outcome == "agrees" else found


def _gain(
    name: str,
    holds: Sequence[str],
    ahead: Mapping[str, FloatArray],
    view: View,
    where: BoolArray,
    ends: tuple[float | None, float | None],
    sure: float,
) -> PairTest:
    """`driven` of some rows. `ahead`: wheel -> (m,) logarithm of its speed over the mean of all."""
    if where.sum() < LEAST_S / 2 * RATE_HZ:
        return untested(name, holds, "too little power on straights")
    one = np.ones(len(where))
    fits = {wheel: fit_pair(slip, view.change, [(one, 0.0, 0.1)], where, view.time) for wheel, slip in ahead.items()}
    gain = {wheel: 1e3 * fit.ratio for wheel, fit in fits.items()}
    least_rear = min(gain["wheel_speed_rl"], gain["wheel_speed_rr"])
    most_front = max(gain["wheel_speed_fl"], gain["wheel_speed_fr"])
    words = "slip in thousandths per m/s2: " + ", ".join(f"{wheel[-2:]} {value:.1f}" for wheel, value in gain.items())
    deviation = sure / SURE * 1e3 * max(fit.deviation for fit in fits.values())
    return limited(name, holds, least_rear - most_front, deviation, ends, "1e-3 s2/m", words)
