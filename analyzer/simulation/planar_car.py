"""One step of the planar car: seven degrees of freedom, tyre and load lag, engine; and the driven axle: two wheels,
the case between them and the packs, stepped without chatter.
"""

import math
from collections import namedtuple

from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.simulation.nuisances import LOAD_LAG_S
from analyzer.simulation.plain_car import (
    CarFigures,
    EngineFigures,
    TyreFigures,
    compiled,
    loads_on_road,
    rolling_radius,
    tyre_forces,
)
from analyzer.simulation.simulated_car import LockParameters

LockFigures = namedtuple(
    "LockFigures",
    "preload drive_slope drive_hold coast_slope coast_hold static_ratio falling_speed fade reference "
    "heat_capacity cooling ambient stiffness damping hub_inertia play outside",
)
_NEVER_SLIPS_NM = 1e9  # capacity of a spool; finite, so that the same step serves
_SLOWEST_M_S = 2.0  # slips are not defined at rest: contact speeds below this are taken as this
_BRAKE_CREEP_RAD_S = 1.0  # below this wheel speed brakes fade to zero instead of turning the wheel backwards
LEVEL = (0.0, 0.0, STANDARD_GRAVITY_M_S2, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0)  # a level, even road


def lock_figures(lock: LockParameters) -> LockFigures:
    """The lock curve in the form of the inner loop; open and spool are the limits 0 and 1e9 N.m of a plate."""
    limits = {"open": 0.0, "spool": _NEVER_SLIPS_NM}
    plate = lock.kind == "plate"
    curve = (lock.preload_Nm, lock.drive_slope, lock.drive_hold_Nm, lock.coast_slope, lock.coast_hold_Nm)
    figures = (
        *(curve if plate else (limits[lock.kind], 0.0, 0.0, 0.0, 0.0)),
        lock.static_ratio if plate else 1.0,
        lock.falling_speed_rad_s,
        lock.fade_per_K if plate else 0.0,
        lock.reference_degC,
        lock.heat_capacity_J_K,
        lock.cooling_W_K,
        lock.ambient_degC,
        lock.shaft_stiffness_Nm_rad,
        lock.shaft_damping_Nms_rad,
        lock.hub_inertia_kg_m2,
        lock.thrust_play_percent / 100 if plate else 0.0,
        1.0 if plate and lock.preload_springs == "outside_packs" else 0.0,
    )
    return LockFigures(*map(float, figures))  # for 60 and 60.0 all that takes them would be compiled twice


@compiled
def ramp_torque(input_torque: float, before: float, lock: LockFigures) -> float:
    """What the ramps add to M (N.m).

    Parameters
    ----------
    input_torque : of the case (N.m), drive positive.
    before : what they added the step before (N.m).
    lock : `LockFigures`.

    Notes
    -----
    Pins that climb their ramps rub: while torque rises the thrust is less than without friction, while it falls it is
    more, and in between it stays as it is (derived; a play operator between slope (1 - play) and slope (1 + play)).
    """
    if input_torque > 0.0:
        smooth = lock.drive_slope * max(0.0, input_torque - lock.drive_hold)
    else:
        smooth = lock.coast_slope * max(0.0, -input_torque - lock.coast_hold)
    added: float = max(smooth * (1.0 - lock.play), min(smooth * (1.0 + lock.play), before))
    return added


@compiled
def sliding_capacity(input_torque: float, temperature: float, lock: LockFigures, before: float = 0.0) -> float:
    """M (N.m) of packs that slip fast.

    Parameters
    ----------
    input_torque : of the case (N.m), drive positive.
    temperature : of the packs (degC).
    lock : `LockFigures`.
    before : what the ramps added to M the step before (N.m).
    """
    ramps = ramp_torque(input_torque, before, lock)
    torque: float = max(lock.preload, ramps) if lock.outside > 0.5 else lock.preload + ramps
    left: float = max(0.1, 1.0 - lock.fade * (temperature - lock.reference))
    return torque * left


