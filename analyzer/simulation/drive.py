"""The loop of a session: the driver looks and acts a hundred times a second, the car is stepped in between."""

import math
from collections import namedtuple
from typing import TypeAlias

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.simulation.circuit import RoadFigures
from analyzer.simulation.plain_car import CarFigures, EngineFigures, TyreFigures, compiled
from analyzer.simulation.planar_car import LEVEL, Controls, LockFigures, State, map_torque, step_car

# step between nodes (m), then x, y, heading and curvature at each
LineFigures: TypeAlias = tuple[float, FloatArray, FloatArray, FloatArray, FloatArray]
# speed, acceleration, offset, eagerness, pulse, torque and gain at each node along the session
PlanFigures: TypeAlias = tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]
GripFactors: TypeAlias = tuple[FloatArray, FloatArray]  # on friction and on stiffness, at each node along the session
ShiftFigures: TypeAlias = tuple[float, float, float]  # engine speeds to shift up and down at (rad/s), the gap (s)

CONTROL_S = 0.01  # the driver's own lags are longer, so looking more often changes nothing

OFF_CIRCUIT_M = 20.0  # farther from the line than any run-off lets a lap go on

DriverFigures = namedtuple(
    "DriverFigures",
    "understeer slip_limit slide_feel slip_feel throttle_rate wheelbase steer_noise most_brake "
    "lift_pause release_pause rev_miss brake_reserve left_foot_brake",
)
# position along the session (m), pedals, steer, what the driver feels, and the gearbox
Hands = namedtuple("Hands", "distance steer throttle brake felt_slip felt_lock gear shift_left wobble pause kick")
EXTRA = (
    "distance", "offset", "steer", "throttle", "brake", "gear", "ratio", "along", "across", "vertical", "friction",
)  # fmt: skip
LEFT_FOOT_FROM_M_S2 = 2.0  # of lateral acceleration: a left foot drags the brake in corners, not on straights
_KICK_S = 0.08  # time in which a shift's difference of engine speed is gone; of the order of the tyres' response


@compiled
def _place_on_line(
    distance: float,
    x: float,
    y: float,
    length: float,
    step: float,
    line_x: FloatArray,
    line_y: FloatArray,
    line_heading: FloatArray,
) -> tuple[float, float, float]:
    """(distance along the session, offset to the left of the line, heading of the line) of a point near `distance`."""
    n = len(line_x)
    for _ in range(3):
        i = math.floor(distance / step + 0.5)
        j = i % n
        c, s = math.cos(line_heading[j]), math.sin(line_heading[j])
        dx, dy = x - float(line_x[j]), y - float(line_y[j])
        along = c * dx + s * dy
        distance = i * step + along
        if abs(along) <= step:
            break
    k = (j + 1) % n if along > 0.0 else (j - 1) % n
    turn = (float(line_heading[k]) - float(line_heading[j]) + math.pi) % (2.0 * math.pi) - math.pi
    part = min(1.0, abs(along) / step)
    return distance, c * dy - s * dx, float(line_heading[j]) + turn * part


@compiled
def _between(values: FloatArray, place: float) -> float:
    """Value at a fractional index, the last one beyond the end."""
    i = min(int(place), len(values) - 2)
    part = min(1.0, place - i)
    return (1.0 - part) * float(values[i]) + part * float(values[i + 1])


