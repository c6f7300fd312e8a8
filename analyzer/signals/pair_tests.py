"""Every channel against every other that knows the same thing: what agrees with what, each with a number and limits.

A car's turn is told by gyro, front wheels, lateral acceleration over speed, steer, position and whole laps; its change
of speed by wheels and accelerometer; its speed by both axles, satellites and position. Each pair is brought to one
quantity and fitted: A = ratio x B + what is known to lie between them (offsets, understeer, a radius that falls with
load). A number outside its limits by more than it is unsure of, or two that hardly follow each other, is a
contradiction.

The limits are rounded outwards from what a car and its sensors do by themselves (DEVELOPERS.md, "What agrees with
what").
"""

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray
from analyzer.channels import REAR_WHEELS
from analyzer.logs.recording import Recording
from analyzer.signals.channel_tests import (
    at_the_end,
    averaged,
    copies,
    limited_difference,
    rates,
    same_rows,
    steps,
    zeros,
)
from analyzer.signals.computed_tests import computed
from analyzer.signals.lap_turns import lap_to_lap, lap_turns
from analyzer.signals.late_tests import late
from analyzer.signals.log_stretches import period_s, wheel_speeds_m_s
from analyzer.signals.log_view import MOVING_M_S, RATE_HZ, View, place_of, smooth, view_of
from analyzer.signals.once_a_turn import once_a_turn
from analyzer.signals.pair_fit import (
    FRONT_BY_LATERAL,
    LEAST_S,
    RADIUS_BY_LOAD_S2_M,
    USUAL_RATIO,
    USUAL_WHEELBASE_M,
    Between,
    PairTest,
    fit_pair,
    limited,
    pair_test,
    quick_test,
    untested,
)
from analyzer.signals.pedal_tests import behind, braking, driven, pedals
from analyzer.signals.speed_tests import STEADY_M_S2, changes, grips, speeds
from analyzer.signals.throughout import throughout
from analyzer.signals.timebase import LOWEST_RATE_HZ
from analyzer.vehicle.car import Car

# a locked axle's wheels turn at one speed, and only an inside wheel that spins makes them show the opposite turn; where
# the axle hardly slips, 0.09 to 0.93 on 240 sound logs
REAR_ENDS = (-0.05, 1.3)
# the same at the speed of the fastest tenth of the turns, where a radius that falls with the load adds most: an outer
# wheel that turned further than the road asks would be driven against its tyre. Less two deviations 0.98 at most on 377
# sound logs, 0.83 on nine open axles whose radii fall steeply; wheels that read 1 % more per g at the outside, 1.08 to
# 1.22, took the lock curve 250 to 380 N.m out of its interval
MOST_IN_FAST_TURNS, TURNING_M_S2, FAST_PERCENT = 1.05, 3.0, 90
# a unit that leans with the body by 4 deg/g reads 1.07 (roll gradient; common practice, no source), a gyro's scale is
# known to 1.5 %, and the cross slope of a slow lap is as large as its side force: 0.95 to 1.11, deviation 0.014
LATERAL_ENDS = (0.93, 1.1)
# 0.988 at least in each third of 172 sound logs, 0.9795 in one of five slow laps; the same laps on another day 0.90 in
# one, the lap before of the same day 0.976
LATERAL_TOGETHER = 0.978
# light front wheels and the accelerometer's zero: 0.45 with a deviation of 0.04 in one (`findings.sessions`, 6)
FRONT_SIDES_APART = 1.6
# Of its load, the inner front wheel: off the road it tells nothing (2.8 times the turn in a third of random car 1729),
# and light it slips. By the lateral acceleration itself, which a cross slope is in, gentler corners alone say less
# than all of them, and those of one side least.
OFF_THE_ROAD, OFF_BY_LATERAL = 0.9, 1.1
# a light wheel slips, and its side of the axle gains: 0.95 to 1.80 on 280 sound logs. Without a gyro beside them, and
# with wheels that stay on the road, 1.22 on 99 % of them. Of 107 sound logs with few channels those over 1.15 were of
# cars that shed nine tenths of an inner front wheel's load in a thirtieth of their driving, up to 1.38
FRONT_LIGHT, FRONT_ALONE, FRONT_BESIDE_GYRO = 2.2, 1.25, 0.8
LIGHT = (0.9, 1.1)  # of its load shed: from one of these limits to the other
# off the road so often, it says nothing: random cars 1732 and 1729 read 0.74 and 3.3; 0.92 of it at most on 14 others
LIFTS = 1.0
LIFTED = "an inner front wheel is off the road in corners"
# where the car neither gains nor loses speed, and the inner front wheel keeps a third of its load, the front wheels
# tell the turn: 0.95 to 1.05 on 100 sound logs, one 1.31 with a deviation of 0.10
STEADY_SHED, STEADY_ENDS = 0.7, (0.94, 1.12)
# what a car turns in COURSE_S is what its path turns, but for side slip: 0.99 to 1.02 on 30 sound logs, of which 0.015
# are the gyros' scale; lateral acceleration has a zero and a cross slope in it, front wheels grow light
COURSE_S, COURSE_ENDS, COURSE_M_S = 5.0, {"yaw_rate": (0.95, 1.05)}, 5.0
# Steer is a weak witness: near the limit understeer and yaw rate go together, and sound simulated cars have read 0.23
# of what they are steered by. A wrong unit or place of the sensor is off by 14 (steering ratio) or 57 (radian) times.
# The front wheels show a turn as steer does, before the car drifts: there they go together.
STEER_ENDS_WITH_CAR, STEER_ENDS = (0.15, 3.0), (0.12, 3.5)
STEER_TOGETHER, STEER_WITH_FRONT_WHEELS = 0.15, 0.1  # 0.2 in a third of a car that drifts (`findings.causes`, 506)
# in left and in right turns alone, on 290 sound sessions: 0.47 at least, front wheels by lateral acceleration. Steer: a
# car that steers little in its right turns read -0.06 (`findings.sessions`, 8), random car 1401 -0.55,
# `findings.sessions`, 74, -0.74; what lost its sign reads -0.9
ON_A_SIDE, STEER_ON_A_SIDE = 0.4, -0.8