@compiled
def step_axle(
    left_stiff: float,
    left_push: float,
    right_stiff: float,
    right_push: float,
    case: float,
    shaft: float,
    before: float,
    hubs: float,
    twist: float,
    temperature: float,
    dt: float,
    lock: LockFigures,
    ramps: float = 0.0,
) -> tuple[float, float, float, float, float, bool, float, float, float]:
    """Wheel speeds at the end of a step, and the torques in between.

    Parameters
    ----------
    left_stiff, left_push : the left wheel alone obeys stiff * omega = push + T_left (N.m s, N.m); right likewise.
    case : inertia that turns with the case over the step, J_case / dt (N.m s).
    shaft : torque on the case from the engine (N.m).
    before : sum of both wheel speeds at the start of the step (rad/s).
    hubs, twist : speed difference in the packs, left minus right, at the start of the step (rad/s), and how far the
        left halfshaft is wound up more than the right one (rad). With rigid shafts the packs turn with the wheels.
    temperature : of the packs (degC).
    dt : s.
    lock : `LockFigures`.
    ramps : what the ramps added to M at the start of the step (N.m).

    Returns
    -------
    (omega_left, omega_right, T_in, T_left - T_right at the wheels, capacity, locked, hubs, twist, ramps)

    Notes
    -----
    T_in = shaft - J_case d(mean speed)/dt, T_left,right = (T_in +- D) / 2. All speeds are linear in the packs' torque
    P, so the P* that makes their speed difference zero at the end of the step is known: within the capacity the packs
    stick and P = P*, else P = +-capacity with the sign of P*, which always points from the faster to the slower side.
    This projection cannot chatter; stick-slip that comes out is the packs' own falling friction. Capacity depends on
    T_in, which hardly depends on P: three rounds settle it.
    """
    half = 0.25 * case
    push_l = left_push + 0.5 * shaft + half * before
    push_r = right_push + 0.5 * shaft + half * before
    a, b = left_stiff + half, right_stiff + half
    determinant = a * b - half * half
    free_l = (push_l * b - half * push_r) / determinant
    free_r = (a * push_r - half * push_l) / determinant
    gain_l = 0.5 * (b + half) / determinant  # per N.m of D
    gain_r = -0.5 * (a + half) / determinant

    # D = offset + share P at the wheels, and the packs' speed difference = start + mobility P
    offset, share = 0.0, 1.0
    start, mobility = free_l - free_r, gain_l - gain_r
    if lock.stiffness > 0.0:
        grip, light = lock.stiffness * dt + lock.damping, dt / lock.hub_inertia
        scale = 1.0 / (1.0 + grip * (light + mobility))
        offset = scale * (lock.stiffness * twist + grip * (hubs - start))
        share = scale * grip * light
        start, mobility = hubs - light * offset, light * (1.0 - share)
    stick = -start / mobility

    packs, capacity, locked, input_torque = stick, 0.0, False, 0.0
    for _ in range(3):
        total = free_l + free_r + (offset + share * packs) * (gain_l + gain_r)
        input_torque = shaft - 0.5 * case * (total - before)
        sliding = sliding_capacity(input_torque, temperature, lock, ramps)
        capacity = sliding * (1.0 + (lock.static_ratio - 1.0) * math.exp(-abs(hubs) / lock.falling_speed))
        locked = abs(stick) <= capacity and capacity > 0.0
        packs = stick if locked else math.copysign(capacity, stick)
    torque = offset + share * packs
    left, right = free_l + gain_l * torque, free_r + gain_r * torque
    if lock.stiffness > 0.0:
        hubs = 0.0 if locked else start + mobility * packs
        twist = twist + dt * (hubs - (left - right))
    else:
        if locked:
            left = right = 0.5 * (left + right)
        hubs = left - right
    return left, right, input_torque, torque, capacity, locked, hubs, twist, ramp_torque(input_torque, ramps, lock)


# road-wheel rad, 0-1, N.m at all wheels, -, 0-1, N.m at the crank; then what the road gives: gravity along and across
# and specific force upwards (m/s2), factors on friction, stiffness and the four wheel loads
Controls = namedtuple(
    "Controls",
    "steer throttle brake ratio clutch kick along across vertical friction stiffness bump_fl bump_fr bump_rl bump_rr",
)

# speeds m/s, rad; four wheel speeds, turned angles, lagged slips and slip tangents; lagged accelerations; engine
State = namedtuple(
    "State",
    "x y heading vx vy yaw_rate w_fl w_fr w_rl w_rr a_fl a_fr a_rl a_rr s_fl s_fr s_rl s_rr "
    "t_fl t_fr t_rl t_rr ax_lag ay_lag ay_lag_rear engine_torque hubs twist ramps temperature",
)
Forces = namedtuple(
    "Forces",
    "ax ay input_torque torque_difference capacity locked slip_rl slip_rr slip_fl slip_fr "
    "load_fl load_fr load_rl load_rr fx_fl fx_fr fx_rl fx_rr fy_fl fy_fr fy_rl fy_rr",
)


@compiled
def map_torque(speed: float, column: int, table: FloatArray, step: float) -> float:
    """Engine torque at the crank (N.m), linear between the rows of the table and beyond its end.

    Parameters
    ----------
    speed : engine speed (rad/s); below 0 counts as 0.
    column : 0 at full throttle, 1 with the throttle closed.
    table : (n, 2) as `plain_car.engine_figures` gives it.
    step : between its rows (rad/s).
    """
    place = max(0.0, speed / step)
    i = min(int(place), len(table) - 2)
    return float(table[i, column]) + (place - i) * (float(table[i + 1, column]) - float(table[i, column]))


