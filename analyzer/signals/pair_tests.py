"""Every channel against every other that knows the same thing: what agrees with what, each with a number and limits.

A car's turn is told by gyro, front wheels, lateral acceleration over speed, steer, position and whole laps; its change
of speed by wheels and accelerometer; its speed by both axles, satellites and position. Each pair is brought to one
quantity and fitted: A = ratio x B + what is known to lie between them (offsets, understeer, a radius that falls with
load). A number outside its limits by more than it is unsure of, or two that hardly follow each other, is a
contradiction.

The limits are rounded outwards from what a car and its sensors do by themselves (DEVELOPERS.md, "What agrees with
what").
"""

from collections.abc import Sequence

import numpy as np

from analyzer.arrays import BoolArray, FloatArray
from analyzer.logs.recording import Recording
from analyzer.signals.channel_tests import at_the_end, copies, lap_turns, steps, zeros
from analyzer.signals.log_stretches import period_s, wheel_speeds_m_s
from analyzer.signals.pair_fit import (
    BLOCK_S,
    LEAST_S,
    MOVING_M_S,
    RADIUS_BY_LOAD_S2_M,
    RATE_HZ,
    SCALES,
    USUAL_RATIO,
    USUAL_WHEELBASE_M,
    PairTest,
    View,
    late_test,
    limited,
    pair_test,
    smooth,
    untested,
    view_of,
)
from analyzer.signals.pedal_tests import braking, driven, pedals
from analyzer.signals.timebase import LOWEST_RATE_HZ
from analyzer.vehicle.car import Car

# a locked axle's wheels turn alike, and nothing but an inside wheel that spins makes them tell the opposite turn:
# -0.02 to 0.8 in each third of 32 sound sessions
REAR_ENDS = (-0.05, 1.3)
BENT_SCALE = (0.988, 1.012)
# of driven tyres at steady speed; 0.024 at most on sound logs (`accuracy.random_sessions`, seeds 0 to 13)
MOST_STEADY_SLIP = 0.025
# Steer is a weak witness: near the limit understeer and yaw rate go together, and sound simulated cars have read 0.23
# of what they are steered by. A wrong unit or place of the sensor is off by 14 (steering ratio) or 57 (radian) times.
# The front wheels show a turn as steer does, before the car drifts: there they go together.
STEER_ENDS_WITH_CAR, STEER_ENDS = (0.15, 3.0), (0.12, 3.5)
STEER_TOGETHER, STEER_WITH_FRONT_WHEELS = 0.15, 0.4
# in left and in right turns alone, on 32 sound sessions: 0.84 and 0.46 at least; a car that steers little in its right
# turns read -0.06 (`findings.sessions`, 8); what lost its sign reads -0.9
ON_A_SIDE, STEER_ON_A_SIDE = 0.5, -0.5


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
    found: list[PairTest | None] = [*_turns(view, recording, car), *_speeds(view, car), *_changes(view), *pedals(view)]
    found += [driven(view), braking(view, car), lap_turns(view), *zeros(view, recording, car)]
    found += [*copies(recording, view), *at_the_end(recording, view), *steps(recording)]
    return tuple(test for test in found if test is not None)


def _turns(view: View, recording: Recording, car: Car | None) -> list[PairTest | None]:
    """What tells how fast the car turns, as a yaw rate (rad/s)."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    ch, found = view.channels, list[PairTest | None]()
    gyro, lat = ch.get("yaw_rate"), ch.get("lat_g")
    front = view.front_turn
    by_load = RADIUS_BY_LOAD_S2_M / view.track_m
    size = 0.03  # rad/s: a corner of 100 m at 11 km/h
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
                ends=(0.93, 1.08),
                least_size=0.5,
                least_on_a_side=ON_A_SIDE,
            )
        )
    if front is not None and gyro is not None:
        between = [(one, 0.0, 0.02), (v, 0.0, 0.01), (v * v * gyro, by_load, by_load)]
        found.append(
            pair_test(
                "front wheels' difference over yaw rate x track",
                ("front_wheels", "yaw_rate", "wheel_scale", "car"),
                front,
                gyro,
                between,
                view.rolling,
                ends=(0.93, 1.7) if car else (0.7, 2.2),
                least_size=size,
                least_on_a_side=ON_A_SIDE,
            )
        )
    if front is not None and lat is not None:
        between = [(one, 0.0, 0.02), (1 / v, 0.0, 1.0), (v, 0.0, 0.01), (v * lat, by_load, by_load)]
        found.append(
            pair_test(
                "front wheels' difference over lateral acceleration / speed x track",
                ("front_wheels", "lat_g", "wheel_scale", "car"),
                front,
                lat / v,
                between,
                view.rolling,
                # with a gyro, which is held against both, as wide as the front wheels against it
                ends=(0.88, 1.2 if gyro is None else 1.7) if car else (0.7, 2.2),
                least_size=size,
                least_on_a_side=ON_A_SIDE,
            )
        )
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
            )
            if vouched and told.outcome == "disagrees":
                told = untested(told.name, ("steer", name), "the front wheels, which tell it closer, agree with it")
            vouched |= by_front and told.outcome == "agrees"
            found.append(told)
    course = _course(recording, view)
    if course is not None:
        for words, name, other in witnesses:
            found.append(
                pair_test(
                    f"{words} over the turn of the position's path",
                    ("position", name),
                    other,
                    course,
                    [(one, 0.0, 0.1)],
                    view.rolling & (v > 8.0),
                    ends=(0.6, 2.2),
                    least_size=size,
                    least_on_a_side=ON_A_SIDE,
                )
            )
    rears = {"wheel_speed_rl", "wheel_speed_rr"} <= view.wheels.keys()
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
                view.rolling,
                ends=REAR_ENDS,
                least_size=size,
                least_together=-1.0,
            )
        )
    return found


def _course(recording: Recording, view: View) -> FloatArray | None:
    """Turn of the position's path (rad/s), None without a usable one."""
    place = _place(view)
    if place is None:
        return None
    east, north = (smooth(smooth(x)) for x in place)
    heading = np.unwrap(np.arctan2(np.gradient(north), np.gradient(east)))
    return smooth(np.gradient(heading) * RATE_HZ)


