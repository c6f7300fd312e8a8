"""One step of the planar car: seven degrees of freedom, tyre and load lag, engine and driven axle."""

import math
from collections import namedtuple

import numpy as np

from analyzer.simulation.axle import step_axle
from analyzer.simulation.compiled import compiled
from analyzer.simulation.parameters import Powertrain, SimTyre
from analyzer.simulation.tyre import TyreFigures, cornering_stiffness, friction_scale, tyre_figures, tyre_forces
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

LOAD_LAG_S = 0.06  # roll and pitch follow the accelerations with about this delay; common practice, no source
_SLOWEST_M_S = 2.0  # slips are not defined at rest: contact speeds below this are taken as this
_BRAKE_CREEP_RAD_S = 1.0  # below this wheel speed brakes fade to zero instead of turning the wheel backwards

CarFigures = namedtuple(
    "CarFigures",
    "mass yaw_inertia front rear height half_front half_rear rear_transfer drag downforce front_downforce "
    "front_brake rolling wheel_inertia r_fl r_fr r_rl r_rr",
)
EngineFigures = namedtuple("EngineFigures", "engine_inertia driveline_inertia efficiency limiter lag table_step")
Controls = namedtuple("Controls", "steer throttle brake ratio clutch")  # road-wheel rad, 0-1, N.m at all wheels, -, 0-1

# speeds m/s, rad; four wheel speeds, turned angles, lagged slips and slip tangents; lagged accelerations; engine
State = namedtuple(
    "State",
    "x y heading vx vy yaw_rate w_fl w_fr w_rl w_rr a_fl a_fr a_rl a_rr s_fl s_fr s_rl s_rr "
    "t_fl t_fr t_rl t_rr ax_lag ay_lag engine_torque hubs twist temperature",
)
Forces = namedtuple(
    "Forces",
    "ax ay input_torque torque_difference capacity locked slip_rl slip_rr slip_fl slip_fr "
    "load_fl load_fr load_rl load_rr fx_fl fx_fr fx_rl fx_rr fy_fl fy_fr fy_rl fy_rr",
)


def car_figures(*, car: Car, tyre: SimTyre) -> CarFigures:
    """The car in the form of the inner loop (SI; half tracks; drag and downforce as 1/2 rho A)."""
    radii = car.rolling_radii_m * np.array(tyre.radius_factors)
    return CarFigures(
        car.mass_kg,
        car.yaw_inertia,
        car.cg_to_front_m,
        car.cg_to_rear_m,
        car.cg_height_m,
        car.front_track_m / 2,
        car.rear_track_m / 2,
        car.rear_load_transfer,
        0.5 * AIR_DENSITY_KG_M3 * car.drag_area_m2,
        0.5 * AIR_DENSITY_KG_M3 * car.downforce_area_m2,
        car.front_downforce_share,
        car.front_brake_fraction,
        car.rolling_resistance,
        car.wheel_inertia_kg_m2,
        *(float(r) for r in radii),
    )


def axle_grip(*, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], speed_m_s: float, ay: float) -> list[float]:
    """Lateral acceleration (m/s2) that the friction of each axle could hold, front and rear, loaded as at `ay`."""
    length = car.front + car.rear
    masses = car.mass * car.rear / length, car.mass * car.front / length
    loads = wheel_loads(speed_m_s, 0.0, ay, car)
    grip = [
        tyre.friction_y * sum(friction_scale(z, tyre) * z for z in pair)
        for tyre, pair in zip(tyres, (loads[:2], loads[2:]), strict=True)
    ]
    return [g / m for g, m in zip(grip, masses, strict=True)]


def lateral_limit(*, car: CarFigures, tyres: tuple[TyreFigures, TyreFigures], speed_m_s: float) -> float:
    """Lateral acceleration (m/s2) at which the weaker axle has spent its friction, with load transfer and downforce."""
    limit = tyres[0].friction_y * STANDARD_GRAVITY_M_S2
    for _ in range(40):
        limit = 0.5 * (limit + min(axle_grip(car=car, tyres=tyres, speed_m_s=speed_m_s, ay=limit)))
    return limit


_REAR_MARGIN = 1.06  # friction in hand at the rear axle when the front axle lets go; common practice, no source
_UNDERSTEER_RAD_PER_G = 0.008  # at small lateral acceleration; common practice, no source


