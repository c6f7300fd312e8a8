"""What tells how fast the car goes and how its speed changes: axles, satellites, position, accelerometer."""

from collections.abc import Sequence

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray
from analyzer.robust import scatter
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, ahead_of, place_of, smooth
from analyzer.signals.pair_fit import (
    BLOCK_S,
    LEAST_S,
    SCALES,
    Between,
    PairFit,
    PairTest,
    fit_pair,
    limited,
    pair_test,
    quick_test,
    untested,
)
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

BENT_SCALE = (0.988, 1.012)
STEADY_M_S2 = 1.5  # the car neither gains nor loses speed
# of the rear axle's speed over the front one's, left turns against right ones: 0.0015 where it hardly slips; tyres,
# loads and slopes that are unlike by a fifth make the slip of corners so. A rear wheel off by 2 % in turns of one
# side makes 0.005
UNLIKE_SIDES = 0.2
# corners to the left climb by 1 % more than those to the right (hills of 2 to 3 %, of which five and five corners see
# unlike parts; random car 25)
SLOPE_M_S2 = 0.1
ONE_SIDED_AXLE, LEAST_ON_A_SIDE_S, CORNERING_M_S2, SLIPS = 0.002, 5.0, 2.0, 0.03
# of driven tyres at steady speed; 0.024 at most on sound logs (`accuracy.random_sessions`, seeds 0 to 13)
MOST_STEADY_SLIP = 0.025
# within 2 % of top speed for so long at the least; what is left of the accelerometer there is 0.6 at most on 60 sound
# logs, hills of 6 % among them, and 0.8 to 5 where the wheels were cut off at 0.9 of it
TOP_SHARE, LEAST_AT_TOP_S, MOST_AT_TOP_M_S2, FOLLOWS = 0.98, 6.0, 1.0, 0.9
# a mean over so long leaves what a corner and a straight change; 40 sound logs (`accuracy.random_sessions`, 0 to 8 with
# circles among them) read 0.90 to 1.15, for hills are slow, an accelerometer filtered over seconds 1.35
SLOW_S, SLOW_OVER_FAST = 12.0, 1.25
# 0.97 to 1.05 on 110 sound logs and 0.974 to 1.039 on 109 more, with deviations of 0.004: a unit that pitches with the
# body by 2 deg/g reads 1.035, and its scale errs by a hundredth (common practice, no source)
ALONG_ENDS = (0.95, 1.06)
# off the brakes, by the front wheels alone, which hardly slip there: uphill a car gains less than it feels, so sound
# logs read 0.84 to 1.04 (113 of them)
MOST_OFF_THE_BRAKES = 1.07
# over the log, a twentieth of g: 0.31 at most on 113 sound logs
DRIFT_M_S2 = 0.5
# over so long what a receiver and the tyres add is small: 0.0015 to 0.0054 on 48 sound logs (random cars 0 to 39,
# circles and slow laps of 11 to 14); a clock that wanders by 5 % within 20 s makes 0.046
PACE_S, MOST_APART = 5.0, 0.015
LEAST_RATIO = 0.1  # an accelerometer that hardly shows anything: what goes with what fails already
LEAST_CHANGE_M_S2 = 0.25  # scatter of the change of speed; less is too little to test
# 3.4 degrees; off the brakes, less two deviations, 0.041 at most on 218 sound logs, whose units are turned by up to 1.5
# degrees; 5 degrees took the lock curve 54 N.m out of its interval
TURNED_RAD = 0.06


def _axle_ends(car: Car | None) -> tuple[float, float]:
    """What the rear axle's speed may be over the front one's: three deviations of what the fit believes of the radii
    (`rear_front_scale` in `vehicle/parameters.py`), and what driven tyres slip by; any tyres without a car file."""
    if car is None:
        return 0.94, 1.07
    reach = 3 * float(np.sqrt(2 / 3)) * car.uncertainty.rolling_radius_percent / 100
    return 1 - reach, 1 + reach + MOST_STEADY_SLIP


