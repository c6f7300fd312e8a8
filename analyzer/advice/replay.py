"""The logged laps replayed with another lock curve.

What the laps asked of the rear axle, row by row: all that a replay keeps while the lock curve changes.

Kept: path, speed, steer and throttle, and with them the ground speed under each rear wheel, the wheel loads, the
lateral force of the axle and the torque that came to the differential. Rows are those of the fit (about 20 Hz), in
corners and a second on both sides of them, or from before a slide that was under way; straights have no inside
wheel.

The logged laps again, with another lock curve: wheel speeds, slips and torques solved anew.

Along each corner pass, implicitly in time, for both rear wheels, the case between them and the lateral slip,

    I (w - w_before)/dt = (T +- D)/2 + brake/2 - R F_x(kappa, s) - R c_rr F_z
    T = T_logged - J (case acceleration - logged case acceleration)
    F_y(kappa_l, s) + F_y(kappa_r, s) + (F_xl - F_xr) t/(2 L) = as logged
    locked: w_l = w_r where the D it takes is less than M(T); else |D| = M(T), against the faster wheel

The throttle is kept as logged, so what reaches the differential is kept too, but for J, the inertia of engine and
gears: a wheel that spins up drags the engine along, and one that no longer spins up leaves that torque to the tyres.
Without a spin the sum of the axle's force is that of the log. The ground speed stays as logged in any case; a spin
that costs drive does not slow the car.

The wheel's own inertia keeps the equations solvable past the tyre's peak, where a quasi-steady balance has two
answers or none, and tells a short slide from a long one.

In single precision, which is off by 0.01 N of a tyre's force and takes half the time.
"""

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import AnyArray, BoolArray, FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.observations import Observations
from analyzer.vehicle.axle_inputs import AxleInputs, tyre_figures
from analyzer.vehicle.axle_solution import LARGEST_SIDE_SLIP, put_together, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import WheelForces, wheel_forces

AROUND_S = 1.0  # before and after a corner: the axle settles from its start, and slides end on the straight
MOST_BACK_S = 6.0  # how far back a pass may begin for a slide that is under way before its corner
USUAL_RATIO = 8.0  # of engine to wheel, where the log has no engine speed; common practice, no source
RATIOS = (3.0, 20.0)  # of engine to wheel; outside, the clutch slips or a gear is being changed
ITERATIONS = 4  # a step starts from the one before, 0.05 s ago
MOST_SLIP_STEP = 0.15  # of one iteration: near the peak the tyre's slope says little about what comes after
MOST_SIDE_STEP = 0.03
SLOWEST_M_S = 1.0
SINGLE = np.float32


@dataclass(frozen=True)
class Passes:
    """Rows of the fit by corner pass.

    Attributes
    ----------
    row : (P, L) row of the fit for each pass and step, longest pass first; beyond a pass's length any.
    length : (P,) steps of each pass.
    there : (P, L) bool, not such a repeat, both wheels have gripped before, and the log is valid there.
    step_s : time between rows.
    """

    row: IntArray
    length: IntArray
    there: BoolArray
    step_s: float

    def until(self, looked_at: IntArray) -> "Passes":
        """The passes, none longer than as many steps (P,). Their rows stay, for the last digits of a sample's solution
        hang on which others it was solved with."""
        length = np.minimum(looked_at, self.length)
        order = np.argsort(-length, kind="stable")
        there = self.there & (np.arange(self.row.shape[1]) < length[:, None])
        return Passes(self.row[order], length[order], there[order], self.step_s)


@dataclass(frozen=True)
class Demand:
    """What the laps asked of the axle, for one set of tyre and car figures. Arrays (P, L), or (2, P, L) left, right.

    Attributes
    ----------
    length : (P,) steps of each pass, not rising along P.
    ground_m_s : speed of the ground under each rear wheel.
    speed_m_s : speed of the middle of the rear axle.
    load_N : wheel loads.
    lateral_N : lateral force of the axle plus what a longitudinal force difference adds, F_y + (F_xl - F_xr) t/(2 L).
    input_torque_Nm : through the differential, as measured.
    brake_torque_Nm : of both rear brakes together, never positive.
    case_acceleration_rad_s2 : of the differential case, as measured.
    case_inertia_kg_m2 : engine, flywheel and gears as the case feels them.
    wheel_rad_s, side_slip : (2, P, L) wheel speeds and (P, L) lateral slip as measured: where a replay starts.
    tyre : figures of `wheel_forces`, each a number or (P,).
    wheel_inertia_kg_m2, rolling_resistance : of one wheel, (-), each a number or (P,).
    """

    length: IntArray
    ground_m_s: FloatArray
    speed_m_s: FloatArray
    load_N: FloatArray
    lateral_N: FloatArray
    input_torque_Nm: FloatArray
    brake_torque_Nm: FloatArray
    case_acceleration_rad_s2: FloatArray
    case_inertia_kg_m2: FloatArray
    wheel_rad_s: FloatArray
    side_slip: FloatArray
    tyre: dict[str, float | FloatArray]
    wheel_inertia_kg_m2: float | FloatArray
    rolling_resistance: float | FloatArray


