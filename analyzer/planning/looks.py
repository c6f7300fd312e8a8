"""Logs that nobody has driven yet: steady looks at the differential, solved through the fitted model.

A look is a held throttle on a known radius at a known speed. Input torque and ground speed are given; wheel speeds,
lateral slip and the accelerometer's reading follow from the axle's equations (`vehicle.axle`) at the fitted unknowns.
The axle is solved locked first; where the tyres then ask the packs for more than the lock curve carries it slips, and
the torque moved across is the curve's.
"""

import itertools
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.lockcurve import model
from analyzer.lockcurve.fit import LEAST_SHARE, Fit, counted, shown
from analyzer.lockcurve.loss import evaluate, log_terms, slopes
from analyzer.lockcurve.observations import (
    CORRELATION_S,
    FRONT_SD_M_S,
    LONGEST_PASS_S,
    SETTLE_S,
    UNTOLD_SD_M_S,
    front_speed_sd_m_s,
)
from analyzer.lockcurve.problem import LOCK_SD_Nm, LogPart, joined
from analyzer.lockcurve.unknowns import Owner, unknowns
from analyzer.lockcurve.witness import samples_of
from analyzer.planning.information import Information, Looks
from analyzer.signals.kinematics import LEAST_SPEED_M_S
from analyzer.vehicle.axle import AxleEquations, equations
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car

SLOWEST_G, FASTEST_G = 0.25, 0.60  # lateral acceleration before a pulse of throttle and where it ends
LONGEST_PULSE_S = 3.0
SHORTEST_PULSE_S = 1.5  # the largest one; with less of it the throttle's own time is most of the pulse
SLOWEST_M_S = LEAST_SPEED_M_S + 0.5  # a little over the speed below which nothing is told, so that what is held counts
# between two pulses: throttle shut until the car is slow again, then hardly open and held for the speed, so long each.
# One torque off the throttle would not tell the coast side's slope from its hold-off
EASED_S = 1.0
PULSE_SHARES = (0.25, 0.5, 0.75, 1.0)  # of the largest pulse of a radius, in turn
SPEED_SHARES = (0.2, 0.5, 0.8)  # where within a pulse it is looked at, from the first speed to the last
# a throttle takes about this long from one torque to the next; what lies between is seen too, less surely while the
# torque moves (`loss.SMEARING_S`), and is most of what tells where the ramps begin to clamp
THROTTLE_S = 0.5
MOVING_SHARES = (0.25, 0.5, 0.75)  # where within that time it is looked at
SLIP_SPEED_RAD_S, LOCK_SPEED_RAD_S = 0.3, 0.16  # least and most speed difference of what slips and what is locked
MOST_MISS = 1e-4  # of the solved equations, in standard deviations
LONGEST_STEP = np.array([[0.5], [0.5], [0.03], [0.5]])  # wheel speeds (m/s), lateral slip, acceleration (m/s2)
MOVES = (1e-4, 1e-4, 1e-6, 1e-4)


@dataclass(frozen=True)
class Arc:
    """A way of constant radius: `left` or right, and how long somebody drives on it (s)."""

    radius_m: float
    left: bool
    seconds: float


@dataclass(frozen=True)
class Piece:
    """One throttle on an arc: input torque before and then (N.m), how long (s), speed from and to (m/s), and how much
    of the arc's time is gone (s)."""

    before_Nm: float
    torque_Nm: float
    seconds: float
    from_m_s: float
    to_m_s: float
    gone_s: float


@dataclass(frozen=True)
class Held:
    """Throttles, held or on the move, (n,) each: what is asked of the car, for how long, and the pass it belongs to."""

    speed_m_s: FloatArray
    curvature_1_m: FloatArray
    torque_Nm: FloatArray
    torque_rate_Nm_s: FloatArray
    seconds: FloatArray
    group: IntArray

    def __len__(self) -> int:
        return len(self.speed_m_s)


def largest_pulse_Nm(fit: Fit) -> float:
    """Input torque (N.m) of the largest pulse, as large as all but a fortieth of the logs' samples."""
    torque = fit.solution.at.input_torque_Nm
    return float(np.percentile(torque, 97.5))


def shut_throttle_Nm(fit: Fit) -> float:
    """Input torque (N.m) with the throttle shut, as the logs have it: a fortieth of the samples is lower; 0 or less."""
    return float(min(np.percentile(fit.solution.at.input_torque_Nm, 2.5), 0.0))