def speeds(view: View, car: Car | None) -> list[PairTest | None]:
    """What tells the speed: both axles, satellites, position."""
    steady = view.rolling & (np.abs(view.change) < 1.0)
    found: list[PairTest | None] = []

    def ratio(name: str, holds: Sequence[str], a: FloatArray, b: FloatArray, ends: tuple[float, float]) -> PairTest:
        if steady.sum() < LEAST_S / 4 * RATE_HZ:
            return untested(name, holds, "too little steady driving")
        logs = np.log(np.maximum(a[steady], 0.05) / np.maximum(b[steady], 0.05))
        middle = float(np.median(logs))
        apart = scatter(logs, about=middle)
        if apart > 0.1:  # ten times what slip, circumference and a receiver's lag leave
            words = "scatter of the ratio: they hardly follow each other"
            return limited(name, [h for h in holds if h not in SCALES], apart, 0.0, (None, 0.1), "1", words)
        sure = apart / np.sqrt(max(steady.sum() / RATE_HZ / BLOCK_S, 1.0))
        return limited(name, holds, float(np.exp(middle)), sure, ends, "1", "ratio")

    gps, place = view.channels.get("gps_speed"), place_of(view)
    if view.front is not None and view.rear is not None:
        found.append(
            ratio(
                "rear wheels over front wheels",
                ("front_wheels", "rear_wheels", "radius"),
                view.rear,
                view.front,
                _axle_ends(car),
            )
        )
        found.append(
            quick_test(
                "change of front wheels' speed over rear wheels', quick over slow",
                ("rear_wheels",),
                np.gradient(view.front) * RATE_HZ,
                np.gradient(view.rear) * RATE_HZ,
                view.rolling,
                least_size=LEAST_CHANGE_M_S2,
            )
        )
        found.append(_axle_in_turns(view, car))
    if gps is not None:
        found.append(_same_at_all_speeds(view, gps, steady))
        found.append(ratio("wheel speeds over GPS speed", ("wheel_scale", "gps_speed"), view.speed, gps, (0.95, 1.05)))
    for end, words in (("f", "front"), ("r", "rear")):
        pair = [view.wheels.get(f"wheel_speed_{end}{side}") for side in "lr"]
        if pair[0] is not None and pair[1] is not None:
            name = f"{words} left wheel over {words} right wheel"
            found.append(ratio(name, (f"{words}_wheels",), pair[0], pair[1], (0.947, 1.056)))
    if place is not None:
        moved = np.hypot(*(np.gradient(smooth(x)) * RATE_HZ for x in place))
        found.append(
            ratio(
                "wheel speeds over the position's path",
                ("wheel_scale", "position", "time"),
                view.speed,
                moved,
                (0.93, 1.07),
            )
        )
        found.append(_at_all_times(view, moved))
    return found


def _at_all_times(view: View, moved_m_s: FloatArray) -> PairTest:
    """A clock that runs fast and slow by turns makes the path's speed over the wheels' wander, and so does a position
    that jumps."""
    name, holds, rows = "wheel speeds over the position's path, from time to time", ("pace",), round(PACE_S * RATE_HZ)
    use = windows.least(view.moving, rows)
    if use.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little driving for it")
    wheels, path = (np.maximum(windows.mean(speed, rows), 0.05)[use] for speed in (view.speed, moved_m_s))
    apart = scatter(np.log(wheels / path))
    return limited(name, holds, apart, 0.0, (None, MOST_APART), "1", "scatter of the ratio over 5 s")


def grips(view: View) -> BoolArray:
    """(m,) bool: the rear axle's middle goes with the front's as it usually does. All of a view without an axle."""
    if view.front is None or view.rear is None or not view.rolling.any():
        return np.ones_like(view.rolling)
    ahead = ahead_of(view.rear, view.front)
    close: BoolArray = np.abs(ahead - np.median(ahead[view.rolling])) < SLIPS
    return close


