"""What the simulated driver aims for: racing laps, slow laps and circles.

Slow driving that a test asks for: circles both ways and a slow lap, both with throttle pulses.

At little lateral acceleration the load transfer is small, so the split of the axle's force hardly matters, and a
tight radius makes the slip difference large; a held throttle gives torque that stands still while the packs slip.

The speed a driver aims for along the whole session: grip limits of the car, then a forward-backward pass.
"""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.errors import InputError
from analyzer.simulation.circuit import STEP_M, Circuit
from analyzer.simulation.plain_car import CarFigures, TyreFigures, compiled, friction_scale, lateral_limit
from analyzer.simulation.simulated_car import Driver, Powertrain

Name = Literal["laps", "slow_lap", "circles"]
NAMES: tuple[Name, ...] = ("laps", "slow_lap", "circles")
PULSES = (0.15, 0.22, 0.30, 0.40, 0.52, 0.66)  # throttle held, in turn; from crawling to near the tyres' limit
RADII_M = (15.0, 30.0, 60.0)  # a paved area of 130 m has room for them
CIRCLE_S = 50.0
# lateral acceleration before a pulse and top speed: the pulses double the former and stay within the tyres
_CIRCLE_G, _CIRCLE_TOP_M_S = 0.25, 14.0
_LAP_G, _LAP_TOP_M_S = 0.35, 21.0
_BETWEEN_M = 60.0  # straight from one circle to the next
_BLUR_M = 5.0  # standard deviation of the blur of the curvature, for steering takes time
TOP_SPEED_M_S = 90.0  # where the tables end
PULSE_S, PULSE_EVERY_S = 1.6, 4.0  # long enough for torque and tyres to settle (0.3 s), short enough to stay slow
PULSE_CURVATURE_1_M = 1 / 90  # throttle pulses are for corners
_KNOT_M = 130.0  # distance over which the driver's mood changes: about one corner
_LEAST_EAGER = 0.3  # of the planned drive: who asks for less is not on a lap


@dataclass(frozen=True)
class Card:
    """What a card asks for along a course, (n,) each by its nodes.

    Attributes
    ----------
    torque_Nm : at the wheels, -inf with the throttle shut until the car is as slow as planned, NaN where the speed
        decides and the driver may brake.
    gain_1_s : by which the driver adds to it what leads back to the planned speed, acceleration over speed.
    most_lateral_m_s2 : that the speed is planned by.
    """

    torque_Nm: FloatArray
    gain_1_s: FloatArray
    most_lateral_m_s2: FloatArray


@dataclass(frozen=True)
class Manoeuvre:
    """Where to drive, how, and which throttle pulses to hold in corners (none: as fast as the driver dares), or what a
    card asks for instead."""

    course: Circuit
    driver: Driver
    pulses: tuple[float, ...]
    card: Card | None = None


def manoeuvre(name: Name, *, circuit: Circuit, driver: Driver, radii_m: tuple[float, ...] = RADII_M) -> Manoeuvre:
    """`laps` and `slow_lap` of `circuit`, or `circles` of `radii_m`, each both ways.

    Parameters
    ----------
    circuit : not looked at for `circles`.
    driver : whose habits stay; slow manoeuvres change how much is asked of the tyres.

    Raises
    ------
    InputError : another name, or a radius that no car turns.
    """
    if name == "laps":
        return Manoeuvre(circuit, driver, ())
    # who drives slowly plans to coast into corners, and brakes only when far too fast
    slow = replace(driver, braking_use=0.15, drive_use=0.5, brake_reserve_m_s2=5.0)
    if name == "slow_lap":
        slow = replace(slow, most_lateral_m_s2=_LAP_G * STANDARD_GRAVITY_M_S2, top_speed_m_s=_LAP_TOP_M_S)
        return Manoeuvre(circuit, slow, PULSES)
    if name == "circles":
        slow = replace(slow, most_lateral_m_s2=_CIRCLE_G * STANDARD_GRAVITY_M_S2, top_speed_m_s=_CIRCLE_TOP_M_S)
        return Manoeuvre(circles(radii_m), slow, PULSES)
    raise InputError(f"the manoeuvre is '{name}'; allowed: {', '.join(NAMES)}. Name one of these.")