@compiled
def _contact(
    slip: float,
    tangent: float,
    load: float,
    vx: float,
    vy: float,
    spin: float,
    radius: float,
    holding: float,
    inertia: float,
    dt: float,
    tyre: TyreFigures,
    friction: float,
    stiffness: float,
) -> tuple[float, float, float, float, float, float, float, float]:
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
    force, side, slope = tyre_forces(slip, tangent, load, tyre, friction, stiffness)
    stiff = inertia / dt + radius * slope * gain + holding / max(spin, _BRAKE_CREEP_RAD_S)
    push = inertia / dt * spin - radius * (force + slope * (rest - slip))
    return force, slope, gain, rest, side, tangent, stiff, push


@compiled
def _engine(
    state: State, controls: Controls, engine: EngineFigures, table: FloatArray, dt: float
) -> tuple[float, float, float]:
    """(engine torque, torque at the case, case inertia / dt): the map through a lag, then gears.

    Losses of the gears are always against the flow.
    """
    speed = 0.5 * (state.w_rl + state.w_rr) * controls.ratio
    full = map_torque(speed, 0, table, engine.table_step) * min(1.0, max(0.0, 1.0 - 0.05 * (speed - engine.limiter)))
    closed = map_torque(speed, 1, table, engine.table_step)
    wanted = (closed + controls.throttle * (full - closed)) * controls.clutch
    torque = state.engine_torque + (wanted - state.engine_torque) * dt / (engine.lag + dt)
    given = torque + controls.kick
    shaft = given * controls.ratio * (engine.efficiency if given > 0.0 else 1.0 / engine.efficiency)
    case = (engine.driveline_inertia + controls.clutch * engine.engine_inertia * controls.ratio**2) / dt
    return torque, shaft, case