def balanced(*, car: CarFigures, tyre: SimTyre) -> tuple[TyreFigures, TyreFigures]:
    """Front and rear tyre figures; where `tyre` leaves a rear factor open it is chosen for mild understeer.

    Notes
    -----
    Friction: the rear axle could hold `_REAR_MARGIN` times what the front one can, loaded as at the limit.
    Stiffness: W_f / C_f - W_r / C_r = `_UNDERSTEER_RAD_PER_G` at static loads (linear single-track car).
    """
    front = tyre_figures(tyre)
    speed = 20.0
    limit = front.friction_y * STANDARD_GRAVITY_M_S2
    for _ in range(40):
        limit = 0.5 * (limit + axle_grip(car=car, tyres=(front, front), speed_m_s=speed, ay=limit)[0])
    grips = axle_grip(car=car, tyres=(front, front), speed_m_s=speed, ay=limit)
    friction = _REAR_MARGIN * grips[0] / grips[1]
    loads = wheel_loads(0.0, 0.0, 0.0, car)
    slip_f = loads[0] / cornering_stiffness(loads[0], front)
    slip_r = loads[2] / cornering_stiffness(loads[2], front)
    stiffness = slip_r / max(0.3 * slip_f, slip_f - _UNDERSTEER_RAD_PER_G)
    rear = tyre_figures(
        tyre,
        friction_factor=friction if tyre.rear_friction_factor is None else tyre.rear_friction_factor,
        stiffness_factor=stiffness if tyre.rear_stiffness_factor is None else tyre.rear_stiffness_factor,
    )
    return front, rear


def engine_figures(powertrain: Powertrain) -> tuple[EngineFigures, np.ndarray]:
    """Engine figures, and the (n, 2) table of full and drag torque over evenly spaced engine speed."""
    table = np.array([powertrain.full_torque_Nm, powertrain.drag_torque_Nm], float).T.copy()
    to_rad_s = math.pi / 30
    figures = EngineFigures(
        powertrain.engine_inertia_kg_m2,
        powertrain.driveline_inertia_kg_m2,
        powertrain.efficiency,
        powertrain.limiter_rpm * to_rad_s,
        powertrain.torque_lag_s,
        powertrain.speed_rpm[1] * to_rad_s,
    )
    return figures, table


@compiled
def map_torque(speed, column, table, step):
    """Engine torque (N.m) at engine speed (rad/s): column 0 at full throttle, 1 with the throttle closed."""
    place = max(0.0, speed / step)
    i = min(int(place), len(table) - 2)
    return float(table[i, column]) + (place - i) * (float(table[i + 1, column]) - float(table[i, column]))


@compiled
def wheel_loads(speed, ax, ay, car):
    """(F_z front left, front right, rear left, rear right) in N; a lifted wheel hands its share to the other axle.

    Quasi-static: longitudinal m a_x h / L, lateral m a_y h / track split by the rear load-transfer fraction, downforce
    split by its front share; drag acts at the height of the road.
    """
    length = car.front + car.rear
    weight, lift = car.mass * STANDARD_GRAVITY_M_S2, car.downforce * speed * speed
    along = car.mass * ax * car.height / length
    front = max(0.0, weight * car.rear / length + lift * car.front_downforce - along)
    rear = max(0.0, weight * car.front / length + lift * (1.0 - car.front_downforce) + along)
    moment = car.mass * ay * car.height  # positive in a left turn: loads the right wheels
    moment_r = moment * car.rear_transfer
    limit_f, limit_r = front * car.half_front, rear * car.half_rear
    moment_r = max(-limit_r, min(limit_r, moment_r))
    moment_f = max(-limit_f, min(limit_f, moment - moment_r))
    moment_r = max(-limit_r, min(limit_r, moment - moment_f))
    shift_f, shift_r = 0.5 * moment_f / car.half_front, 0.5 * moment_r / car.half_rear
    return 0.5 * front - shift_f, 0.5 * front + shift_f, 0.5 * rear - shift_r, 0.5 * rear + shift_r