def corner_passes(analysis: Analysis, observed: Observations) -> Passes:
    """Rows of every corner pass of a session.

    Parameters
    ----------
    observed : all rows of it; passes reach `AROUND_S` before and after the corner, so a row may be in two.
    """
    signals = analysis.signals
    around = round(AROUND_S * signals.rate_hz)
    grips = signals.valid & (np.maximum(analysis.axle.use_left, analysis.axle.use_right) <= 1.0)
    spans = [
        np.flatnonzero((observed.index >= start) & (observed.index < c.stop + around))
        for c, start in zip(analysis.corners, _starts(analysis, grips, around), strict=True)
    ]
    spans = sorted((rows for rows in spans if len(rows)), key=len, reverse=True)
    longest = len(spans[0])
    row = np.array([np.pad(rows, (0, longest - len(rows)), mode="edge") for rows in spans])
    own = np.array([np.arange(longest) < len(rows) for rows in spans])
    # a row that two passes share counts in the first
    first = np.zeros(own.shape, bool)
    first.flat[np.unique(np.where(own, row, -1), return_index=True)[1]] = True
    step = observed.index[1] - observed.index[0]
    # a slide that the log shows no beginning of is nobody's: every build would be given it
    begun = np.maximum.accumulate(grips[observed.index[row]], axis=1)
    there = own & first & begun & signals.valid[observed.index[row]]
    return Passes(row, own.sum(axis=1), there, float(step / signals.rate_hz))


def _starts(analysis: Analysis, grips: BoolArray, around: int) -> list[int]:
    """First sample of each pass: `around` before the corner, or where both wheels last gripped (n,) before a slide that
    was under way there; a pass that began with a wheel spinning would give every build that spin."""
    farthest, calm = round(MOST_BACK_S * analysis.signals.rate_hz), np.flatnonzero(grips)
    starts = []
    for corner in analysis.corners:
        start = max(corner.start - around, 0)
        before = calm[np.searchsorted(calm, start, side="right") - 1] if len(calm) and calm[0] <= start else start
        starts.append(int(before) if start - before <= farthest else start)
    return starts


def case_inertia_kg_m2(analysis: Analysis, observed: Observations) -> FloatArray:
    """Inertia of engine and gears at the case, by the ratio of engine to wheel speed where the log has it.

    Parameters
    ----------
    observed : n rows of the session.

    Returns
    -------
    ndarray : (n,); all the same, by `USUAL_RATIO`, without an engine speed in the log.

    Notes
    -----
    J = J_engine i^2
    """
    logged = analysis.recording.channels.get("engine_speed")
    inertia, _ = analysis.car.engine_inertia(ratio_logged=logged is not None)
    if logged is None:
        return np.full(len(observed.index), inertia * USUAL_RATIO**2)
    known = np.isfinite(logged)
    engine = np.interp(analysis.signals.time_s[observed.index], analysis.recording.time_s[known], logged[known])
    wheel = (observed.inputs.left_m_s + observed.inputs.right_m_s) / 2 / analysis.car.rear_rolling_radius_m
    return inertia * np.clip(engine / np.maximum(wheel, 1.0), *RATIOS) ** 2