def consistency_tests(recording: Recording, car: Car | None) -> tuple[PairTest, ...]:
    """What agrees with what in a recording.

    Parameters
    ----------
    recording : signs settled, false values out, late channels shifted.
    car : its tracks, wheelbase and steering ratio; what needs them stays untested without.
    """
    if recording.time_s[-1] < LEAST_S or not wheel_speeds_m_s(recording):
        return ()
    if period_s(recording) > 1 / LOWEST_RATE_HZ:  # no analysis, and the grid would be made of nothing
        return ()
    view = view_of(recording, car)
    if view.moving.sum() < LEAST_S * RATE_HZ:
        return ()
    found: list[PairTest | None] = [*_turns(view, recording, car), *speeds(view, car), *changes(view), *pedals(view)]
    found += [driven(view), behind(view), braking(view, car), lap_turns(view), lap_to_lap(view)]
    found += [*zeros(view, recording, car), *late(view, recording, car), *throughout(view), *computed(view)]
    found += [
        *averaged(recording, view),
        *copies(recording, view),
        *same_rows(recording, view),
        *limited_difference(recording, view),
        *at_the_end(recording, view),
        *steps(recording),
        *rates(recording),
        *once_a_turn(recording, car),
    ]
    return tuple(test for test in found if test is not None)