def _axle_in_turns(view: View, car: Car | None) -> PairTest:
    """The middle of an axle knows no left or right, whatever the differential does: what its two wheels gain of each
    other cancels. So nothing but a wheel that is wrong in turns of one side tells them apart.

    Notes
    -----
    At steady speed and small slip, ln(u_r/u_f) = c_0 + slip of power and of coast + c a^2 + c |k| + c k^2 + c_s side:
    the tyres' slip in corners, a locked axle that rolls about its heavier wheel, the front axle's longer way round.
    """
    name, holds = "rear axle over front axle, left turns against right ones", ("rear_wheels", "front_wheels")
    assert view.front is not None and view.rear is not None
    across, v = view.across, np.maximum(view.speed, MOVING_M_S)
    if across is None:
        return untested(name, holds, "neither yaw rate nor lateral acceleration tells the side")
    ahead = ahead_of(view.rear, view.front)
    bend, side = np.abs(across) / v**2, np.sign(across) * (np.abs(across) > CORNERING_M_S2)
    use = view.rolling & (np.abs(view.change) < STEADY_M_S2) & grips(view)
    seconds = [float(np.sum(use & (side == s))) / RATE_HZ for s in (1, -1)]
    if use.sum() < LEAST_S * RATE_HZ or min(seconds) < LEAST_ON_A_SIDE_S:
        return untested(name, holds, "too little steady cornering to both sides")
    straight = view.rolling & (side == 0)
    if straight.sum() < LEAST_ON_A_SIDE_S * RATE_HZ:
        return untested(name, holds, "too little driving straight on")
    # the wheels do not know how steep the road is; an accelerometer does, but in a turn it feels side slip and how it
    # is turned: 0.3 to 0.6 m/s2 more to one side. The truth lies anywhere between the two
    long = view.channels.get("long_g")
    # what the tyres push against the air shows in neither; corners to one side may be the faster ones
    drag = np.zeros_like(v) if car is None else AIR_DENSITY_KG_M3 * car.drag_area_m2 / (2 * car.mass_kg) * v**2
    # nor does the change of speed show how steep the road is, but the throttle does
    throttle = view.channels.get("throttle")
    pedal = [] if throttle is None else [(throttle, 0.0, 0.1), (throttle / v, 0.0, 1.0)]
    told = [
        _one_sided(ahead, push, drag, straight, use, (across, bend, side), pedal, view.time)
        for push in ([view.change] if long is None else [view.change, smooth(long)])
    ]
    number, deviation, per_push, slip = np.mean(told, axis=0)
    apart = SLOPE_M_S2 * per_push if long is None else np.ptp([each[0] for each in told]) / np.sqrt(12)
    most = round(ONE_SIDED_AXLE + UNLIKE_SIDES * slip, 4)
    return limited(name, holds, float(number), float(np.hypot(deviation, apart)), (-most, most), "1", "share")


def _one_sided(
    ahead: FloatArray,
    push: FloatArray,
    drag: FloatArray,
    straight: BoolArray,
    use: BoolArray,
    turn: tuple[FloatArray, FloatArray, FloatArray],
    pedal: Between,
    time: FloatArray,
) -> tuple[float, float, float, float]:
    """By how much the rear axle is ahead of the front one more in left turns (1), its standard deviation, how much a
    push makes (1 per m/s2), and the slip in turns.

    Parameters
    ----------
    ahead, push, drag : (m,) ln(u_r/u_f), what pushes the car, and what the air takes of it (m/s2).
    straight, use : (m,) rows straight on, and all that count.
    turn : lateral acceleration, bend and side, (m,) each.
    pedal : what the throttle makes of it.
    """
    across, bend, side = turn
    one, asked = np.ones_like(push), push + drag
    power, coast = np.maximum(asked, 0.0), np.minimum(asked, 0.0)
    # cars seldom hold their speed on a straight: what the axle is ahead by there, taken down to no power
    drive = fit_pair(ahead, push, [(one, 0.0, 0.1)], straight, time)
    slip = sum(float(np.median(ahead[use & (side == s)])) for s in (1, -1)) / 2 - float(drive.factors[1])
    between = [(coast, 0.0, 0.1), (one, 0.0, 0.1), (across**2, 0.0, 1e-3), (bend, 0.0, 1.0), (bend**2, 0.0, 10.0)]
    fit = fit_pair(ahead, power, [*between, *pedal, (side, 0.0, 0.1)], use, time)
    return float(fit.factors[-1]), float(fit.deviations[-1]), abs(drive.ratio), max(slip, 0.0)