def _circle_speed_m_s(radius_m: float) -> float:
    return min(_CIRCLE_TOP_M_S, math.sqrt(_CIRCLE_G * STANDARD_GRAVITY_M_S2 * radius_m))


def circles(
    radii_m: tuple[float, ...] = RADII_M,
    *,
    seconds: float = CIRCLE_S,
    speed_m_s: Callable[[float], float] = _circle_speed_m_s,
) -> Circuit:
    """A line of circles, each radius to the left and then to the right for about `seconds`, with straights between.

    Parameters
    ----------
    speed_m_s : at which a radius (m) is driven in the mean.

    Raises
    ------
    InputError : a radius outside 8 to 200 m.
    """
    parts = [np.zeros(round(_BETWEEN_M / STEP_M))]
    for radius in radii_m:
        if not 8 <= radius <= 200:
            raise InputError(f"a circle's radius is {radius:g} m; allowed: 8 to 200 m. Correct it.")
        for sense in (1, -1):
            parts += [
                np.full(round(seconds * speed_m_s(radius) / STEP_M), sense / radius),
                np.zeros(round(_BETWEEN_M / STEP_M)),
            ]
    sharp = np.concatenate(parts)
    wave = 2 * np.pi * np.fft.fftfreq(len(sharp), STEP_M)
    curvature = np.fft.ifft(np.fft.fft(sharp) * np.exp(-0.5 * (wave * _BLUR_M) ** 2)).real.copy()
    heading = np.concatenate([[0.0], np.cumsum(0.5 * (curvature[1:] + curvature[:-1]) * STEP_M)])
    middle = 0.5 * (heading[1:] + heading[:-1])
    x = np.concatenate([[0.0], np.cumsum(np.cos(middle) * STEP_M)])
    y = np.concatenate([[0.0], np.cumsum(np.sin(middle) * STEP_M)])
    return Circuit(
        name="circles", step_m=STEP_M, curvature_1_m=curvature, x_m=x, y_m=y, heading_rad=heading, closed=False
    )


@dataclass(frozen=True)
class Plan:
    """What the driver aims for, one node per circuit step from the start to past the end of the last lap.

    Attributes
    ----------
    speed_m_s, acceleration_m_s2 : (m,) aim.
    offset_m : (m,) line, left of the circuit's.
    eagerness : (m,) factor on the throttle asked for out of corners.
    pulse : (m,) throttle that is held whatever the speed (1), 0 where the speed decides.
    torque_Nm, gain_1_s : (m,) torque at the wheels that a card asks for, NaN where it asks for none, and how the speed
        adds to it (`Card`).
    """

    speed_m_s: FloatArray
    acceleration_m_s2: FloatArray
    offset_m: FloatArray
    eagerness: FloatArray
    pulse: FloatArray
    torque_Nm: FloatArray
    gain_1_s: FloatArray


def _drive_limit(*, car: CarFigures, tyre: TyreFigures, powertrain: Powertrain, speeds: FloatArray) -> FloatArray:
    """(n, 2) straight-line acceleration (m/s2) that traction allows, and that the engine allows, by speed."""
    share = car.front / (car.front + car.rear)
    lean = car.height / (car.front + car.rear)
    rear_load = car.mass * STANDARD_GRAVITY_M_S2 * share + car.downforce * (1 - car.front_downforce) * speeds**2
    friction = tyre.friction_x * np.array([friction_scale(0.6 * float(z), tyre) for z in rear_load])
    traction = friction * rear_load / car.mass / np.maximum(0.2, 1 - friction * lean)
    rpm = np.array(powertrain.speed_rpm)
    force = np.zeros_like(speeds)
    radius = 0.5 * (car.r_rl + car.r_rr)
    for gear in powertrain.gear_ratios:
        ratio = gear * powertrain.final_drive
        turning = speeds / radius * ratio * 30 / np.pi
        pull = np.interp(turning, rpm, powertrain.full_torque_Nm) * ratio * powertrain.efficiency / radius
        force = np.maximum(force, np.where(turning < powertrain.shift_up_rpm, pull, 0.0))
    return np.column_stack([traction, (force - car.drag * speeds**2) / car.mass])