@compiled
def step_car(
    state: State,
    controls: Controls,
    car: CarFigures,
    tyres: tuple[TyreFigures, TyreFigures],
    engine: EngineFigures,
    table: FloatArray,
    lock: LockFigures,
    dt: float,
) -> tuple[State, Forces]:
    """(State, Forces) one step later.

    Wheel spin, longitudinal slip and the differential are solved together, implicitly and linearised; the body is
    stepped with the forces so found (semi-implicit Euler, first order in dt).

    Parameters
    ----------
    state, controls : of now; `controls.clutch` is 0 during a shift, and `controls.brake` the torque of all four brakes.
    tyres : front and rear `TyreFigures`.
    engine, table : as `plain_car.engine_figures` gives them.
    lock : `LockFigures`.
    dt : s.
    """
    even = loads_on_road(state.vx, state.ax_lag, state.ay_lag, state.ay_lag_rear, controls.vertical, car)
    loads = (
        even[0] * controls.bump_fl,
        even[1] * controls.bump_fr,
        even[2] * controls.bump_rl,
        even[3] * controls.bump_rr,
    )
    radii = (
        rolling_radius(car.r_fl, loads[0], car.static_f, car),
        rolling_radius(car.r_fr, loads[1], car.static_f, car),
        rolling_radius(car.r_rl, loads[2], car.static_r, car),
        rolling_radius(car.r_rr, loads[3], car.static_r, car),
    )
    tyre_f, tyre_r = tyres
    c, s = math.cos(controls.steer), math.sin(controls.steer)
    left_f, right_f = state.vx - state.yaw_rate * car.half_front, state.vx + state.yaw_rate * car.half_front
    vy_f, vy_r = state.vy + state.yaw_rate * car.front, state.vy - state.yaw_rate * car.rear
    vx_rl, vx_rr = state.vx - state.yaw_rate * car.half_rear, state.vx + state.yaw_rate * car.half_rear
    vx_fl, vx_fr = c * left_f + s * vy_f, c * right_f + s * vy_f
    vy_fl, vy_fr = c * vy_f - s * left_f, c * vy_f - s * right_f
    brake_f, brake_r = 0.5 * controls.brake * car.front_brake, 0.5 * controls.brake * (1.0 - car.front_brake)
    left_r, right_r = brake_r * (2.0 * car.brake_left), brake_r * (2.0 * (1.0 - car.brake_left))
    inertia = car.wheel_inertia

    hold = brake_f + car.rolling * loads[0] * radii[0]
    fx0, d0, g0, q0, fy0, t0, k0, p0 = _contact(
        state.s_fl, state.t_fl, loads[0], vx_fl, vy_fl, state.w_fl, radii[0], hold, inertia, dt, tyre_f,
        controls.friction * car.grip_fl, controls.stiffness * car.grip_fl,
    )  # fmt: skip
    hold = brake_f + car.rolling * loads[1] * radii[1]
    fx1, d1, g1, q1, fy1, t1, k1, p1 = _contact(
        state.s_fr, state.t_fr, loads[1], vx_fr, vy_fr, state.w_fr, radii[1], hold, inertia, dt, tyre_f,
        controls.friction * car.grip_fr, controls.stiffness * car.grip_fr,
    )  # fmt: skip
    hold = left_r + car.rolling * loads[2] * radii[2]
    fx2, d2, g2, q2, fy2, t2, k2, p2 = _contact(
        state.s_rl, state.t_rl, loads[2], vx_rl, vy_r, state.w_rl, radii[2], hold, inertia, dt, tyre_r,
        controls.friction * car.grip_rl, controls.stiffness * car.grip_rl,
    )  # fmt: skip
    hold = right_r + car.rolling * loads[3] * radii[3]
    fx3, d3, g3, q3, fy3, t3, k3, p3 = _contact(
        state.s_rr, state.t_rr, loads[3], vx_rr, vy_r, state.w_rr, radii[3], hold, inertia, dt, tyre_r,
        controls.friction * car.grip_rr, controls.stiffness * car.grip_rr,
    )  # fmt: skip

    torque, shaft, case = _engine(state, controls, engine, table, dt)
    w2, w3, input_torque, difference, capacity, locked, hubs, twist, ramps = step_axle(
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
        state.ramps,
    )
    w0, w1 = p0 / k0, p1 / k1

    s0, s1, s2, s3 = q0 + g0 * w0, q1 + g1 * w1, q2 + g2 * w2, q3 + g3 * w3
    fx0, fx1 = fx0 + d0 * (s0 - state.s_fl), fx1 + d1 * (s1 - state.s_fr)
    fx2, fx3 = fx2 + d2 * (s2 - state.s_rl), fx3 + d3 * (s3 - state.s_rr)

    along_l, along_r = c * fx0 - s * fy0, c * fx1 - s * fy1
    across_l, across_r = s * fx0 + c * fy0, s * fx1 + c * fy1
    drag = car.drag * state.vx * abs(state.vx)
    ax = ((along_l + along_r) + (fx2 + fx3) - drag) / car.mass  # tyre and air force over mass: accelerometers read it
    ay = ((across_l + across_r) + (fy2 + fy3)) / car.mass
    moment = (
        car.front * (across_l + across_r)
        - car.rear * (fy2 + fy3)
        + car.half_front * (along_r - along_l)
        + car.half_rear * (fx3 - fx2)
    )
    vx = state.vx + dt * (ax + controls.along + state.yaw_rate * state.vy)
    vy = state.vy + dt * (ay + controls.across - state.yaw_rate * state.vx)
    yaw_rate = state.yaw_rate + dt * moment / car.yaw_inertia
    heading = state.heading + dt * yaw_rate
    ch, sh = math.cos(heading), math.sin(heading)
    pitch_lag, lag, lag_rear = dt / (LOAD_LAG_S + dt), dt / (car.lag_front + dt), dt / (car.lag_rear + dt)
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
        state.ax_lag + pitch_lag * (ax - state.ax_lag),
        state.ay_lag + lag * (ay - state.ay_lag),
        state.ay_lag_rear + lag_rear * (ay - state.ay_lag_rear),
        torque,
        hubs,
        twist,
        ramps,
        state.temperature + dt * (heat - cooling) / lock.heat_capacity,
    )
    forces = Forces(
        ax,
        ay,
        input_torque,
        difference,
        capacity,
        1.0 if locked else 0.0,
        w2 * radii[2] / max(vx_rl, _SLOWEST_M_S) - 1.0,
        w3 * radii[3] / max(vx_rr, _SLOWEST_M_S) - 1.0,
        w0 * radii[0] / max(vx_fl, _SLOWEST_M_S) - 1.0,
        w1 * radii[1] / max(vx_fr, _SLOWEST_M_S) - 1.0,
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
    """A car that rolls straight ahead with free wheels and no engine torque.

    Parameters
    ----------
    x_m, y_m, heading_rad : where, in the circuit's plan.
    temperature_degC : of the differential.
    """
    spins = (speed_m_s / r for r in (car.r_fl, car.r_fr, car.r_rl, car.r_rr))
    at_start = (float(x_m), float(y_m), float(heading_rad), float(speed_m_s), 0.0, 0.0, *spins)
    return State._make((*at_start, *([0.0] * 19), float(temperature_degC)))
