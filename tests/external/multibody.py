"""Rear-driven cars that this project did not write, on a short course: [COMMONROAD]'s multi-body model, sets 2 and 3.

Chassis (sprung body with roll and pitch, two axles on springs and lateral compliance) and tyres come from the package;
as delivered both rear wheels get the same torque, which is an open differential. Ours are the course, the driver, the
plates, and the sensors of the simulator's logger. The package's y axis points right and its yaw is positive to the
right; everything that leaves this file is ISO 8855.
"""

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from external.compiled_package import compiled, derivative, plain
from vehiclemodels.init_mb import init_mb
from vehiclemodels.parameters_vehicle2 import parameters_vehicle2
from vehiclemodels.parameters_vehicle3 import parameters_vehicle3

from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.simulation.circuit import Circuit, circuit_from_corners
from analyzer.simulation.sensors import Sensors, sensed_log
from analyzer.simulation.simulated_car import LockParameters
from analyzer.vehicle.car import Car, Tyre

STEP_S = 0.00125
LOOK_EVERY = 8  # steps between two looks of the driver
SPIN = slice(23, 27)  # wheel speeds in the package's state: front left, front right, rear left, rear right
REAR_LEFT, REAR_RIGHT = 25, 26
POWER_W, MOST_TORQUE_NM, COAST_NM_PER_M_S = 120e3, 2600.0, 7.0  # drive of the invented engine, at the wheels
CHASSIS = {2: parameters_vehicle2(), 3: parameters_vehicle3()}  # by the package's number; 3 is heavier and higher
FIGURES = {number: plain(parameters) for number, parameters in CHASSIS.items()}


def car_file(chassis: int = 2, **changes) -> Car:
    """What a workshop would write down of this car from its parameters, by statics (derived).

    The model has no drag and no rolling resistance. Roll stiffness of an axle: springs and bar, K T^2/2 + |K_t|, in
    series with the tyres' K_z T^2/2; its roll centres lie on the ground. The rear's share is of the whole moment, body
    roll included, which is 9 degrees per g in set 2:

        share = [K_r phi + m_ur a_y R] / [m a_y h (1 + g phi / a_y)],   phi = m_s a_y h_s / (K_f + K_r - m_s g h_s)
    """
    p, g = CHASSIS[chassis], STANDARD_GRAVITY_M_S2
    base = p.a + p.b
    front, rear = (
        1 / (1 / (spring * track**2 / 2 + abs(bar)) + 2 / (p.K_zt * track**2))
        for spring, bar, track in ((p.K_sf, p.K_tsf, p.T_f), (p.K_sr, p.K_tsr, p.T_r))
    )
    rolled = p.m_s * p.h_s / (front + rear - p.m_s * g * p.h_s)  # rad per m/s2
    figures = dict(
        name=f"multi-body car {chassis}",
        mass_kg=p.m,
        wheelbase_m=base,
        front_weight_fraction=(p.m_s * p.b / base + p.m_uf) / p.m,
        cg_height_m=p.h_cg,
        front_track_m=p.T_f,
        rear_track_m=p.T_r,
        front_rolling_radius_m=p.R_w,
        rear_rolling_radius_m=p.R_w,
        steering_ratio=15.0,
        yaw_inertia_kg_m2=p.I_z,
        wheel_inertia_kg_m2=p.I_y_w,
        rear_load_transfer_fraction=(rear * rolled + p.m_ur * p.R_w) / (p.m * p.h_cg * (1 + g * rolled)),
        roll_gradient_deg_per_g=math.degrees(g * rolled),
        front_brake_fraction=p.T_sb,
        drag_area_m2=0.0,
        rolling_resistance=0.0,
        tyre=Tyre(peak_friction=1.1),  # road tyres; common practice, no source
    )
    return Car(**(figures | changes))


def short_course() -> Circuit:
    """An invented loop of about 700 m: hairpins of 14 m and corners up to 45 m, to both sides."""
    return circuit_from_corners(
        name="invented short course",
        corners_m=[
            (150, 0, 25),
            (160, 60, 14),
            (100, 65, 20),
            (95, 120, 18),
            (170, 130, 14),
            (165, 190, 30),
            (40, 185, 35),
            (35, 110, 14),
            (-30, 100, 20),
            (-35, 10, 45),
        ],
    )


@dataclass(frozen=True)
class Driven:
    """Log in canonical channels, truth in SI at the same times (`locked`: the packs held)."""

    log: pd.DataFrame
    truth: pd.DataFrame
    car: Car