@compiled
def _steer(
    state: State,
    hands: Hands,
    distance: float,
    offset: float,
    line_heading: float,
    aim_offset: float,
    curvature: FloatArray,
    step: float,
    driver: DriverFigures,
) -> float:
    """Road-wheel angle (rad) the driver wants: feed-forward of the bend ahead, aim point, damping, and no more slip
    angle at the front than the tyres can use (which also steers into a slide)."""
    speed = max(3.0, state.vx)
    n = len(curvature)
    ahead = float(curvature[int((distance + 0.14 * speed) / step) % n])
    here = float(curvature[int(distance / step) % n])
    course = state.heading + math.atan2(state.vy, speed) - line_heading
    course = (course + math.pi) % (2.0 * math.pi) - math.pi
    look = 4.0 + 0.42 * speed + 0.010 * speed * speed
    miss = (offset - aim_offset) + look * math.sin(course)
    forward = ahead * (driver.wheelbase + driver.understeer * speed * speed)
    damping = (here * speed - state.yaw_rate) * driver.wheelbase / speed
    correction = max(-0.12, min(0.12, 1.6 * driver.wheelbase * miss / (look * look)))
    swing = state.ay_lag / speed - state.yaw_rate  # rate of side-slip: large when the rear steps out
    catch = 0.25 * (swing - max(-0.15, min(0.15, swing)))
    wanted = forward - correction + 0.8 * damping + catch + hands.wobble
    front = math.atan2(state.vy + state.yaw_rate * 0.5 * driver.wheelbase, speed)
    wanted = max(front - driver.slip_limit, min(front + driver.slip_limit, wanted))
    steer: float = max(-0.5, min(0.5, wanted))
    return steer


@compiled
def _road_under(
    state: State, distance: float, line_heading: float, road: RoadFigures, grip: GripFactors, wheelbase: float
) -> tuple[float, float, float, float, float, float, float, float, float]:
    """What `Controls` has of the road, at the car's place and heading.

    Notes
    -----
    With slopes g (ahead) and b (to the left) of the surface under the car, n = 1/sqrt(1 + g^2 + b^2): gravity along
    -g n G, across -b n G, and specific force upwards n G + v^2 z'' with z'' the curvature of the line's height.
    """
    step, slope, cross, bend, bumps_l, bumps_r, hill_x, hill_y = road
    n = len(slope)
    place = distance / step
    i = math.floor(place)
    part, i, j = place - i, i % n, (i + 1) % n
    along_line = (1.0 - part) * float(slope[i]) + part * float(slope[j])
    across_line = (1.0 - part) * float(cross[i]) + part * float(cross[j])
    turn = state.heading - line_heading
    c, s, ch, sh = math.cos(turn), math.sin(turn), math.cos(state.heading), math.sin(state.heading)
    ahead = along_line * c + across_line * s + hill_x * ch + hill_y * sh
    left = across_line * c - along_line * s + hill_y * ch - hill_x * sh
    weight = STANDARD_GRAVITY_M_S2 / math.sqrt(1.0 + ahead * ahead + left * left)
    bent = (1.0 - part) * float(bend[i]) + part * float(bend[j])
    vertical = max(0.0, weight + state.vx * state.vx * bent)
    k = math.floor((distance - wheelbase) / step) % n
    m = (k + 1) % n
    at = max(0.0, place)
    return (
        -weight * ahead,
        -weight * left,
        vertical,
        _between(grip[0], at),
        _between(grip[1], at),
        1.0 + (1.0 - part) * float(bumps_l[i]) + part * float(bumps_l[j]),
        1.0 + (1.0 - part) * float(bumps_r[i]) + part * float(bumps_r[j]),
        1.0 + (1.0 - part) * float(bumps_l[k]) + part * float(bumps_l[m]),
        1.0 + (1.0 - part) * float(bumps_r[k]) + part * float(bumps_r[m]),
    )