def _brake_limit(
    *, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], powertrain: Powertrain, speeds: FloatArray
) -> FloatArray:
    """(n,) deceleration (m/s2) at which the first axle has spent its friction, engine braking included."""
    length = car.front + car.rear
    transfer = car.mass * car.height / length
    weight, lift = car.mass * STANDARD_GRAVITY_M_S2, car.downforce * speeds**2
    drag_torque = -min(powertrain.drag_torque_Nm) * powertrain.gear_ratios[1] * powertrain.final_drive
    limits = []
    for tyre, load, share, sign, extra in (
        (tyres[0], weight * car.rear / length + lift * car.front_downforce, car.front_brake, 1, 0.0),
        (
            tyres[1],
            weight * car.front / length + lift * (1 - car.front_downforce),
            1 - car.front_brake,
            -1,
            drag_torque / (0.5 * (car.r_rl + car.r_rr)),
        ),
    ):
        friction = tyre.friction_x * np.array([friction_scale(0.5 * float(z), tyre) for z in load])
        # share m a + extra = friction (load + sign transfer a)
        room = np.maximum(share * car.mass - sign * friction * transfer, 1e-3)
        limits.append((friction * load - extra) / room)
    weaker: FloatArray = np.minimum(*limits)
    return weaker


@compiled
def _forward_backward(
    curvature: FloatArray,
    step: float,
    grid_step: float,
    lateral: FloatArray,
    traction: FloatArray,
    engine: FloatArray,
    brakes: FloatArray,
    braking: FloatArray,
    use: FloatArray,
    drive_use: float,
    grip: FloatArray,
    top: float,
    most: FloatArray,
) -> FloatArray:
    n = len(curvature)
    speed = np.empty(n)
    last = len(lateral) - 1
    for i in range(n):
        v = top
        bend = abs(curvature[i])
        for _ in range(6):  # the limit grows with downforce, so look it up again at the speed found
            limit = min(most[i], lateral[min(last, int(v / grid_step))] * use[i] * grip[i])
            v = min(top, np.sqrt(limit / max(bend, 1e-9)))
        speed[i] = v
    speed[0] = min(speed[0], 35.0)
    for i in range(n - 1):
        v = speed[i]
        k = min(last, int(v / grid_step))
        left = np.sqrt(max(0.0, 1.0 - (v * v * abs(curvature[i]) / (lateral[k] * grip[i])) ** 2))
        a = min(1.08 * engine[k], traction[k] * drive_use * grip[i] * left)
        speed[i + 1] = min(speed[i + 1], np.sqrt(max(4.0, v * v + 2.0 * step * a)))
    for i in range(n - 2, -1, -1):
        v = speed[i + 1]
        k = min(last, int(v / grid_step))
        left = np.sqrt(max(0.0, 1.0 - (v * v * abs(curvature[i + 1]) / (lateral[k] * grip[i])) ** 2))
        a = max(0.6, brakes[k] * braking[i] * grip[i] * left)
        speed[i] = min(speed[i], np.sqrt(v * v + 2.0 * step * a))
    return speed


def _mood(rng: np.random.Generator, length_m: float, at_m: FloatArray) -> FloatArray:
    """(m,) smooth standard-normal wandering along the distance, about one draw per corner."""
    knots = np.arange(0, length_m + 2 * _KNOT_M, _KNOT_M)
    return np.interp(at_m, knots, rng.standard_normal(len(knots)))