@compiled
def _contact(slip, tangent, load, vx, vy, spin, radius, holding, inertia, dt, tyre):
    """Lagged slips and forces of one wheel over a step, and what its speed at the end of the step obeys.

    Returns (F_x at the slip of the start, slope, gain, rest, F_y, lagged tangent, stiff, push): the slip at the end of
    the step is rest + gain * omega, F_x there is linearised, and stiff * omega = push + axle torque. `holding` is the
    torque of brake and rolling resistance (N.m).
    """
    pace = max(abs(vx), _SLOWEST_M_S)
    tangent = (tangent - dt / tyre.relaxation_y_m * vy) / (1.0 + dt * pace / tyre.relaxation_y_m)
    along = dt / tyre.relaxation_x_m
    gain = along * radius / (1.0 + along * pace)
    rest = (slip - along * vx) / (1.0 + along * pace)
    force, side, slope = tyre_forces(slip, tangent, load, tyre)
    stiff = inertia / dt + radius * slope * gain + holding / max(spin, _BRAKE_CREEP_RAD_S)
    push = inertia / dt * spin - radius * (force + slope * (rest - slip))
    return force, slope, gain, rest, side, tangent, stiff, push


@compiled
def step_car(state, controls, car, tyres, engine, table, lock, dt):
    """(State, Forces) one step of `dt` seconds later.

    Wheel spin, longitudinal slip and the differential are solved together, implicitly and linearised; the body is
    stepped with the forces so found (semi-implicit Euler, first order in dt). `controls.clutch` is 0 during a shift.
    """
    loads = wheel_loads(state.vx, state.ax_lag, state.ay_lag, car)
    tyre_f, tyre_r = tyres
    c, s = math.cos(controls.steer), math.sin(controls.steer)
    left_f, right_f = state.vx - state.yaw_rate * car.half_front, state.vx + state.yaw_rate * car.half_front
    vy_f, vy_r = state.vy + state.yaw_rate * car.front, state.vy - state.yaw_rate * car.rear
    vx_rl, vx_rr = state.vx - state.yaw_rate * car.half_rear, state.vx + state.yaw_rate * car.half_rear
    vx_fl, vx_fr = c * left_f + s * vy_f, c * right_f + s * vy_f
    vy_fl, vy_fr = c * vy_f - s * left_f, c * vy_f - s * right_f
    brake_f, brake_r = 0.5 * controls.brake * car.front_brake, 0.5 * controls.brake * (1.0 - car.front_brake)
    inertia = car.wheel_inertia

    hold = brake_f + car.rolling * loads[0] * car.r_fl
    fx0, d0, g0, q0, fy0, t0, k0, p0 = _contact(
        state.s_fl, state.t_fl, loads[0], vx_fl, vy_fl, state.w_fl, car.r_fl, hold, inertia, dt, tyre_f
    )
    hold = brake_f + car.rolling * loads[1] * car.r_fr
    fx1, d1, g1, q1, fy1, t1, k1, p1 = _contact(
        state.s_fr, state.t_fr, loads[1], vx_fr, vy_fr, state.w_fr, car.r_fr, hold, inertia, dt, tyre_f
    )
    hold = brake_r + car.rolling * loads[2] * car.r_rl
    fx2, d2, g2, q2, fy2, t2, k2, p2 = _contact(
        state.s_rl, state.t_rl, loads[2], vx_rl, vy_r, state.w_rl, car.r_rl, hold, inertia, dt, tyre_r
    )
    hold = brake_r + car.rolling * loads[3] * car.r_rr
    fx3, d3, g3, q3, fy3, t3, k3, p3 = _contact(
        state.s_rr, state.t_rr, loads[3], vx_rr, vy_r, state.w_rr, car.r_rr, hold, inertia, dt, tyre_r
    )

    # engine: the map through a lag, then gears (losses always against the flow)
    speed = 0.5 * (state.w_rl + state.w_rr) * controls.ratio
    full = map_torque(speed, 0, table, engine.table_step) * min(1.0, max(0.0, 1.0 - 0.05 * (speed - engine.limiter)))
    closed = map_torque(speed, 1, table, engine.table_step)
    wanted = (closed + controls.throttle * (full - closed)) * controls.clutch
    torque = state.engine_torque + (wanted - state.engine_torque) * dt / (engine.lag + dt)
    shaft = torque * controls.ratio * (engine.efficiency if torque > 0.0 else 1.0 / engine.efficiency)
    case = (engine.driveline_inertia + controls.clutch * engine.engine_inertia * controls.ratio**2) / dt
    w2, w3, input_torque, difference, capacity, locked, hubs, twist = step_axle(
        k2,
        p2,
        k3,
        p3,
        case,
        shaft,
        state.w_rl + state.w_rr,
        state.hubs,
        state.twist,
        state.temperature,
        dt,
        lock,
    )
    w0, w1 = p0 / k0, p1 / k1

    s0, s1, s2, s3 = q0 + g0 * w0, q1 + g1 * w1, q2 + g2 * w2, q3 + g3 * w3
    fx0, fx1 = fx0 + d0 * (s0 - state.s_fl), fx1 + d1 * (s1 - state.s_fr)
    fx2, fx3 = fx2 + d2 * (s2 - state.s_rl), fx3 + d3 * (s3 - state.s_rr)

    along_l, along_r = c * fx0 - s * fy0, c * fx1 - s * fy1
    across_l, across_r = s * fx0 + c * fy0, s * fx1 + c * fy1
    drag = car.drag * state.vx * abs(state.vx)
    ax = ((along_l + along_r) + (fx2 + fx3) - drag) / car.mass
    ay = ((across_l + across_r) + (fy2 + fy3)) / car.mass
    moment = (
        car.front * (across_l + across_r)
        - car.rear * (fy2 + fy3)
        + car.half_front * (along_r - along_l)
        + car.half_rear * (fx3 - fx2)
    )
    vx = state.vx + dt * (ax + state.yaw_rate * state.vy)
    vy = state.vy + dt * (ay - state.yaw_rate * state.vx)
    yaw_rate = state.yaw_rate + dt * moment / car.yaw_inertia
    heading = state.heading + dt * yaw_rate
    ch, sh = math.cos(heading), math.sin(heading)
    lag = dt / (LOAD_LAG_S + dt)
    heat = 0.5 * abs(difference * hubs)  # two packs, each with half of M at half of the speed difference
    cooling = lock.cooling * (state.temperature - lock.ambient)
    after = State(
        state.x + dt * (vx * ch - vy * sh),
        state.y + dt * (vx * sh + vy * ch),
        heading,
        vx,
        vy,
        yaw_rate,
        w0,
        w1,
        w2,
        w3,
        state.a_fl + dt * w0,
        state.a_fr + dt * w1,
        state.a_rl + dt * w2,
        state.a_rr + dt * w3,
        s0,
        s1,
        s2,
        s3,
        t0,
        t1,
        t2,
        t3,
        state.ax_lag + lag * (ax - state.ax_lag),
        state.ay_lag + lag * (ay - state.ay_lag),
        torque,
        hubs,
        twist,
        state.temperature + dt * (heat - cooling) / lock.heat_capacity,
    )
    forces = Forces(
        ax,
        ay,
        input_torque,
        difference,
        capacity,
        1.0 if locked else 0.0,
        w2 * car.r_rl / max(vx_rl, _SLOWEST_M_S) - 1.0,
        w3 * car.r_rr / max(vx_rr, _SLOWEST_M_S) - 1.0,
        w0 * car.r_fl / max(vx_fl, _SLOWEST_M_S) - 1.0,
        w1 * car.r_fr / max(vx_fr, _SLOWEST_M_S) - 1.0,
        loads[0],
        loads[1],
        loads[2],
        loads[3],
        fx0,
        fx1,
        fx2,
        fx3,
        fy0,
        fy1,
        fy2,
        fy3,
    )
    return after, forces


def rolling_state(
    *, car: CarFigures, speed_m_s: float, x_m: float = 0.0, y_m: float = 0.0, heading_rad: float = 0.0,
    temperature_degC: float = 60.0,
) -> State:  # fmt: skip
    """A car that rolls straight ahead at `speed_m_s` with free wheels and no engine torque."""
    spins = (speed_m_s / r for r in (car.r_fl, car.r_fr, car.r_rl, car.r_rr))
    at_start = (float(x_m), float(y_m), float(heading_rad), float(speed_m_s), 0.0, 0.0, *spins)
    return State._make((*at_start, *([0.0] * 17), float(temperature_degC)))
