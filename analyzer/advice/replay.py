"""The logged laps again, with another lock curve: wheel speeds, slips and torques solved anew.

Along each corner pass, implicitly in time, for both rear wheels, the case between them and the lateral slip,

    I (w - w_before)/dt = (T +- D)/2 + brake/2 - R F_x(kappa, s) - R c_rr F_z
    T = T_logged - J (case acceleration - logged case acceleration)
    F_y(kappa_l, s) + F_y(kappa_r, s) + (F_xl - F_xr) t/(2 L) = as logged
    locked: w_l = w_r where the D it takes is less than M(T); else |D| = M(T), against the faster wheel

The throttle is kept as logged, so what reaches the differential is kept too, but for J, the inertia of engine and
gears: a wheel that spins up drags the engine along, and one that no longer spins up leaves that torque to the tyres.
Without a spin the sum of the axle's force is that of the log. The ground speed stays as logged in any case; a spin that
costs drive does not slow the car.

The wheel's own inertia keeps the equations solvable past the tyre's peak, where a quasi-steady balance has two answers
or none, and tells a short slide from a long one.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.advice.demand import Demand
from analyzer.lockcurve import model
from analyzer.vehicle.axle import LARGEST_SIDE_SLIP
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyre import wheel_forces

ITERATIONS = 4  # a step starts from the one before, 0.05 s ago
MOST_SLIP_STEP = 0.15  # of one iteration: near the peak the tyre's slope says little about what comes after
MOST_SIDE_STEP = 0.03
SLOWEST_M_S = 1.0


@dataclass(frozen=True)
class Replayed:
    """The axle with k lock curves. Arrays (k, P, L), or (2, k, P, L) left, right.

    Attributes
    ----------
    slip : longitudinal slips.  use : combined slip over slip at peak force.
    wheel_rad_s : wheel speeds.
    torque_difference_Nm : T_left - T_right through the differential.
    input_torque_Nm : T_left + T_right through the differential.
    locked : bool.
    """

    slip: np.ndarray
    use: np.ndarray
    wheel_rad_s: np.ndarray
    torque_difference_Nm: np.ndarray
    input_torque_Nm: np.ndarray
    locked: np.ndarray


def replay(asked: Demand, curves: np.ndarray, *, step_s: float, car: Car) -> Replayed:
    """Replay with each of `curves` (k, 5), parameters in the order of `lockcurve.model.NAMES`."""
    passes, length = asked.speed_m_s.shape
    shape = (len(curves), passes)
    out = Replayed(
        slip=np.empty((2, *shape, length)),
        use=np.empty((2, *shape, length)),
        wheel_rad_s=np.empty((2, *shape, length)),
        torque_difference_Nm=np.empty((*shape, length)),
        input_torque_Nm=np.empty((*shape, length)),
        locked=np.empty((*shape, length), bool),
    )
    wheel = np.broadcast_to(asked.wheel_rad_s[:, None, :, 0], (2, *shape))
    side = np.broadcast_to(asked.side_slip[:, 0], shape)
    parameters = np.asarray(curves, float)[:, :, None]
    for i in range(length):
        wheel, side, use, difference, torque, locked = _step(asked, i, wheel, side, parameters, step_s, car)
        out.wheel_rad_s[..., i], out.use[..., i] = wheel, use
        out.slip[..., i] = wheel * car.rear_rolling_radius_m / asked.ground_m_s[:, None, :, i] - 1
        out.torque_difference_Nm[..., i], out.input_torque_Nm[..., i] = difference, torque
        out.locked[..., i] = locked
    return out


def _step(asked: Demand, i: int, before: np.ndarray, side: np.ndarray, curves: np.ndarray, step_s: float, car: Car):
    """One time step: (wheel speeds, lateral slip, use, torque difference, input torque, locked) at row `i`."""
    radius, lever = car.rear_rolling_radius_m, car.rear_track_m / 2 / car.wheelbase_m
    ground = np.maximum(asked.ground_m_s[:, None, :, i], SLOWEST_M_S)
    load = np.broadcast_to(asked.load_N[:, None, :, i], before.shape)
    speed = asked.speed_m_s[:, i]
    inertia = asked.wheel_inertia_kg_m2 / step_s
    case = asked.case_inertia_kg_m2[:, i] / step_s
    half = case / 4
    holding = asked.brake_torque_Nm[:, i] / 2 - radius * asked.rolling_resistance * load
    turning = before.sum(axis=0)
    pushed = asked.input_torque_Nm[:, i] + asked.case_inertia_kg_m2[:, i] * asked.case_acceleration_rad_s2[:, i]
    push = inertia * before + pushed / 2 + half * turning + holding
    torque = np.broadcast_to(asked.input_torque_Nm[:, i], side.shape)
    wheel = before
    for _ in range(ITERATIONS):
        kappa = wheel * radius / ground - 1
        force = wheel_forces(kappa=kappa, tan_alpha=side * speed / ground, load_N=load, **asked.tyre)
        slope = radius * force.dlong_dkappa * radius / ground
        stiff = np.maximum(inertia + slope, 0.3 * inertia) + half
        rest = push - radius * force.longitudinal + (stiff - half - inertia) * wheel
        # stiff_l w_l + half w_r = rest_l + D/2 and the same on the right with -D/2
        (a, b), (left, right) = stiff, rest
        determinant = a * b - half * half
        free_l, free_r = (left * b - half * right) / determinant, (right * a - half * left) / determinant
        gain_l, gain_r = (b + half) / (2 * determinant), (a + half) / (2 * determinant)
        together = -(free_l - free_r) / (gain_l + gain_r)
        capacity = model.locking_torque_Nm(curves, torque)
        locked = np.abs(together) <= capacity
        difference = np.clip(together, -capacity, capacity)
        after = np.array([free_l + gain_l * difference, free_r - gain_r * difference])
        most = MOST_SLIP_STEP * ground / radius
        wheel = wheel + np.clip(after - wheel, -most, most)
        torque = pushed - case * (wheel.sum(axis=0) - turning) / 2
        sideways = force.lateral.sum(axis=0) + lever * (force.longitudinal[0] - force.longitudinal[1])
        per_side = ((force.dlat_dtan_alpha + lever * _sided(force.dlong_dtan_alpha)) * speed / ground).sum(axis=0)
        move = (asked.lateral_N[:, i] - sideways) / np.maximum(per_side, 0.02 * load.sum(axis=0))
        side = np.clip(side + np.clip(move, -MOST_SIDE_STEP, MOST_SIDE_STEP), -LARGEST_SIDE_SLIP, LARGEST_SIDE_SLIP)
    wheel = np.where(locked, wheel.mean(axis=0), wheel)
    return wheel, side, force.use, difference, torque, locked


def _sided(values: np.ndarray) -> np.ndarray:
    return np.array([values[0], -values[1]])