def largest_pulse_on_Nm(radius_m: float, car: Car, *, most_Nm: float, fastest_g: float = FASTEST_G) -> float:
    """Input torque (N.m) that takes the car over a radius' speeds in `SHORTEST_PULSE_S`.

    Parameters
    ----------
    most_Nm : never more than this, `largest_pulse_Nm`.
    fastest_g : lateral acceleration at which the pulse ends (g).

    Notes
    -----
    F = m (v_fast - v_slow)/t + drag and rolling resistance midway, v = sqrt(a_y R).
    """
    slow, fast = speeds_on_m_s(radius_m, fastest_g=fastest_g)
    force = car.mass_kg * (fast - slow) / SHORTEST_PULSE_S + _resistance_N(car, (slow + fast) / 2)
    return float(min(most_Nm, car.rear_rolling_radius_m * force))


def speeds_on_m_s(radius_m: float, *, fastest_g: float = FASTEST_G) -> tuple[float, float]:
    """Speeds (m/s) before a pulse and at the end of the largest one.

    Parameters
    ----------
    radius_m : of the arc (m).
    fastest_g : lateral acceleration where a pulse ends (g).
    """
    slow, fast = (math.sqrt(g * STANDARD_GRAVITY_M_S2 * radius_m) for g in (SLOWEST_G, fastest_g))
    return min(max(slow, SLOWEST_M_S), fast), fast


def pieces_on(arc: Arc, car: Car, *, shut_Nm: float, most_Nm: float, fastest_g: float = FASTEST_G) -> Iterator[Piece]:
    """What is held on an arc, until its time is up: as open as the speed needs, a pulse, shut until the car is slow
    again, hardly open; and anew with the next pulse.

    A pulse ends after `LONGEST_PULSE_S`, or where the lateral acceleration reaches `fastest_g`.

    Parameters
    ----------
    shut_Nm : input torque with the throttle shut, 0 or less.
    most_Nm : of the largest pulse on any arc.
    fastest_g : lateral acceleration (g).
    """
    slow, fast = speeds_on_m_s(arc.radius_m, fastest_g=fastest_g)
    largest = largest_pulse_on_Nm(arc.radius_m, car, most_Nm=most_Nm, fastest_g=fastest_g)
    hold = _resistance_N(car, slow) * car.rear_rolling_radius_m

    def gain_m_s2(torque_Nm: float) -> float:
        return (torque_Nm / car.rear_rolling_radius_m - _resistance_N(car, (slow + fast) / 2)) / car.mass_kg

    gone, before = 0.0, hold
    for share in itertools.cycle(PULSE_SHARES):
        gain = gain_m_s2(share * largest)
        lasts = min(LONGEST_PULSE_S, (fast - slow) / gain) if gain > 0 else LONGEST_PULSE_S
        reached = min(slow + max(gain, 0.0) * lasts, fast)
        back = max(EASED_S, (reached - slow) / -gain_m_s2(shut_Nm))
        for level, seconds, start, stop in (
            (hold, EASED_S, slow, slow),
            (share * largest, lasts, slow, reached),
            (shut_Nm, back, reached, slow),
            ((shut_Nm + hold) / 2, EASED_S, slow, slow),
        ):
            held = min(seconds, arc.seconds - gone)  # the way ends, whatever is held
            if held <= 0:
                return
            yield Piece(before, level, held, start, start + held / seconds * (stop - start), gone)
            gone, before = gone + held, level


def held_on(arcs: Sequence[Arc], car: Car, *, shut_Nm: float, most_Nm: float, fastest_g: float = FASTEST_G) -> Held:
    """What is held on arcs.

    Parameters
    ----------
    arcs : driven one after the other.
    shut_Nm, most_Nm, fastest_g : as `pieces_on` takes them.

    Returns
    -------
    Held : the time that tells something: held torques less what throttle and filters take to settle, and what the
        throttle passes through on its way.
    """
    rows: list[tuple[float, float, float, float, float, int]] = []
    group = 0
    for arc in arcs:
        side = (1.0 if arc.left else -1.0) / arc.radius_m
        parts = 1 + int(arc.seconds / LONGEST_PASS_S)
        for piece in pieces_on(arc, car, shut_Nm=shut_Nm, most_Nm=most_Nm, fastest_g=fastest_g):
            number = group + min(int(piece.gone_s / arc.seconds * parts), parts - 1)
            useful = max(piece.seconds - THROTTLE_S - SETTLE_S, 0.0) / len(SPEED_SHARES)
            for share in SPEED_SHARES:
                at = piece.from_m_s + share * (piece.to_m_s - piece.from_m_s)
                rows.append((at, side, piece.torque_Nm, 0.0, useful, number))
            moves = min(THROTTLE_S, piece.seconds) / len(MOVING_SHARES)
            step = piece.torque_Nm - piece.before_Nm
            for share in MOVING_SHARES:
                moving = piece.before_Nm + share * step
                rows.append((piece.from_m_s, side, moving, abs(step) / THROTTLE_S, moves, number))
        group += parts
    told = [row for row in rows if row[4] > 0]
    speed, curvature, torque_Nm, torque_rate_Nm_s, lasting, groups = map(np.array, zip(*told, strict=True))
    return Held(speed, curvature, torque_Nm, torque_rate_Nm_s, lasting, groups)