@compiled
def act(
    state: State,
    hands: Hands,
    noise: float,
    line: LineFigures,
    plan: PlanFigures,
    road: RoadFigures,
    grip: GripFactors,
    ratios: FloatArray,
    shift: ShiftFigures,
    car: CarFigures,
    engine: EngineFigures,
    table: FloatArray,
    driver: DriverFigures,
    dt: float,
) -> tuple[Hands, Controls, float]:
    """The driver's next `Hands` and `Controls`, and how far left of the line the car is (m).

    Parameters
    ----------
    state, hands : of now.
    noise : standard-normal draw of this look, for the hands' wobble.
    line : (step, x, y, heading, curvature) of the circuit: metres between nodes, then (n,) each.
    plan : (speed, acceleration, offset, eagerness, pulse, torque, gain), (m,) each by node along the session.
    road : as `circuit.Surface.figures` gives it.
    grip : factors on friction and on stiffness, (m,) each by node along the session.
    ratios : (gears,) engine over wheel speed, final drive in it.
    shift : engine speeds to shift up and down at (rad/s), and the gap in the torque (s).
    car, engine, table, driver : `CarFigures`, `EngineFigures` with its torques, `DriverFigures`.
    dt : to the next look (s).
    """
    step, line_x, line_y, line_heading, curvature = line
    aim_speed, aim_acceleration, aim_offset, eagerness, pulses, torques, gains = plan
    length = step * len(line_x)
    distance, offset, heading = _place_on_line(
        hands.distance + state.vx * dt, state.x, state.y, length, step, line_x, line_y, line_heading
    )
    here = distance / step
    line_offset = _between(aim_offset, max(0.0, here))
    wanted = _steer(state, hands, distance, offset, heading, line_offset, curvature, step, driver)
    move = (wanted - hands.steer) * dt / (0.05 + dt)
    steer = hands.steer + max(-1.3 * dt, min(1.3 * dt, move))
    wobble = hands.wobble * (1.0 - dt / 0.4) + driver.steer_noise * noise * math.sqrt(2.0 * dt / 0.4)

    # gearbox: shifts by engine speed, torque is off while it does
    gear, shift_left = hands.gear, max(0.0, hands.shift_left - dt)
    ratio = float(ratios[int(gear)])
    radius = 0.5 * (car.r_rl + car.r_rr)
    road_speed = state.vx / radius * ratio
    if shift_left <= 0.0:
        if road_speed > shift[0] and gear < len(ratios) - 1:
            gear, shift_left = gear + 1.0, shift[2]
        elif gear > 0 and road_speed < shift[1] and road_speed * float(ratios[int(gear) - 1]) / ratio < 0.93 * shift[0]:
            gear, shift_left = gear - 1.0, shift[2]
    new_ratio = float(ratios[int(gear)])
    kick = hands.kick + driver.rev_miss * engine.engine_inertia * (ratio - new_ratio) * state.vx / radius
    ratio = new_ratio
    clutch = 0.0 if shift_left > 0.0 else 1.0
    push = clutch * kick / (_KICK_S + dt)
    kick = kick - push * dt

    # pedals: what acceleration is wanted a reaction time ahead, and which pedal gives it
    soon = max(0.0, here + 0.12 * state.vx / step)
    # who runs wide waits, and who slides eases off: the aim falls with the distance off the line
    wide = max(0.0, abs(offset - line_offset) - 1.2)
    aim = _between(aim_speed, soon) * max(0.75, 1.0 - 0.04 * wide)
    gap = aim - (state.vx + 0.12 * state.ax_lag)
    planned = _between(aim_acceleration, soon)
    wanted_ax = planned + (1.3 if gap > 0.0 else 2.2) * gap
    if wanted_ax > 0.0:
        wanted_ax *= _between(eagerness, max(0.0, here))
    speed = state.vx / radius * ratio
    closed = map_torque(speed, 1, table, engine.table_step)
    full = map_torque(speed, 0, table, engine.table_step)
    resist = car.drag * state.vx * state.vx + car.rolling * car.mass * STANDARD_GRAVITY_M_S2
    mass = car.mass * 1.06
    engine_need = (mass * wanted_ax + resist) * radius / (ratio * engine.efficiency)
    coast_ax = (closed * ratio / radius - resist) / mass
    throttle = max(0.0, min(1.0, (engine_need - closed) / (full - closed)))
    if wanted_ax < 0.35 * coast_ax:
        throttle = 0.0  # off the pedal before the foot moves to the brake
    slip = 0.5 * (state.w_rl * car.r_rl + state.w_rr * car.r_rr) / max(3.0, state.vx) - 1.0
    felt_slip = hands.felt_slip + (slip - hands.felt_slip) * dt / 0.15
    sliding = abs(state.vy - car.rear * state.yaw_rate) / max(3.0, state.vx)
    felt = math.hypot(max(0.0, felt_slip) / driver.slip_feel, sliding / driver.slide_feel)
    ease = 1.0 - 0.8 * max(0.0, felt - 1.0) - 0.25 * max(0.0, wide - 2.0)
    throttle = min(throttle, max(0.0, ease)) if hands.pause <= 0.0 else 0.0
    held = pulses[min(len(pulses) - 1, int(max(0.0, here)))]
    if held > 0.0:
        throttle = held
    node = min(len(torques) - 1, int(max(0.0, here)))
    asked = torques[node]
    if asked == asked and not (asked == -math.inf and state.vx < aim):  # not NaN, nor slow enough
        asked += gains[node] * (aim - state.vx) * mass * radius
        throttle = max(0.0, min(1.0, (asked / (ratio * engine.efficiency) - closed) / (full - closed)))
    up, down = driver.throttle_rate * dt, 7.0 * dt
    throttle = max(hands.throttle - down, min(hands.throttle + up, throttle))

    reserve = driver.brake_reserve if hands.brake <= 0.0 else 0.0
    need = max(0.0, coast_ax - reserve - wanted_ax)
    lock = min(
        min(state.w_fl * car.r_fl, state.w_fr * car.r_fr), min(state.w_rl * car.r_rl, state.w_rr * car.r_rr)
    ) / max(3.0, state.vx)
    felt_lock = hands.felt_lock + ((1.0 - lock) - hands.felt_lock) * dt / 0.08
    brake = mass * need * (0.5 * (car.r_fl + car.r_fr)) * max(0.1, 1.0 - 9.0 * max(0.0, felt_lock - 0.09))
    brake *= max(0.1, 1.0 - max(0.0, sliding / driver.slide_feel - 1.0))
    free = held <= 0.0 and asked != asked and hands.throttle <= 0.0 and throttle <= 0.0 and hands.pause <= 0.0
    brake = min(driver.most_brake, brake) if free else 0.0
    rate = driver.most_brake * dt
    brake = max(hands.brake - 6.0 * rate, min(hands.brake + 5.0 * rate, brake))
    # the car coasts while the foot moves over, and after the brake while the driver feels for grip
    pause = max(0.0, hands.pause - dt)
    if hands.throttle > 0.0 and throttle <= 0.0:
        pause = driver.lift_pause
    elif hands.brake > 0.0 and brake <= 0.0:
        pause = driver.release_pause
    after = Hands(distance, steer, throttle, brake, felt_slip, felt_lock, gear, shift_left, wobble, pause, kick)
    under = _road_under(state, distance, heading, road, grip, driver.wheelbase)
    # the left foot drags the brake over an open throttle while the car turns
    turning = throttle > 0.0 and abs(state.vx * state.yaw_rate) > LEFT_FOOT_FROM_M_S2
    held_over = driver.left_foot_brake * driver.most_brake if turning else 0.0
    return after, Controls(steer, throttle, max(brake, held_over), ratio, clutch, push, *under), offset