def _turns(view: View, recording: Recording, car: Car | None) -> list[PairTest | None]:
    """What tells how fast the car turns, as a yaw rate (rad/s)."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    ch, found = view.channels, list[PairTest | None]()
    gyro, lat = ch.get("yaw_rate"), ch.get("lat_g")
    front = view.front_turn
    by_load = RADIUS_BY_LOAD_S2_M / view.track_m
    size = 0.03  # rad/s: a corner of 100 m at 11 km/h

    def front_over(
        name: str,
        holds: tuple[str, ...],
        turn: FloatArray,
        between: Between,
        shed: FloatArray,
        off_the_road: float,
        ends: tuple[float, float],
    ) -> PairTest:
        assert front is not None
        if _light(view, shed) > LIFTS:
            return untested(name, holds, LIFTED)
        return pair_test(
            name,
            holds,
            front,
            turn,
            between,
            view.rolling & (shed < off_the_road),
            ends=ends if car else (0.7, 2.2),
            least_size=size,
            least_on_a_side=ON_A_SIDE,
            sides_apart=FRONT_SIDES_APART,
            of_sides=view.rolling,
        )

    if gyro is not None and lat is not None:
        turn, change = v * gyro, np.gradient(v * gyro) * RATE_HZ
        between = [(one, 0.0, 1.0), (v, 0.0, 0.1), (np.gradient(gyro) * RATE_HZ, 0.0, 0.5), (change, 0.0, 0.2)]
        found.append(
            pair_test(
                "lateral acceleration over speed x yaw rate",
                ("lat_g", "yaw_rate", "wheel_scale"),
                lat,
                turn,
                between,
                view.moving,
                ends=LATERAL_ENDS,
                least_size=0.5,
                least_together=LATERAL_TOGETHER,
                least_on_a_side=ON_A_SIDE,
            )
        )
    if front is not None and gyro is not None:
        between = [(one, 0.0, 0.02), (v, 0.0, 0.01), (v * v * gyro, by_load, by_load)]
        shed = view.shed(car, v * gyro)
        name = "front wheels' difference over yaw rate x track"
        holds = ("front_wheels", "yaw_rate", "wheel_scale", "car")
        found.append(front_over(name, holds, gyro, between, shed, OFF_THE_ROAD, (0.93, FRONT_LIGHT)))
        found.append(
            quick_test(
                "yaw rate over front wheels' difference / track, quick over slow",
                ("front_wheels",),
                gyro,
                front,
                view.rolling,
                least_size=size,
            )
        )
        if car:
            steady, name = view.rolling & (np.abs(view.change) < STEADY_M_S2), f"{name}, at steady speed"
            steady &= shed < STEADY_SHED
            found.append(pair_test(name, holds, front, gyro, between, steady, ends=STEADY_ENDS, least_size=size))
    if front is not None and lat is not None:
        between = [(one, 0.0, 0.02), (1 / v, 0.0, 1.0), (v, 0.0, 0.01), (v * lat, by_load, by_load)]
        # where a gyro is held against both, or a front wheel is light, as wide as the front wheels against the gyro
        shed = view.shed(car, lat)
        light = _light(view, shed)
        lowest, highest = FRONT_BESIDE_GYRO, FRONT_LIGHT
        if gyro is None:
            lowest, highest = FRONT_BY_LATERAL, round(float(np.interp(light, LIGHT, (FRONT_ALONE, FRONT_LIGHT))), 2)
        found.append(
            quick_test(
                "lateral acceleration / speed over front wheels' difference / track, quick over slow",
                ("front_wheels",),
                lat / v,
                front,
                view.rolling,
                least_size=size,
            )
        )
        name = "front wheels' difference over lateral acceleration / speed x track"
        holds = ("front_wheels", "lat_g", "wheel_scale", "car")
        found.append(front_over(name, holds, lat / v, between, shed, OFF_BY_LATERAL, (lowest, highest)))
    witnesses: list[tuple[str, str, FloatArray]] = []
    if gyro is not None:
        witnesses.append(("yaw rate", "yaw_rate", gyro))
    if lat is not None:
        witnesses.append(("lateral acceleration / speed", "lat_g", lat / v))
    if front is not None:
        witnesses.append(("front wheels' difference", "front_wheels", front))
    steer = ch.get("steer")
    if steer is not None:
        wheelbase = car.wheelbase_m if car else USUAL_WHEELBASE_M
        ratio = car.steering_ratio if car else USUAL_RATIO
        turn = steer / (1.0 if recording.steer_at == "road_wheel" else ratio) / wheelbase * v
        # the closest witness first: where it stands by the steer, the others say nothing against it near the limit
        vouched = False
        for words, name, other in reversed(witnesses):
            across = np.abs(v * other)
            gentle = view.gentle(across)
            between = [(one, 0.0, 0.1), (v, 0.0, 0.1), (v * v * other, 1e-3 / wheelbase, 2e-3 / wheelbase)]
            by_front = name == "front_wheels"
            told = pair_test(
                f"steer over what {words} asks for",
                ("steer", name),
                turn,
                other,
                between,
                gentle,
                ends=STEER_ENDS_WITH_CAR if car else STEER_ENDS,
                least_size=size,
                least_together=STEER_WITH_FRONT_WHEELS if by_front else STEER_TOGETHER,
                least_on_a_side=STEER_ON_A_SIDE if by_front else None,
                sides_apart=None,  # of a side nothing but the sign is asked
            )
            if vouched and told.outcome == "disagrees":
                told = untested(told.name, ("steer", name), "the front wheels, which tell it closer, agree with it")
            vouched |= by_front and told.outcome == "agrees"
            found.append(told)
    course = _course(view)
    if course is not None:
        turned, known = _windowed(course), _all_through(view.moving & (view.speed > COURSE_M_S))
        # front wheels that lock or grow light tell it worst, and are held against the others already
        closest = [witness for witness in witnesses if witness[1] != "front_wheels"] or witnesses
        for words, name, other in closest:
            found.append(
                pair_test(
                    f"{words} over the turn of the position's path",
                    ("position", "time", name),  # the path turns as fast as the clock says
                    _windowed(other),
                    turned,
                    [(one, 0.0, 0.1)],
                    known,
                    ends=COURSE_ENDS.get(name, (0.6, 2.2)),
                    least_size=size,
                    least_on_a_side=ON_A_SIDE,
                )
            )
    rears = view.wheels.keys() >= set(REAR_WHEELS)
    if rears and witnesses:
        words, name, other = witnesses[0]
        rear = (view.wheels["wheel_speed_rr"] - view.wheels["wheel_speed_rl"]) / view.rear_track_m
        found.append(
            pair_test(
                f"rear wheels' difference over {words}",
                ("rear_wheels", name),
                rear,
                other,
                [(one, 0.0, 0.02), (v, 0.0, 0.01)],
                view.rolling & (np.abs(view.change) < STEADY_M_S2) & grips(view),
                ends=REAR_ENDS,
                least_size=size,
                least_together=-1.0,
                least_on_a_side=-1.0,
            )
        )
        found.append(_rears_in_fast_turns(view, rear, other, name))
    return found


def _rears_in_fast_turns(view: View, rear: FloatArray, turn: FloatArray, by: str) -> PairTest:
    """The rear wheels' difference over the road's where the car turns fast. A locked axle shows none of it, an open one
    all of it; what goes with speed and lateral acceleration, as a radius that falls with the load, shows here.

    Parameters
    ----------
    rear, turn : (m,) yaw rate by the rear wheels, and by another channel, `by`.
    """
    name, holds = "rear wheels' difference in fast turns", ("rear_wheels", by)
    v, one = np.maximum(view.speed, MOVING_M_S), np.ones_like(view.speed)
    use = view.rolling & (np.abs(view.change) < STEADY_M_S2) & grips(view)
    turning = use & (np.abs(v * turn) > TURNING_M_S2)
    if turning.sum() < LEAST_S * RATE_HZ:
        return untested(name, holds, "too little steady cornering")
    fast = float(np.percentile(v[turning], FAST_PERCENT))
    between = [(one, 0.0, 0.05), (v, 0.0, 0.01), (turn * (v**2 - fast**2), 0.0, 1.0)]
    fit = fit_pair(rear, turn, between, use, view.time)
    # one limit: an axle may lock as far as it will
    return limited(name, holds, fit.ratio, fit.deviation, (None, MOST_IN_FAST_TURNS), "1", "ratio")


def _light(view: View, shed: FloatArray) -> float:
    """How much of its load the inner front wheel sheds in a thirtieth of the driving, from `View.shed` (m,)."""
    return float(np.percentile(shed[view.moving], 97))


def _course(view: View) -> FloatArray | None:
    """Turn of the position's path (rad/s), None without a usable one."""
    place = place_of(view)
    if place is None:
        return None
    east, north = (smooth(smooth(x)) for x in place)
    return np.gradient(np.unwrap(np.arctan2(np.gradient(north), np.gradient(east)))) * RATE_HZ


def _windowed(turn: FloatArray) -> FloatArray:
    """Mean of a yaw rate (m,) over `COURSE_S`: how far the car has turned, whatever smooths either witness."""
    return windows.mean(turn, round(COURSE_S * RATE_HZ))


def _all_through(where: BoolArray) -> BoolArray:
    """Rows (m,) bool about which `where` holds for all of a window, and the path's own smoothing."""
    return windows.least(where, round((COURSE_S + 1.0) * RATE_HZ))