def looks_of(held: Held, fit: Fit, known: Information, *, name: str, same_ground: bool) -> Looks:
    """A log of such looks, with zeros and wheel scales of its own.

    Parameters
    ----------
    held : what is driven.
    fit : whose sensors and noise the log has.
    known : for the fitted figures and curve, which the looks follow to the last.
    name : of the log, for its owner; two planned logs need two.
    same_ground : whether it is driven where the logs there are were, or on an even area.

    Notes
    -----
    How good the front wheels' speed and the locking torque are, the log will show by what its passes miss
    (`fit.weighed`), and slow steady passes miss next to nothing. Of random cars 0 to 9 with every nuisance the front
    wheels of circles showed 0.28 to 0.42 of the assumed errors, those of slow laps 0.42 to 1.2, those of laps 0.6 to
    2.6. The locking torque of circles showed 0.3 to 1.4, hardly more where the laps' showed more; that of slow laps 0.6
    to 8, 1.3 times the laps' in the mean, for bumps and slopes are the same.
    """
    car = fit.problem.car
    misses_nothing = shown(np.zeros(len(held)), held.group)
    logged = fit.problem.inputs
    inputs, slips, solved = solved_looks(held, known.values, known.curve, logged, car)
    inputs = replace(inputs, front_sd_m_s=counted(misses_nothing, fit.problem.sensors) * inputs.front_sd_m_s)
    even = max(misses_nothing, LEAST_SHARE) * LOCK_SD_Nm
    apart = (inputs.left_m_s - inputs.right_m_s) / car.rear_rolling_radius_m
    free = np.abs(inputs.yaw_rad_s) * car.rear_track_m / car.rear_rolling_radius_m
    noise = float(np.median(fit.problem.slip_noise * logged.front_m_s)) / inputs.front_m_s
    seen = slips & (np.abs(apart) > SLIP_SPEED_RAD_S)
    bound = ~slips & (free > SLIP_SPEED_RAD_S)
    use = np.flatnonzero(solved & (seen | bound) & (held.speed_m_s > LEAST_SPEED_M_S))
    part = LogPart(
        inputs=inputs.take(use),
        sign=np.sign(apart)[use],
        slipping=seen[use],
        locked=bound[use],
        group=held.group[use],
        slip_noise=noise[use],
        torque_rate_Nm_s=held.torque_rate_Nm_s[use],
        stretch=np.zeros(len(use), int),
        weight=1.0,
        owner=Owner(source=("planned", name)),
        sensors=fit.problem.sensors,
    )
    made = unknowns(known.priors, [part.owner], hold_sd_Nm=known.hold_sd_Nm)
    theta = np.array([*(known.values[column.name] for column in made.columns), *known.curve])
    # a held throttle is one look as long as it lasts, and counts as its samples would (`observations.CORRELATION_S`)
    problem = replace(
        joined([part], car, made),
        weight=held.seconds[use] / CORRELATION_S,
        lock_sd_Nm=float(np.median(fit.problem.lock_sd_Nm)) if same_ground else even,
    )
    now = evaluate(problem, theta, None, None)
    (terms,) = log_terms(problem, now, slopes(problem, theta, now))
    (samples,) = samples_of(problem, now)
    return Looks(terms, samples, misses_nothing, planned=True)


def solved_looks(
    held: Held, value: Mapping[str, float], curve: FloatArray, logged: AxleInputs, car: Car
) -> tuple[AxleInputs, BoolArray, BoolArray]:
    """Axle inputs (n,) of held throttles, which of them slip, and which could be solved (bool (n,)).

    Parameters
    ----------
    value, curve : parameters by name and lock curve (5,) that everything follows.
    logged : what was logged, whose sensors these looks have.
    held : n of them.
    car : as the car file has it; `value` holds what the fit moved.
    """
    carries = model.locking_torque_Nm(curve, held.torque_Nm)
    locked, at, solved = _newton(held, value, logged, car, None, None)
    asked = at.torque_difference_Nm
    slips = np.abs(asked) > carries
    wanted = np.where(slips, np.sign(asked) * carries, asked)
    slipping, _, also = _newton(held, value, logged, car, wanted, locked)
    each = {f.name: np.where(slips, getattr(slipping, f.name), getattr(locked, f.name)) for f in fields(AxleInputs)}
    return AxleInputs(**each), slips, solved & np.where(slips, also, True)