def session_plan(
    *, circuit: Circuit, laps: int, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], powertrain: Powertrain,
    driver: Driver, grip: FloatArray | None = None, pulses: tuple[float, ...] = (), card: Card | None = None,
    rng: np.random.Generator,
) -> Plan:  # fmt: skip
    """Plan for a session, each corner of each lap a little different as `driver.variability` says.

    Parameters
    ----------
    car, tyres : figures of the car and of its front and rear tyres.
    grip : (m,) factor on the tyres' friction by circuit step along the session, which the driver feels; None: 1.
    pulses : throttles to hold in corners, in turn, as `manoeuvre` asks for them; () drives by speed alone.
    card : what is held instead; None: nothing.
    rng : its draws depend on circuit and laps alone.

    Returns
    -------
    Plan : m = `planned_nodes` nodes.
    """
    count = planned_nodes(circuit, laps)
    curvature = np.tile(circuit.curvature_1_m, laps + 1)[:count]
    at = np.arange(count, dtype=float) * circuit.step_m
    spread = driver.variability
    moods = [_mood(rng, at[-1], at) * spread for _ in range(4)]

    grid_step = 1.0
    speeds = np.arange(0.0, TOP_SPEED_M_S + grid_step, grid_step)
    lateral = np.array([lateral_limit(car=car, tyres=tyres, speed_m_s=float(v)) for v in speeds])
    drive = _drive_limit(car=car, tyre=tyres[1], powertrain=powertrain, speeds=speeds)
    speed = _forward_backward(
        curvature,
        circuit.step_m,
        grid_step,
        lateral,
        drive[:, 0].copy(),
        drive[:, 1].copy(),
        np.minimum(_brake_limit(car=car, tyres=tyres, powertrain=powertrain, speeds=speeds), lateral),
        driver.braking_use * (1 + 0.05 * moods[1]),
        np.minimum(driver.cornering_use * (1 + 0.03 * moods[0]), 1.0),
        driver.drive_use,
        np.ones(count) if grip is None else grip,
        driver.top_speed_m_s,
        np.full(count, driver.most_lateral_m_s2) if card is None else _along(card.most_lateral_m_s2, count),
    )
    acceleration = np.gradient(0.5 * speed**2, circuit.step_m)
    kernel = np.ones(5) / 5
    return Plan(
        speed_m_s=speed,
        acceleration_m_s2=np.convolve(np.pad(acceleration, 2, mode="edge"), kernel, mode="valid"),
        offset_m=0.35 * moods[2],
        eagerness=np.maximum(1.0 + driver.eagerness_sd * moods[3], _LEAST_EAGER),
        pulse=_pulses(curvature, speed, circuit.step_m, pulses),
        torque_Nm=np.full(count, np.nan) if card is None else _along(card.torque_Nm, count),
        gain_1_s=np.zeros(count) if card is None else _along(card.gain_1_s, count),
    )


def _along(values: FloatArray, count: int) -> FloatArray:
    """(count,) of a session, lap after lap."""
    return np.resize(values, count)


def planned_nodes(circuit: Circuit, laps: int) -> int:
    """How many circuit steps are planned: the session and the way on."""
    nodes = len(circuit.curvature_1_m)
    return laps * nodes + min(nodes, 300)


def _pulses(curvature: FloatArray, speed: FloatArray, step_m: float, levels: tuple[float, ...]) -> FloatArray:
    """(m,) throttle held in corners: each of `levels` in turn for `PULSE_S` every `PULSE_EVERY_S`, at the planned
    speed; a corner begins with the speed it asks for, then the pulse."""
    pulse = np.zeros(len(curvature))
    if not levels:
        return pulse
    since, number = 0.0, 0
    for i in range(len(pulse)):
        if abs(curvature[i]) < PULSE_CURVATURE_1_M:
            since = 0.5 * (PULSE_EVERY_S - PULSE_S)
            continue
        since += step_m / speed[i]
        if since > PULSE_EVERY_S:
            since, number = 0.0, number + 1
        if since > PULSE_EVERY_S - PULSE_S:
            pulse[i] = levels[number % len(levels)]
    return pulse