def demand(
    *,
    value: dict[str, float],
    analysis: Analysis,
    observed: Observations,
    passes: Passes,
    near: Demand | None = None,
) -> Demand:
    """The demand by the tyre and car figures `value` (name -> value, as fitted or drawn).

    Parameters
    ----------
    near : demand by figures not far from these, to start the solution from.
    value : tyre and car figures by name, as fitted or drawn.
    observed, passes : of the whole session.

    Notes
    -----
    Under braking the torque through the differential is what coasting shows, and the rest of the rear axle's force is
    its brakes', the same left and right, as in the analysis.
    """
    car = analysis.car
    row, place = np.unique(passes.row, return_inverse=True)
    place = place.reshape(passes.row.shape)
    inputs, index = observed.inputs.take(row), observed.index[row]
    braked = analysis.signals.braking[index]
    coast_Nm = np.nan_to_num(analysis.axle.input_torque_Nm[index])
    start = None
    if near is not None:
        first = np.unique(passes.row, return_index=True)[1]
        start = np.array([near.speed_m_s.flat[first], near.side_slip.flat[first]])
    solution = solve(value, inputs, car, start=start)
    if braked.any():
        beyond_coasting = np.minimum(solution.at.input_torque_Nm - coast_Nm, 0.0) * braked
        front_N = -beyond_coasting * car.front_brake_fraction / car.rear_rolling_radius_m
        slowed = replace(inputs, front_brake_N=front_N).take(braked)
        on_brakes = solve(value, slowed, car, start=solution.state[:, braked])
        solution = put_together(braked, on_brakes, solution.take(~braked))
    at, (speed, side_slip) = solution.at, solution.state
    input_torque = np.where(braked, coast_Nm, at.input_torque_Nm)
    scale = np.exp(value["rear_left_right_scale"] / 2)
    surface = np.array([inputs.left_m_s * scale, inputs.right_m_s / scale])
    force_l, force_r = at.long_force_N
    tyre = tyre_figures(value, car)
    total = tyre["friction_y"] * at.load_N.sum(axis=0)
    sideways = np.sign(inputs.lat_m_s2) * at.lateral_demand * total
    return Demand(
        length=passes.length,
        ground_m_s=(surface / (1 + at.slip))[:, place],
        speed_m_s=speed[place],
        load_N=at.load_N[:, place],
        lateral_N=(sideways + (force_l - force_r) * _lever(car))[place],
        input_torque_Nm=input_torque[place],
        brake_torque_Nm=np.where(braked, at.input_torque_Nm - input_torque, 0.0)[place],
        case_acceleration_rad_s2=_case_acceleration(inputs, car)[place],
        case_inertia_kg_m2=case_inertia_kg_m2(analysis, observed)[row][place],
        wheel_rad_s=(surface / car.rear_rolling_radius_m)[:, place],
        side_slip=side_slip[place],
        tyre=dict(tyre),
        wheel_inertia_kg_m2=car.wheel_inertia_kg_m2 * np.exp(value["log_wheel_inertia"]),
        rolling_resistance=car.rolling_resistance * np.exp(value["log_rolling_resistance"]),
    )


def side_by_side(demands: list[Demand]) -> Demand:
    """Several demands of the same passes as one, with every pass of each: pass p of demand d is pass p * len + d.

    One replay of many short vectors costs more than one of a few long ones.

    Parameters
    ----------
    demands : at least one; what is a number in each is (P,) in the answer.
    """
    passes, count = len(demands[0].length), len(demands)
    merged: dict[str, Any] = {}
    for field in fields(Demand):
        values = [getattr(d, field.name) for d in demands]
        if field.name == "tyre":
            merged["tyre"] = {name: np.tile([v[name] for v in values], passes) for name in values[0]}
        elif np.ndim(values[0]) == 0:
            merged[field.name] = np.tile(values, passes)
        else:
            axis = 1 if np.ndim(values[0]) == 3 else 0  # of the passes
            stacked = np.stack(values, axis=axis + 1)
            shape = (*stacked.shape[:axis], passes * count, *stacked.shape[axis + 2 :])
            merged[field.name] = stacked.reshape(shape)
    return Demand(**merged)


def _lever(car: Car) -> float:
    """Lateral force at the rear per newton of longitudinal force difference: half a track over the wheelbase."""
    return car.rear_track_m / 2 / car.wheelbase_m


def _case_acceleration(inputs: AxleInputs, car: Car) -> FloatArray:
    return (inputs.left_acc_m_s2 + inputs.right_acc_m_s2) / 2 / car.rear_rolling_radius_m


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

    slip: FloatArray
    use: FloatArray
    wheel_rad_s: FloatArray
    torque_difference_Nm: FloatArray
    input_torque_Nm: FloatArray
    locked: BoolArray