@compiled
def run_session(
    state: State,
    hands: Hands,
    noise: FloatArray,
    end: float,
    line: LineFigures,
    plan: PlanFigures,
    road: RoadFigures,
    grip: GripFactors,
    ratios: FloatArray,
    shift: ShiftFigures,
    car: CarFigures,
    tyres: tuple[TyreFigures, TyreFigures],
    engine: EngineFigures,
    table: FloatArray,
    lock: LockFigures,
    driver: DriverFigures,
    dt: float,
    substeps: int,
    every: int,
    states: FloatArray,
    forces: FloatArray,
    extras: FloatArray,
    means: FloatArray,
    angles: FloatArray,
) -> tuple[int, int]:
    """Drive a session; all arrays at the end of the list are filled in place.

    Parameters
    ----------
    state, hands : to begin with.
    noise : (periods,) standard-normal, one for each look of the driver; there are no more looks than these.
    end : distance along the session to drive (m).
    line, plan, road, grip, ratios, shift : as `act` takes them.
    car, tyres, engine, table, lock, driver : figures of car, (front, rear) tyres, engine, differential and driver.
    dt : step of the car (s); `substeps` of them lie between two looks of the driver.
    every : steps from row to row.
    states, forces, extras : (rows, fields) of `State`, `Forces` and `EXTRA`, at the instant of the row.
    means : (rows, 3) a_x, a_y and yaw rate in the mean since the row before.
    angles : (steps, 4) turned wheel angles (rad), step by step.

    Returns
    -------
    tuple : rows and steps that were filled; fewer than `end` asks for where the car left the circuit.
    """
    rows, steps = 0, 0
    mean_ax, mean_ay, mean_yaw = 0.0, 0.0, 0.0
    for period in range(len(noise)):
        draw = float(noise[period])
        hands, controls, offset = act(
            state, hands, draw, line, plan, road, grip, ratios, shift, car, engine, table, driver, substeps * dt
        )
        for _ in range(substeps):
            state, force = step_car(state, controls, car, tyres, engine, table, lock, dt)
            angles[steps, 0], angles[steps, 1] = state.a_fl, state.a_fr
            angles[steps, 2], angles[steps, 3] = state.a_rl, state.a_rr
            mean_ax += force.ax
            mean_ay += force.ay
            mean_yaw += state.yaw_rate
            steps += 1
            if steps % every == 0:
                for k in range(len(state)):
                    states[rows, k] = state[k]
                for k in range(len(force)):
                    forces[rows, k] = force[k]
                means[rows, 0], means[rows, 1], means[rows, 2] = mean_ax / every, mean_ay / every, mean_yaw / every
                mean_ax, mean_ay, mean_yaw = 0.0, 0.0, 0.0
                extras[rows, 0], extras[rows, 1], extras[rows, 2] = hands.distance, offset, controls.steer
                extras[rows, 3], extras[rows, 4], extras[rows, 5] = controls.throttle, controls.brake, hands.gear + 1.0
                extras[rows, 6], extras[rows, 7], extras[rows, 8] = controls.ratio, controls.along, controls.across
                extras[rows, 9], extras[rows, 10] = controls.vertical, controls.friction
                rows += 1
        if hands.distance >= end or abs(offset) > OFF_CIRCUIT_M:
            break
    return rows, steps


@compiled
def run_controls(
    state: State,
    steering: FloatArray,
    throttle: FloatArray,
    brake: FloatArray,
    ratio: float,
    car: CarFigures,
    tyres: tuple[TyreFigures, TyreFigures],
    engine: EngineFigures,
    table: FloatArray,
    lock: LockFigures,
    dt: float,
    states: FloatArray,
    forces: FloatArray,
) -> State:
    """Open loop on a level road: one step per row of the control arrays; the state at the end.

    Parameters
    ----------
    steering, throttle, brake : (n,) road-wheel angle (rad), 0 to 1, torque of all four brakes (N.m).
    ratio : engine over wheel speed, kept throughout.
    car, tyres, engine, table, lock, dt : as `run_session` takes them.
    states, forces : (n, fields) of `State` and `Forces`, filled in place.
    """
    for i in range(len(steering)):
        controls = Controls(float(steering[i]), float(throttle[i]), float(brake[i]), ratio, 1.0, 0.0, *LEVEL)
        state, force = step_car(state, controls, car, tyres, engine, table, lock, dt)
        for k in range(len(state)):
            states[i, k] = state[k]
        for k in range(len(force)):
            forces[i, k] = force[k]
    return state