def _newton(
    held: Held,
    value: Mapping[str, float],
    logged: AxleInputs,
    car: Car,
    wanted_Nm: FloatArray | None,
    start: AxleInputs | None,
) -> tuple[AxleInputs, AxleEquations, BoolArray]:
    """Inputs, equations and which are solved: wheel speeds, lateral slip and longitudinal acceleration for the torques
    asked; the torque moved across is `wanted_Nm`, or None for equal wheel speeds."""
    base = start or _guess(held, logged, car)
    lateral = held.speed_m_s**2 * held.curvature_1_m
    unknown = np.array([base.left_m_s, base.right_m_s, 0.004 * lateral, base.long_m_s2])

    def off(unknown: FloatArray) -> tuple[FloatArray, AxleEquations, AxleInputs]:
        left, right, slip, along = unknown
        there = replace(
            base,
            left_m_s=left,
            right_m_s=right,
            long_m_s2=along,
            left_acc_m_s2=along,
            right_acc_m_s2=along,
            yaw_acc_rad_s2=along * held.curvature_1_m,
        )
        at = equations(np.array([held.speed_m_s, slip]), dict(value), there, car)
        if wanted_Nm is None:
            apart = (left - right) / FRONT_SD_M_S
        else:
            apart = (at.torque_difference_Nm - wanted_Nm) / LOCK_SD_Nm
        return np.array([*at.residual[:2], apart, (at.input_torque_Nm - held.torque_Nm) / LOCK_SD_Nm]), at, there

    for _ in range(40):
        miss, at, there = off(unknown)
        if np.abs(miss).max() < MOST_MISS:
            break
        slope = np.empty((len(held), 4, 4))
        for k, move in enumerate(MOVES):
            moved = unknown.copy()
            moved[k] += move
            slope[:, :, k] = ((off(moved)[0] - miss) / move).T
        step = np.linalg.solve(slope, -miss.T[:, :, None])[:, :, 0].T
        unknown = unknown + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
    miss, at, there = off(unknown)
    front = there.front_m_s + at.residual[2] * there.front_sd_m_s
    apart = there.front_difference_m_s + at.residual[3] * there.front_difference_sd_m_s
    solved = (np.abs(miss).max(axis=0) < 100 * MOST_MISS) & (at.use.min(axis=0) < 1)
    return replace(there, front_m_s=front, front_difference_m_s=apart), at, solved


def _guess(held: Held, logged: AxleInputs, car: Car) -> AxleInputs:
    """Rolling freely, with the logged sensors."""
    speed, curvature = held.speed_m_s, held.curvature_1_m
    yaw, none = speed * curvature, np.zeros(len(held))

    def typical(values: FloatArray) -> FloatArray:
        return np.full(len(held), float(np.median(values)))

    along = held.torque_Nm / (car.rear_rolling_radius_m * car.mass_kg)
    by_satellite = typical(logged.speed_by_satellite)
    apart_share = float(np.median(logged.front_difference_sd_m_s / logged.front_m_s))
    told = float(np.median(logged.front_difference_sd_m_s)) < UNTOLD_SD_M_S / 2
    return AxleInputs(
        left_m_s=speed - yaw * car.rear_track_m / 2,
        right_m_s=speed + yaw * car.rear_track_m / 2,
        left_acc_m_s2=none,
        right_acc_m_s2=none,
        front_m_s=np.hypot(speed, yaw * car.wheelbase_m),
        front_sd_m_s=front_speed_sd_m_s(speed, along, yaw, by_satellite=bool(by_satellite[0])),
        front_left_share=typical(logged.front_left_share),
        front_difference_m_s=none,
        front_difference_sd_m_s=np.hypot(FRONT_SD_M_S, apart_share * speed) if told else none + UNTOLD_SD_M_S,
        steer_rad=np.arctan(car.wheelbase_m * curvature),
        lat_m_s2=speed * yaw,
        long_m_s2=along,
        yaw_rad_s=yaw,
        yaw_acc_rad_s2=none,
        front_brake_N=none,
        long_from_speed=typical(logged.long_from_speed),
        lat_from_yaw=typical(logged.lat_from_yaw),
        speed_by_satellite=by_satellite,
    )


def _resistance_N(car: Car, speed_m_s: float) -> float:
    drag = 0.5 * AIR_DENSITY_KG_M3 * car.drag_area_m2 * speed_m_s**2
    return drag + car.rolling_resistance * car.mass_kg * STANDARD_GRAVITY_M_S2