def drive(
    *, lock: LockParameters, seconds: float, seed: int, sensors: Sensors | None = None, chassis: int = 2
) -> Driven:
    """`seconds` on the short course with the given plates; `open` is the package's own right-hand side plus drive."""
    rng_driver, rng_sensors = np.random.default_rng(seed).spawn(2)
    sensors, course, car = sensors or Sensors(position=False, diff_temperature=False), short_course(), car_file(chassis)
    p = CHASSIS[chassis]
    driver = _Driver(p, course, rng_driver)
    state = np.array(init_mb([0.0, 0.0, 0.0, driver.speed[0], -course.heading_rad[0], 0.0, 0.0], p))
    state[:2] = course.x_m[0], -course.y_m[0]
    looks = int(seconds / STEP_S) // LOOK_EVERY
    every = round(1 / (sensors.rate_Hz * STEP_S))
    angles, rows = np.zeros((looks * LOOK_EVERY, 4)), []
    for first in range(0, len(angles), LOOK_EVERY):
        driver.look(state, LOOK_EVERY * STEP_S)
        capacity = lock.locking_torque(driver.torque_Nm)
        asked = driver.steer_rate, driver.torque_Nm, driver.brake_Nm, capacity
        states, rates, transfers, turned = _steps(state, *asked, FIGURES[chassis])
        state = states[-1]
        angles[first : first + LOOK_EVERY] = angles[first - 1] + turned if first else turned
        for i in range(-(first + 1) % every, LOOK_EVERY, every):
            locked = abs(transfers[i]) <= capacity and capacity > 0
            passed = math.copysign(min(abs(transfers[i]), capacity), transfers[i])
            rows.append(_row(states[i], rates[i], driver, passed, locked))
    truth = pd.DataFrame(rows)
    truth.insert(0, "time", np.round(np.arange(1, len(rows) + 1) * every * STEP_S, 6))
    log = sensed_log(
        truth=truth,
        angles_rad=angles,
        step_s=STEP_S,
        radii_m=car.rolling_radii_m,
        steering_ratio=car.steering_ratio,
        sensors=sensors,
        rng=rng_sensors,
    )
    return Driven(log, truth, car)


@compiled
def right_hand_side(state: np.ndarray, steer_rate: float, torque_Nm: float, brake_Nm: float, p: Any) -> np.ndarray:
    """The package's derivative with steering, no acceleration input; drive and brake torque added at the wheels."""
    rate = derivative(state, steer_rate, 0.0, p)
    brake = brake_Nm * np.tanh(state[SPIN]) / p.I_y_w
    rate[23:25] -= 0.5 * p.T_sb * brake[:2]
    rate[25:27] += 0.5 * torque_Nm / p.I_y_w - 0.5 * (1 - p.T_sb) * brake[2:]
    return rate