def _same_at_all_speeds(view: View, gps: FloatArray, steady: BoolArray) -> PairTest:
    """A wheel's circumference grows by some tenths of a per cent with speed, no more: a bent scale is a wrong one."""
    name, holds = "wheel speeds over GPS speed, at high over low speed", ("wheel_scale", "gps_speed")
    low, high = (np.percentile(view.speed[steady], p) for p in (25, 75)) if steady.any() else (0.0, 0.0)
    if steady.sum() < LEAST_S * RATE_HZ or high < 1.3 * low:
        return untested(name, holds, "too much of one speed")
    logs = np.log(np.maximum(view.speed, 0.05) / np.maximum(gps, 0.05))
    slow, fast = logs[steady & (view.speed < low)], logs[steady & (view.speed > high)]
    sure = scatter(fast) / np.sqrt(len(fast) / RATE_HZ / BLOCK_S + 1.0)
    number = float(np.exp(np.median(fast) - np.median(slow)))
    return limited(name, holds, number, sure, BENT_SCALE, "1", "ratio")


def changes(view: View) -> list[PairTest | None]:
    """What tells the change of speed."""
    long, lat = view.channels.get("long_g"), view.channels.get("lat_g")
    if long is None:
        return []
    one = np.ones_like(long)
    across = lat if lat is not None else view.speed * view.channels.get("yaw_rate", 0.0 * one)
    between = [(one, 0.0, 1.0), (across**2, 0.0, 0.02)]  # offset, and what the accelerometer has of side slip
    quick: list[PairTest | None] = [
        quick_test(
            f"longitudinal acceleration over change of {end} wheels' speed, quick over slow",
            (f"{end}_wheels",),
            long,
            np.gradient(speed) * RATE_HZ,
            view.moving,
            least_size=LEAST_CHANGE_M_S2,
        )
        for end, speed in (("front", view.front), ("rear", view.rear))
        if speed is not None
    ]
    if view.front is not None:  # off the brakes, for wheels that lock are quicker than the car
        name = "change of front wheels' speed over longitudinal acceleration, quick over slow"
        change = np.gradient(view.front) * RATE_HZ
        quick.append(quick_test(name, ("long_g",), change, long, view.rolling, least_size=LEAST_CHANGE_M_S2))
    slow = smooth(long)  # as often as the change of speed, or throttle pulses read too large
    return [
        *quick,
        pair_test(
            "longitudinal acceleration over change of wheel speed",
            ("long_g", "wheel_scale", "time"),
            slow,
            view.change,
            between,
            view.moving,
            ends=ALONG_ENDS,
            least_size=LEAST_CHANGE_M_S2,
        ),
        *_off_the_brakes(view, slow, between),
        _drift(view, slow, between),
        _slow_over_fast(view, slow, between),
        _at_the_top(view, slow, between),
        _turned(view, slow, between),
    ]


def _off_the_brakes(view: View, long: FloatArray, between: Between) -> list[PairTest]:
    """A scale that is off on power alone hides behind the brakes, which are five times as strong."""
    name, holds = "longitudinal acceleration over change of front wheels' speed, off the brakes", ("long_g",)
    if view.front is None:
        return []
    if view.rolling.sum() < LEAST_S * RATE_HZ or np.std(view.change[view.rolling]) < LEAST_CHANGE_M_S2:
        return [untested(name, holds, "too little change of speed")]
    fit = fit_pair(long, np.gradient(smooth(view.front)) * RATE_HZ, between, view.rolling, view.time)
    ends = (None, MOST_OFF_THE_BRAKES)
    return [limited(name, (*holds, "wheel_scale", "time"), fit.ratio, fit.deviation, ends, "1", "ratio")]