def replay(asked: Demand, curves: FloatArray, *, step_s: float, car: Car) -> Replayed:
    """Replay the passes with other lock curves.

    Parameters
    ----------
    asked : what the laps asked of the axle.
    curves : (k, 5) in the order of `lockcurve.model.NAMES`, or (k, 5, P) with a curve of its own for each pass.
    step_s : time from step to step.
    car : for radius, track and wheelbase.

    Returns
    -------
    Replayed : what lies past the end of a pass repeats its last step.

    Notes
    -----
    Both wheels start as measured, and each step is solved implicitly: locked where the torque that holds them together
    is within the curve, else slipping with the torque of the curve.
    """
    asked = _single(asked)
    passes, length = asked.speed_m_s.shape
    shape = (len(curves), passes)
    # a step's rows lie together while they are written: one after the other along time they are slow to reach
    pair, one = (length, 2, *shape), (length, *shape)
    wheels, uses, slips = np.empty(pair, SINGLE), np.empty(pair, SINGLE), np.empty(pair, SINGLE)
    differences, torques, locks = np.empty(one, SINGLE), np.empty(one, SINGLE), np.empty(one, bool)
    wheel = np.broadcast_to(asked.wheel_rad_s[:, None, :, 0], (2, *shape)).copy()
    side = np.broadcast_to(asked.side_slip[:, 0], shape).copy()
    use, locked = np.ones_like(wheel), np.zeros(shape, bool)
    difference, torque = np.zeros_like(side), np.zeros_like(side)
    parameters: AnyArray = np.asarray(curves, SINGLE)
    parameters = np.broadcast_to(
        parameters[:, :, None] if parameters.ndim == 2 else parameters, (len(curves), 5, passes)
    )
    at_rest = model.rounding_at_rest_Nm(parameters)
    for i in range(length):
        n = int(np.searchsorted(-asked.length, -i))  # passes that last longer than i steps come first
        if n:
            now = _Step.of(asked, i, n, step_s, car)
            wheel[..., :n], side[:, :n], use[..., :n], difference[:, :n], torque[:, :n], locked[:, :n] = now.solved(
                wheel[..., :n], side[:, :n], parameters[..., :n], (at_rest[0][:, :n], at_rest[1][:, :n])
            )
        wheels[i], uses[i], differences[i], torques[i], locks[i] = wheel, use, difference, torque, locked
        slips[i] = wheel * car.rear_rolling_radius_m / asked.ground_m_s[:, None, :, i] - 1

    def by_time(steps: AnyArray) -> AnyArray:
        return np.ascontiguousarray(np.moveaxis(steps, 0, -1))

    return Replayed(*(by_time(steps) for steps in (slips, uses, wheels, differences, torques, locks)))


def _single(asked: Demand) -> Demand:
    """The demand in single precision."""

    def of(value: Any) -> Any:
        return {name: of(one) for name, one in value.items()} if isinstance(value, dict) else SINGLE(value)

    return Demand(asked.length, *(of(getattr(asked, f.name)) for f in fields(Demand)[1:]))


@dataclass(frozen=True)
class _Step:
    """One time step of the first n passes: what is asked, (n,) or (2, 1, n) left, right."""

    ground_m_s: FloatArray
    speed_m_s: FloatArray
    load_N: FloatArray
    lateral_N: FloatArray
    pushed_Nm: FloatArray  # on the case, inertia of engine and gears included
    input_torque_Nm: FloatArray
    holding_Nm: FloatArray
    inertia: float | FloatArray  # of a wheel and of the case, over the step, N.m s
    case: FloatArray
    tyre: dict[str, float | FloatArray]
    radius_m: float
    lever: float  # half a track over the wheelbase

    @classmethod
    def of(cls, asked: Demand, i: int, n: int, step_s: float, car: Car) -> "_Step":
        """Step `i` of the first `n` passes."""

        def of_pass(x: float | FloatArray) -> float | FloatArray:
            return x[:n] if isinstance(x, np.ndarray) and x.ndim else x

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

    def solved(
        self, before: FloatArray, side: FloatArray, curves: FloatArray, at_rest_Nm: tuple[FloatArray, FloatArray]
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray, BoolArray]:
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
            capacity = model.locking_torque_Nm(curves, torque, at_rest_Nm=at_rest_Nm)
            locked = np.abs(together) <= capacity
            difference = np.clip(together, -capacity, capacity)
            after = np.array([free_l + gain_l * difference, free_r - gain_r * difference])
            most = MOST_SLIP_STEP * self.ground_m_s / radius
            wheel = wheel + np.clip(after - wheel, -most, most)
            torque = self.pushed_Nm - self.case * (wheel.sum(axis=0) - turning) / 2
            side = self._side_slip(side, force)
        wheel = np.where(locked, wheel.mean(axis=0), wheel)
        return wheel, side, force.use, difference, torque, locked

    def _side_slip(self, side: FloatArray, force: WheelForces) -> FloatArray:
        """Lateral slip, one Newton step nearer to the lateral force that is asked."""
        given = force.lateral.sum(axis=0) + self.lever * (force.longitudinal[0] - force.longitudinal[1])
        by_tangent = force.dlat_dtan_alpha + self.lever * _sided(force.dlong_dtan_alpha)
        slope = (by_tangent * self.speed_m_s / self.ground_m_s).sum(axis=0)
        move = (self.lateral_N - given) / np.maximum(slope, 0.02 * self.load_N.sum(axis=0))
        moved = side + np.clip(move, -MOST_SIDE_STEP, MOST_SIDE_STEP)
        within: FloatArray = np.clip(moved, -LARGEST_SIDE_SLIP, LARGEST_SIDE_SLIP)
        return within


def _sided(values: FloatArray) -> FloatArray:
    return np.array([values[0], -values[1]])
