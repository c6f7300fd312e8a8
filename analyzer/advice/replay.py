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
from analyzer.vehicle.axle_solution import LARGEST_SIDE_SLIP
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyre import WheelForces, wheel_forces

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
    """Replay with each of `curves`, parameters in the order of `lockcurve.model.NAMES`: (k, 5), or (k, 5, P) with a
    curve of its own for each pass. What lies past the end of a pass repeats its last step."""
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
    wheel = np.broadcast_to(asked.wheel_rad_s[:, None, :, 0], (2, *shape)).copy()
    side = np.broadcast_to(asked.side_slip[:, 0], shape).copy()
    use, difference, torque, locked = np.ones_like(wheel), np.zeros(shape), np.zeros(shape), np.zeros(shape, bool)
    parameters = np.asarray(curves, float)
    parameters = np.broadcast_to(
        parameters[:, :, None] if parameters.ndim == 2 else parameters, (len(curves), 5, passes)
    )
    for i in range(length):
        n = int(np.searchsorted(-asked.length, -i))  # passes that last longer than i steps come first
        now = _Step.of(asked, i, n, step_s, car)
        wheel[..., :n], side[:, :n], use[..., :n], difference[:, :n], torque[:, :n], locked[:, :n] = now.solved(
            wheel[..., :n], side[:, :n], parameters[..., :n]
        )
        out.wheel_rad_s[..., i], out.use[..., i] = wheel, use
        out.slip[..., i] = wheel * car.rear_rolling_radius_m / asked.ground_m_s[:, None, :, i] - 1
        out.torque_difference_Nm[..., i], out.input_torque_Nm[..., i] = difference, torque
        out.locked[..., i] = locked
    return out


@dataclass(frozen=True)
class _Step:
    """One time step of the first n passes: what is asked, (n,) or (2, 1, n) left, right."""

    ground_m_s: np.ndarray
    speed_m_s: np.ndarray
    load_N: np.ndarray
    lateral_N: np.ndarray
    pushed_Nm: np.ndarray  # on the case, inertia of engine and gears included
    input_torque_Nm: np.ndarray
    holding_Nm: np.ndarray
    inertia: np.ndarray  # of a wheel and of the case, over the step, N.m s
    case: np.ndarray
    tyre: dict
    radius_m: float
    lever: float  # half a track over the wheelbase

    @classmethod
    def of(cls, asked: Demand, i: int, n: int, step_s: float, car: Car) -> "_Step":
        """Step `i` of the first `n` passes."""
        of_pass = lambda x: x[:n] if np.ndim(x) else x  # noqa: E731
        radius = car.rear_rolling_radius_m
        load, case = asked.load_N[:, None, :n, i], asked.case_inertia_kg_m2[:n, i]
        return cls(
            ground_m_s=np.maximum(asked.ground_m_s[:, None, :n, i], SLOWEST_M_S),
            speed_m_s=asked.speed_m_s[:n, i],
            load_N=load,
            lateral_N=asked.lateral_N[:n, i],
            pushed_Nm=asked.input_torque_Nm[:n, i] + case * asked.case_acceleration_rad_s2[:n, i],
            input_torque_Nm=asked.input_torque_Nm[:n, i],
            holding_Nm=asked.brake_torque_Nm[:n, i] / 2 - radius * of_pass(asked.rolling_resistance) * load,
            inertia=of_pass(asked.wheel_inertia_kg_m2) / step_s,
            case=case / step_s,
            tyre={name: of_pass(value) for name, value in asked.tyre.items()},
            radius_m=radius,
            lever=car.rear_track_m / 2 / car.wheelbase_m,
        )

    def solved(self, before: np.ndarray, side: np.ndarray, curves: np.ndarray) -> tuple[np.ndarray, ...]:
        """(wheel speeds, lateral slip, use, torque difference, input torque, locked) at the end of the step."""
        radius, half = self.radius_m, self.case / 4
        turning = before.sum(axis=0)
        push = self.inertia * before + self.pushed_Nm / 2 + half * turning + self.holding_Nm
        torque = np.broadcast_to(self.input_torque_Nm, side.shape)
        wheel = before
        for _ in range(ITERATIONS):
            kappa = wheel * radius / self.ground_m_s - 1
            tangent = side * self.speed_m_s / self.ground_m_s
            force = wheel_forces(kappa=kappa, tan_alpha=tangent, load_N=self.load_N, **self.tyre)
            slope = radius * force.dlong_dkappa * radius / self.ground_m_s
            own = np.maximum(self.inertia + slope, 0.3 * self.inertia)  # past the peak the tyre pushes on
            rest = push - radius * force.longitudinal + (own - self.inertia) * wheel
            # (own_l + half) w_l + half w_r = rest_l + D/2, and the same on the right with -D/2
            (a, b), (left, right) = own + half, rest
            determinant = a * b - half * half
            free_l, free_r = (left * b - half * right) / determinant, (right * a - half * left) / determinant
            gain_l, gain_r = (b + half) / (2 * determinant), (a + half) / (2 * determinant)
            together = (free_r - free_l) / (gain_l + gain_r)
            capacity = model.locking_torque_Nm(curves, torque)
            locked = np.abs(together) <= capacity
            difference = np.clip(together, -capacity, capacity)
            after = np.array([free_l + gain_l * difference, free_r - gain_r * difference])
            most = MOST_SLIP_STEP * self.ground_m_s / radius
            wheel = wheel + np.clip(after - wheel, -most, most)
            torque = self.pushed_Nm - self.case * (wheel.sum(axis=0) - turning) / 2
            side = self._side_slip(side, force)
        wheel = np.where(locked, wheel.mean(axis=0), wheel)
        return wheel, side, force.use, difference, torque, locked

    def _side_slip(self, side: np.ndarray, force: WheelForces) -> np.ndarray:
        """Lateral slip, one Newton step nearer to the lateral force that is asked."""
        given = force.lateral.sum(axis=0) + self.lever * (force.longitudinal[0] - force.longitudinal[1])
        by_tangent = force.dlat_dtan_alpha + self.lever * _sided(force.dlong_dtan_alpha)
        slope = (by_tangent * self.speed_m_s / self.ground_m_s).sum(axis=0)
        move = (self.lateral_N - given) / np.maximum(slope, 0.02 * self.load_N.sum(axis=0))
        moved = side + np.clip(move, -MOST_SIDE_STEP, MOST_SIDE_STEP)
        return np.clip(moved, -LARGEST_SIDE_SLIP, LARGEST_SIDE_SLIP)


def _sided(values: np.ndarray) -> np.ndarray:
    return np.array([values[0], -values[1]])