def _place(view: View) -> tuple[FloatArray, FloatArray] | None:
    """East and north (m) of the position, None where it is not logged or does not move."""
    if not {"latitude", "longitude"} <= view.channels.keys():
        return None
    latitude, longitude = view.channels["latitude"], view.channels["longitude"]
    radius = 6.371e6  # m, the Earth's mean radius (IUGG); 0.5 % is enough here
    east = radius * (longitude - longitude[0]) * np.cos(np.median(latitude))
    north = radius * (latitude - latitude[0])
    return (east, north) if np.ptp(east) + np.ptp(north) > 60.0 else None


def _axle_ends(car: Car | None) -> tuple[float, float]:
    """What the rear axle's speed may be over the front one's: three deviations of what the fit believes of the radii
    (`rear_front_scale` in `vehicle/parameters.py`), and what driven tyres slip by; any tyres without a car file."""
    if car is None:
        return 0.94, 1.07
    reach = 3 * float(np.sqrt(2 / 3)) * car.uncertainty.rolling_radius_percent / 100
    return 1 - reach, 1 + reach + MOST_STEADY_SLIP


def _speeds(view: View, car: Car | None) -> list[PairTest | None]:
    """What tells the speed: both axles, satellites, position."""
    steady = view.rolling & (np.abs(view.change) < 1.0)
    found: list[PairTest | None] = []

    def ratio(name: str, holds: Sequence[str], a: FloatArray, b: FloatArray, ends: tuple[float, float]) -> PairTest:
        if steady.sum() < LEAST_S / 4 * RATE_HZ:
            return untested(name, holds, "too little steady driving")
        logs = np.log(np.maximum(a[steady], 0.05) / np.maximum(b[steady], 0.05))
        middle = float(np.median(logs))
        scatter = 1.4826 * float(np.median(np.abs(logs - middle)))
        if scatter > 0.1:  # ten times what slip, circumference and a receiver's lag leave
            words = "scatter of the ratio: they hardly follow each other"
            return limited(name, [h for h in holds if h not in SCALES], scatter, 0.0, (None, 0.1), "1", words)
        sure = scatter / np.sqrt(max(steady.sum() / RATE_HZ / BLOCK_S, 1.0))
        return limited(name, holds, float(np.exp(middle)), sure, ends, "1", "ratio")

    gps, place = view.channels.get("gps_speed"), _place(view)
    if view.front is not None and view.rear is not None:
        found.append(
            late_test(
                "rear wheels' change of speed behind the front wheels'",
                ("front_wheels", "rear_wheels"),
                np.gradient(view.rear) * RATE_HZ,
                np.gradient(view.front) * RATE_HZ,
                view.moving,
                least_size=0.3,
            )
        )
        found.append(
            ratio(
                "rear wheels over front wheels",
                ("front_wheels", "rear_wheels", "car"),
                view.rear,
                view.front,
                _axle_ends(car),
            )
        )
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
    return found


def _same_at_all_speeds(view: View, gps: FloatArray, steady: BoolArray) -> PairTest:
    """A wheel's circumference grows by some tenths of a per cent with speed, no more: a bent scale is a wrong one."""
    name, holds = "wheel speeds over GPS speed, at high over low speed", ("wheel_scale", "gps_speed")
    low, high = (np.percentile(view.speed[steady], p) for p in (25, 75)) if steady.any() else (0.0, 0.0)
    if steady.sum() < LEAST_S * RATE_HZ or high < 1.3 * low:
        return untested(name, holds, "too much of one speed")
    logs = np.log(np.maximum(view.speed, 0.05) / np.maximum(gps, 0.05))
    slow, fast = logs[steady & (view.speed < low)], logs[steady & (view.speed > high)]
    sure = 1.4826 * float(np.median(np.abs(fast - np.median(fast)))) / np.sqrt(len(fast) / RATE_HZ / BLOCK_S + 1.0)
    number = float(np.exp(np.median(fast) - np.median(slow)))
    return limited(name, holds, number, sure, BENT_SCALE, "1", "ratio")


def _changes(view: View) -> list[PairTest | None]:
    """What tells the change of speed."""
    long, lat = view.channels.get("long_g"), view.channels.get("lat_g")
    if long is None:
        return []
    one = np.ones_like(long)
    across = lat if lat is not None else view.speed * view.channels.get("yaw_rate", 0.0 * one)
    between = [(one, 0.0, 1.0), (across**2, 0.0, 0.02)]
    return [
        pair_test(
            "longitudinal acceleration over change of wheel speed",
            ("long_g", "wheel_scale", "time"),
            smooth(long),  # as often as the change of speed, or throttle pulses read too large
            view.change,
            between,
            view.moving,
            ends=(0.92, 1.07),
            least_size=0.25,
        )
    ]