def _drift(view: View, long: FloatArray, between: Between) -> PairTest:
    """An accelerometer whose zero moves, which hills do not: every lap has the same."""
    name, holds = "drift of longitudinal acceleration", ("long_g",)
    if view.moving.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little driving for it")
    later = view.time / view.time[-1] - 0.5
    fit = fit_pair(long, view.change, [*between, (later, 0.0, 10.0)], view.moving, view.time)
    # one limit, as in `_turned`
    return limited(name, holds, abs(fit.factors[-1]), fit.deviations[-1], (None, DRIFT_M_S2), "m/s2", "over the log")


def _slow_over_fast(view: View, long: FloatArray, between: Between) -> PairTest:
    """A filter of the accelerometer takes more off fast changes than off slow ones; a scale or a clock the same."""
    name, holds = "longitudinal acceleration over change of wheel speed, slow over fast", ("long_g",)
    if view.moving.sum() < LEAST_S * RATE_HZ or np.std(view.change[view.moving]) < LEAST_CHANGE_M_S2:
        return untested(name, holds, "too little change of speed")

    def held(width: int) -> PairFit:
        mean = [windows.mean(x, width, mirrored=True) for x in (long, view.change, *(x for x, _, _ in between))]
        known = [(x, of, sd) for x, (_, of, sd) in zip(mean[2:], between, strict=True)]
        return fit_pair(mean[0], mean[1], known, view.moving, view.time)

    fast, slow = held(1), held(round(SLOW_S * RATE_HZ))
    ratio = max(fast.ratio, LEAST_RATIO)
    deviation = float(np.hypot(slow.deviation, fast.deviation)) / ratio
    return limited(name, holds, slow.ratio / ratio, deviation, (None, SLOW_OVER_FAST), "1", "slow over fast")


def _turned(view: View, long: FloatArray, between: Between) -> PairTest:
    """A unit turned in its plane feels a share of the cornering along the car."""
    name, holds = "longitudinal acceleration's share of lateral acceleration", ("long_g",)
    across = view.across
    if across is None or view.rolling.sum() < LEAST_S * RATE_HZ or np.std(across[view.rolling]) < CORNERING_M_S2 / 2:
        return untested(name, holds, "too little cornering")
    fit = fit_pair(long, view.change, [*between, (across, 0.0, 1.0)], view.rolling, view.time)
    # one limit: axes that are not turned say nothing of a scale, so nobody is acquitted
    return limited(name, holds, abs(fit.factors[3]), fit.deviations[3], (None, TURNED_RAD), "1", "share")


def _at_the_top(view: View, long: FloatArray, between: Between) -> PairTest:
    """Where the wheel speeds come to their highest, the accelerometer goes on telling how they change, unless the
    logger cut them off there: a plateau under noise."""
    name, holds = "change of speed at top speed that the wheels do not show", ("wheel_scale",)
    top = TOP_SHARE * float(np.percentile(view.speed[view.moving], 99.5))
    near, rest = view.moving & (view.speed > top), view.moving & (view.speed <= top)
    if near.sum() < LEAST_AT_TOP_S * RATE_HZ or rest.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "hardly any driving at one top speed")
    fit = fit_pair(long, view.change, between, rest, view.time)
    if fit.together < FOLLOWS:
        return untested(name, holds, "the accelerometer follows them no better below it")
    left = long - fit.factors @ np.array([view.change, *(x for x, _, _ in between)])
    return limited(name, holds, float(np.median(np.abs(left[near]))), 0.0, (None, MOST_AT_TOP_M_S2), "m/s2", "median")