@compiled
def _steps(
    state: np.ndarray, steer_rate: float, torque_Nm: float, brake_Nm: float, capacity_Nm: float, p: Any
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """The steps between two looks of the driver, by the midpoint rule.

    Returns (n, 29) states, (n, 29) rates, (n,) the T_left - T_right that would end the speed difference within the step
    (the packs pass of it what they can, from the faster to the slower wheel) and (n, 4) how far the wheels have turned.
    """
    states, rates = np.empty((LOOK_EVERY, 29)), np.empty((LOOK_EVERY, 29))
    sticks, turned, angle = np.empty(LOOK_EVERY), np.empty((LOOK_EVERY, 4)), np.zeros(4)
    for i in range(LOOK_EVERY):
        rate = right_hand_side(state, steer_rate, torque_Nm, brake_Nm, p)
        apart = (state[REAR_LEFT] - state[REAR_RIGHT]) / STEP_S + rate[REAR_LEFT] - rate[REAR_RIGHT]
        sticks[i] = -p.I_y_w * apart
        transfer = math.copysign(min(abs(sticks[i]), capacity_Nm), sticks[i])
        _add_plates(rate, transfer, p.I_y_w)
        middle = state + 0.5 * STEP_S * rate
        rate = right_hand_side(middle, steer_rate, torque_Nm, brake_Nm, p)
        _add_plates(rate, transfer, p.I_y_w)
        state = state + STEP_S * rate
        state[SPIN] = np.maximum(state[SPIN], 0.0)  # the package holds a wheel for ever once it turns back
        angle = angle + STEP_S * middle[SPIN]
        states[i], rates[i], turned[i] = state, rate, angle
    return states, rates, sticks, turned


@compiled
def _add_plates(rate: np.ndarray, transfer: float, inertia: float) -> None:
    rate[REAR_LEFT] += 0.5 * transfer / inertia
    rate[REAR_RIGHT] -= 0.5 * transfer / inertia


def _row(state: np.ndarray, rate: np.ndarray, driver: "_Driver", transfer: float, locked: bool) -> dict[str, float]:
    """Truth of one log sample, turned to ISO 8855. The accelerometer sits on the sprung body."""
    p = driver.parameters
    half = 0.5 * p.T_r * state[5]
    slips = (state[w] * p.R_w / max(state[3] + y, 2.0) - 1 for w, y in ((REAR_LEFT, half), (REAR_RIGHT, -half)))
    slip_left, slip_right = slips
    return {
        "x": state[0],
        "y": -state[1],
        "vx": state[3],
        "vy": -state[10],
        "yaw_rate": -state[5],
        "yaw_rate_mean": -state[5],
        "longitudinal_acceleration": rate[3] - state[5] * state[10],
        "lateral_acceleration": -(rate[10] + state[5] * state[3]),
        "steer": -state[2],
        "throttle": driver.throttle,
        "brake_torque": driver.brake_Nm,
        "input_torque": driver.torque_Nm,
        "torque_left_minus_right": transfer,
        "speed_difference": state[REAR_LEFT] - state[REAR_RIGHT],
        "locked": locked,
        "slip_left": slip_left,
        "slip_right": slip_right,
        "load_rl": p.K_zt * (state[21] - 0.5 * p.T_r * math.sin(state[18])),
        "load_rr": p.K_zt * (state[21] + 0.5 * p.T_r * math.sin(state[18])),
        "lap": driver.lap,
        "gear": 3,
        "engine_speed": 9.0 * 0.5 * (state[REAR_LEFT] + state[REAR_RIGHT]),
    }


class _Driver:
    """Steers to a point ahead on the line and keeps a speed planned from curvature; never twice the same lap."""

    def __init__(self, parameters, course: Circuit, rng: np.random.Generator):
        self.parameters, self.course, self.rng = parameters, course, rng
        self.node, self.lap = 0, 1
        self.steer_rate = self.throttle = self.brake_Nm = self.torque_Nm = 0.0
        self._plan()

    def _plan(self) -> None:
        """Speed and acceleration of the next lap: grip used in corners and eagerness on the throttle are drawn anew."""
        bend, step = np.abs(self.course.curvature_1_m), self.course.step_m
        grip = self.rng.uniform(0.62, 0.74) * STANDARD_GRAVITY_M_S2
        self.eagerness = self.rng.uniform(0.8, 1.3)
        square = np.minimum(grip / bend, 30.0**2)
        n = len(square)
        for towards, most, circle in ((-1, 3.5, 0.95), (1, 5.0 * self.eagerness, 1.4)):
            for i in range(2 * n):  # twice round: the line closes
                here, there = towards * i % n, towards * (i + 1) % n
                left = math.sqrt(max(0.0, 1 - (square[here] * bend[here] / (circle * grip)) ** 2))
                square[there] = min(square[there], square[here] + 2 * most * left * step)
        self.speed = np.sqrt(square)
        self.acceleration = (np.roll(square, -1) - square) / (2 * step)

    def look(self, state: np.ndarray, dt: float) -> None:
        """Set steering rate, pedals and torques for the next `dt`."""
        p, course = self.parameters, self.course
        x, y, heading, speed = state[0], -state[1], -state[4], max(state[3], 1.0)
        n = len(course.x_m)
        near = (self.node + np.arange(-2, 12)) % n
        nearest = int(near[np.argmin((course.x_m[near] - x) ** 2 + (course.y_m[near] - y) ** 2)])
        if nearest < self.node - n // 2:
            self.lap += 1
            self._plan()
        self.node = nearest
        reach = 3.0 + 0.35 * speed
        aim = (nearest + round(reach / course.step_m)) % n
        bearing = math.atan2(course.y_m[aim] - y, course.x_m[aim] - x) - heading
        turn = 2 * math.sin(bearing) / reach
        wanted = float(np.clip((p.a + p.b) * turn + 0.003 * turn * speed**2, -0.5, 0.5))
        self.steer_rate = float(np.clip((-wanted - state[2]) / 0.06, -0.4, 0.4))
        ahead = (nearest + round(0.2 * speed / course.step_m)) % n
        push = p.m * p.R_w * (self.acceleration[ahead] + 1.2 * (self.speed[nearest] - speed))
        full, coast = min(MOST_TORQUE_NM, POWER_W * p.R_w / speed), 40.0 + COAST_NM_PER_M_S * speed
        slip = max(state[REAR_LEFT], state[REAR_RIGHT]) * p.R_w / speed - 1
        ease = float(np.clip(1 - (slip - 0.11) / 0.15, 0.0, 1.0))
        pedal = float(np.clip((push + coast) / full, 0.0, 1.0)) * ease
        self.throttle += float(np.clip(pedal - self.throttle, -6.0 * dt, 3.0 * self.eagerness * dt))
        brake = max(0.0, -push - coast - 100.0)
        self.brake_Nm += float(np.clip(brake - self.brake_Nm, -9000 * dt, 7000 * dt))
        self.torque_Nm = self.throttle * full - coast * (1 - self.throttle)
