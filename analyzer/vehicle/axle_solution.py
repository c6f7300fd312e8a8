"""The state of the rear axle, ground speed and lateral slip, that satisfies the equations of `axle` best."""

from collections.abc import Callable
from dataclasses import dataclass, fields, replace

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.long_arrays import taken
from analyzer.vehicle.axle import AxleEquations, Balance, balance, equations
from analyzer.vehicle.axle_inputs import AxleInputs, Given, Values, given_by
from analyzer.vehicle.car import AIR_DENSITY_KG_M3, Car
from analyzer.vehicle.tyres import rho_at, wheel_loads

LARGEST_SIDE_SLIP = 0.25  # 14 degrees, beyond the peak of any tyre on a road; common practice, no source
SIDE_SLIP_SCALE = 0.3  # a belief that only holds the state where no equation does: weaker than the limit above
MOST_USED_AT_FIRST = 0.9  # of the lateral friction: nearer to it the slip that gives a force is no guide
BLOCK = 16_384  # samples solved at once: what a processor keeps close at hand, whatever the length of the log
FEW_LEFT = 0.7  # of the samples: then the settled ones leave, which costs as much as a few steps of all
SETTLED = 1e-5  # m/s and 1: a step smaller than this moves a torque by less than 0.1 N.m
COST = 0  # row of `_told`

Entries = tuple[FloatArray, FloatArray, FloatArray]


@dataclass(frozen=True)
class AxleSolution:
    """State (2, n) and its equations, with the Gauss-Newton matrix entries (a, b, d) of [[a, b], [b, d]]."""

    state: FloatArray
    at: AxleEquations
    normal: Entries

    def state_shift(self, gradient: FloatArray) -> FloatArray:
        """Change of the state that answers a change of the residuals.

        Parameters
        ----------
        gradient : (2, ..., n) sum over the equations of their slope against u and s times the change of each residual.

        Returns
        -------
        ndarray : (2, ..., n) of u (m/s) and s: -N^-1 times `gradient`, N the Gauss-Newton matrix.
        """
        return _newton_step(self.normal, gradient)

    @property
    def difference_variance(self) -> FloatArray:
        """Variance (n,) of the torque difference from the four equations' own errors (N2 m2): a' N^-1 a, N the
        Gauss-Newton matrix, a the difference's slopes. Large where a wheel slides and the front wheels say little.
        """
        slope = self.at.difference_slope
        left: FloatArray = -(slope * self.state_shift(slope)).sum(axis=0)
        return left

    def take(self, where: BoolArray | IntArray | slice) -> "AxleSolution":
        """The samples `where` (bool, index or slice)."""
        return _each_array(lambda values: values[..., where], self)


def put_together(where: BoolArray, there: AxleSolution, elsewhere: AxleSolution) -> AxleSolution:
    """The samples of two solutions in one.

    Parameters
    ----------
    where : (n,) bool of the whole.
    there, elsewhere : solutions of the samples where it is True, and where it is False, each in order.
    """

    def placed(values: FloatArray, others: FloatArray) -> FloatArray:
        every = np.empty((*values.shape[:-1], len(where)), values.dtype)
        every[..., where], every[..., ~where] = values, others
        return every

    return _each_array(placed, there, elsewhere)


def _each_array(change: Callable[..., FloatArray], *solutions: AxleSolution) -> AxleSolution:
    """`change` applied to every array of solutions; samples are along the last axis."""
    at = {f.name: change(*(getattr(s.at, f.name) for s in solutions)) for f in fields(AxleEquations)}
    a, b, d = (change(*parts) for parts in zip(*(s.normal for s in solutions), strict=True))
    return AxleSolution(change(*(s.state for s in solutions)), AxleEquations(**at), (a, b, d))


def rolling_freely(value: Values, inputs: AxleInputs, car: Car) -> FloatArray:
    """State of an axle that follows the front wheels and has only its lateral force to carry: where to begin.

    Parameters
    ----------
    value : nuisance parameters as `parameters.priors` names them, a float or (n,) each.
    inputs : n samples.

    Returns
    -------
    ndarray : (2, n) ground speed (m/s, in units of the wheels) and lateral slip (1).
    """
    return _rolling_freely(given_by(value, inputs, car), car)


def _rolling_freely(given: Given, car: Car) -> FloatArray:
    ground, tyre = _front_ground_m_s(given), given.tyre
    _, _, left, right = wheel_loads(
        long_m_s2=given.along_m_s2,
        lat_m_s2=given.across_m_s2,
        downforce_N=0.5 * AIR_DENSITY_KG_M3 * ground**2 * given.downforce,
        **given.loads,
    )
    used = given.turning_Nm / car.wheelbase_m / (tyre["friction_y"] * (left + right))
    rho = rho_at(np.clip(used, -MOST_USED_AT_FIRST, MOST_USED_AT_FIRST), tyre["shape"])
    return np.array([ground, rho * tyre["friction_y"] / tyre["cornering_stiffness"]])


def _front_ground_m_s(given: Given) -> FloatArray:
    return given.front_m_s * np.exp(-given.front_scale)


def solve(
    value: Values, inputs: AxleInputs, car: Car, *, start: FloatArray | None = None, iterations: int = 14
) -> AxleSolution:
    """Weighted least-squares state of every sample, damped Gauss-Newton from `start` or from rolling freely.

    Samples know nothing of each other: those that have settled leave the iteration, and the rest go on.

    Parameters
    ----------
    value : nuisance parameter -> its value, or one for each sample (n,), as `parameters.priors` names them.
    inputs : n samples.
    start : (2, n) ground speed (m/s) and lateral slip to begin from.
    iterations : steps at most; a sample leaves earlier once a step is under `SETTLED`.
    """
    if len(inputs) > BLOCK:
        blocks = [slice(i, i + BLOCK) for i in range(0, len(inputs), BLOCK)]
        begin = [None if start is None else start[:, block] for block in blocks]
        solved = [
            solve(_of(value, block), inputs.take(block), car, start=s, iterations=iterations)
            for block, s in zip(blocks, begin, strict=True)
        ]
        return _each_array(lambda *parts: np.concatenate(parts, axis=-1), *solved)
    part = given_by(value, inputs, car)
    whole = (_rolling_freely(part, car) if start is None else start).copy()
    guess_u = _front_ground_m_s(part)
    rows, state, damping = np.arange(len(inputs)), whole, np.full(len(inputs), 1e-3)
    told = _told(balance(state, part, car), state)
    moved, asked = np.zeros_like(state), np.zeros_like(state)
    for _ in range(iterations):
        full = _step(told, damping, state[1])
        step = full / _overshoot(full, asked, moved)
        step[0] = np.clip(step[0], -0.5, 0.5)
        step[1] = np.clip(step[1], -0.05, 0.05)
        trial = state + step
        trial[0] = np.clip(trial[0], 0.8 * guess_u, 1.25 * guess_u + 0.1)
        trial[1] = np.clip(trial[1], -LARGEST_SIDE_SLIP, LARGEST_SIDE_SLIP)
        unsettled = np.abs(trial - state).max(axis=0) > SETTLED
        if unsettled.sum() < FEW_LEFT * len(rows):
            whole[:, rows] = trial  # of those that stay it is overwritten
            if not unsettled.any():
                break
            state, trial, full, told = (x[:, unsettled] for x in (state, trial, full, told))
            damping, guess_u, rows = (x[unsettled] for x in (damping, guess_u, rows))
            part = _samples_of(part, unsettled)
        tried = _told(balance(trial, part, car), trial)
        better = tried[COST] <= told[COST]
        moved, asked = np.where(better, trial - state, 0.0), full
        state = np.where(better, trial, state)
        whole[:, rows] = state
        told = np.where(better, tried, told)
        damping = np.where(better, damping * 0.2, np.maximum(damping, 1e-3) * 8)
    found = equations(whole, value, inputs, car)
    _, _, _, *normal = _told(found, whole)
    return AxleSolution(whole, found, tuple(normal))


def _step(told: FloatArray, damping: FloatArray, side_slip: FloatArray) -> FloatArray:
    """Damped step (2, n); of a sample at the limit of side slip that is pushed beyond, in the speed alone."""
    _, along, across, a, b, d = told
    a, d = a * (1 + damping), d * (1 + damping)
    step = _newton_step((a, b, d), (along, across))
    held = np.abs(side_slip + step[1]) > np.maximum(LARGEST_SIDE_SLIP, np.abs(side_slip))
    held &= np.abs(side_slip) >= LARGEST_SIDE_SLIP
    step[0] = np.where(held, -along / a, step[0])
    return step


def _overshoot(asked: FloatArray, before: FloatArray, moved: FloatArray) -> FloatArray:
    """(n,) by how much steps (2, n) go too far: from 1, where the last one did what it was to do, up to 3.

    Near the tyre's peak a Gauss-Newton step leaves the share q of the way, q < 0, and goes to and fro for thirty steps.
    A step asked for is (q - 1) times what is left, so what it changed by over what was moved says 1 - q (Aitken).
    """
    length = (moved**2).sum(axis=0)
    change = ((before - asked) * moved).sum(axis=0)
    return np.clip(np.where(length > 0, change / np.maximum(length, 1e-30), 1.0), 1.0, 3.0)


def _of(value: Values, where: slice | BoolArray) -> Values:
    """Values of some of the samples."""
    return {name: v[where] if isinstance(v, np.ndarray) else v for name, v in value.items()}


def _samples_of(given: Given, where: BoolArray) -> Given:
    return replace(taken(given, where), tyre=_of(given.tyre, where), loads=_of(given.loads, where))


def _told(at: AxleEquations | Balance, state: FloatArray) -> FloatArray:
    """(6, n) of every sample: its cost, half the cost's gradient, and the entries of its Gauss-Newton matrix."""
    (by_u, by_s), residual, side_slip = at.slope, at.residual, state[1]
    told = np.empty((6, len(side_slip)))
    for row, (one, other) in enumerate(
        ((residual, residual), (by_u, residual), (by_s, residual), (by_u, by_u), (by_u, by_s), (by_s, by_s))
    ):
        (one * other).sum(axis=0, out=told[row])
    told[COST] += (side_slip / SIDE_SLIP_SCALE) ** 2
    told[2] += side_slip / SIDE_SLIP_SCALE**2
    told[5] += 1 / SIDE_SLIP_SCALE**2
    return told


def _newton_step(normal: Entries, gradient: FloatArray | tuple[FloatArray, FloatArray]) -> FloatArray:
    """-N^-1 times `gradient` (2, n)."""
    a, b, d = normal
    return np.array([b * gradient[1] - d * gradient[0], b * gradient[0] - a * gradient[1]]) / (a * d - b * b)
