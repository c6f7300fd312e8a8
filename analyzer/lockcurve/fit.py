"""Joint fit of lock curve, tyre, calibration left-overs and car figures.

Minimises, over nuisance parameters p with priors and lock-curve parameters c,

    w sum_i [ huber(e_ix) + huber(e_iy) + huber(e_if) + huber(e_id) ]  axle equations (`vehicle.axle`), state profiled out
  + w sum_slipping huber((M_i - M(T_i; c)) / sd_i)             a slipping axle measures
  - w sum_locked log Phi((M(T_i; c) - |D_i|) / sd_i)           a locked axle bounds
  + 1/2 sum ((p - p0)/sd_p)^2

by Levenberg-Marquardt with implicit derivatives through the profiled state. M_i is T_slow - T_fast of sample i, D_i its
torque difference. w makes one corner pass count about once. Every term depends on p, so lock curve and tyre are found
together: the same torque at the same input torque, left and right, inside fast and outside fast.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.lockcurve import model
from analyzer.lockcurve.likelihood import censored, huber
from analyzer.lockcurve.observations import Observations
from analyzer.vehicle.axle import AxleEquations, AxleInputs, equations
from analyzer.vehicle.axle_solution import AxleSolution, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import BOUNDS, Prior

LOCK_SD_Nm = 50.0  # scatter of the locking torque about its curve where the tyre model is at its best
# While the input torque changes, the filters mix torques, and the mean of a curve with a corner at zero lies above the
# curve at the mean: a slope of about 0.3 times the 0.1 s that a 3 Hz filter remembers, in N.m per N.m/s. Without it
# preloads read 20 % high on simulated cars.
SMEARING_S = 0.03
MOST_SAMPLES = 6000
CURVE_BOUNDS = np.array([[0.0, 5000.0], [0.0, 3.0], [0.0, 600.0], [0.0, 3.0], [0.0, 600.0]])
STEP = 1e-4  # of a parameter, for its slope
MOST_ITERATIONS = 40


@dataclass(frozen=True)
class Problem:
    """What is fitted: chosen samples and priors. Arrays (n,)."""

    inputs: AxleInputs
    sign: np.ndarray
    slipping: np.ndarray
    locked: np.ndarray
    group: np.ndarray
    slip_noise: np.ndarray
    torque_rate_Nm_s: np.ndarray
    weight: float
    car: Car
    priors: tuple[Prior, ...]
    hold_sd_Nm: float
    has_gyro: bool
    slip_known: bool = True
    has_lateral: bool = True

    @property
    def start(self) -> np.ndarray:
        """(P,) where the parameters start: the nuisance ones, then the curve's five."""
        hold = 0.12 * self.hold_sd_Nm
        return np.array([p.start for p in self.priors] + [60.0, 0.2, hold, 0.1, hold])

    @property
    def information(self) -> np.ndarray:
        """(P,) prior information 1/sd^2 of the parameters; the curve's preload and slopes have next to none."""
        hold = 1 / self.hold_sd_Nm**2
        return np.array([1 / p.deviation**2 for p in self.priors] + [1e-6, 1e-2, hold, 1e-2, hold])

    def values(self, theta: np.ndarray) -> dict[str, float]:
        """Nuisance parameters by name, from all of them (P,)."""
        return {p.name: float(v) for p, v in zip(self.priors, theta, strict=False)}


@dataclass(frozen=True)
class Fit:
    """Result: parameters, curvature, and the corner passes' pulls (`normal_equations`) for the intervals."""

    theta: np.ndarray
    hessian: np.ndarray
    group_gradients: np.ndarray
    solution: AxleSolution
    problem: Problem
    converged: bool

    @property
    def curve(self) -> np.ndarray:
        """(5,) lock-curve parameters."""
        return self.theta[-5:]

    @property
    def nuisance(self) -> dict[str, tuple[float, float]]:
        """Nuisance parameter -> its value and standard deviation."""
        deviation = np.sqrt(np.diag(np.linalg.inv(self.hessian)))
        named = zip(self.problem.priors, self.theta, deviation, strict=False)
        return {prior.name: (float(value), float(sd)) for prior, value, sd in named}


def make_problem(observed: Observations, car: Car, priors: tuple[Prior, ...]) -> Problem:
    """Choose the samples: all usable slipping or locked ones, locked ones thinned to at most `MOST_SAMPLES` in all."""
    slipping = observed.usable & observed.slipping
    locked = observed.usable & observed.locked
    chosen = np.flatnonzero(slipping | locked)
    thin = max(1, int(np.ceil(len(chosen) / MOST_SAMPLES)))
    chosen = chosen[::thin]
    largest = car.mass_kg * 9.81 * 0.45 * car.rear_rolling_radius_m
    return Problem(
        inputs=observed.inputs.take(chosen),
        sign=np.sign(observed.speed_difference_rad_s[chosen]),
        slipping=slipping[chosen],
        locked=locked[chosen],
        group=observed.group[chosen],
        slip_noise=observed.slip_noise[chosen],
        torque_rate_Nm_s=observed.torque_rate_Nm_s[chosen],
        weight=min(1.0, observed.weight * thin),
        car=car,
        priors=priors,
        hold_sd_Nm=0.12 * largest,
        has_gyro=observed.has_gyro,
        slip_known=observed.slip_known,
        has_lateral=observed.has_lateral,
    )


@dataclass(frozen=True)
class Evaluation:
    """One evaluation of the loss, with what its slopes need."""

    solution: AxleSolution
    measured: np.ndarray  # residual of slipping samples, in sd
    margin: np.ndarray  # margin of locked samples, in sd
    sd: np.ndarray
    trust: np.ndarray
    loss: float


def evaluate(problem: Problem, theta: np.ndarray, start: np.ndarray | None, scale: tuple | None) -> Evaluation:
    """Loss at `theta` (P,); `start` (2, n) warm-starts the state, `scale` freezes sd and trust (n,) of the samples."""
    solution = solve(problem.values(theta), problem.inputs, problem.car, start=start, iterations=30)
    at = solution.at
    if scale is None:
        scatter = np.hypot(LOCK_SD_Nm, SMEARING_S * problem.torque_rate_Nm_s)
        sd = np.hypot(scatter, at.difference_per_slip * problem.slip_noise)
        surplus = np.abs(at.residual[:2]).max(axis=0)
        trust = 1 / (1 + (surplus / 3.0) ** 2 + _sliding(at) ** 2)
    else:
        sd, trust = scale
    measured, margin = _lock_residuals(problem, theta, at.input_torque_Nm, at.torque_difference_Nm, sd)
    loss = (
        problem.weight
        * (
            huber(at.residual)[0].sum()
            + (trust * huber(measured)[0])[problem.slipping].sum()
            + (trust * censored(margin)[0])[problem.locked].sum()
        )
        + 0.5 * (problem.information * (theta - problem.start) ** 2).sum()
    )
    return Evaluation(solution, measured, margin, sd, trust, float(loss))


def _sliding(at: AxleEquations) -> np.ndarray:
    """How far beyond what a tyre curve can tell: past the peak sideways the split of the sum is guesswork, and far past
    it on drive the falling friction of hot rubber is. 0 where all is well, 1 where a sample counts half."""
    sideways = np.where(at.input_torque_Nm < 100, np.maximum(at.use.max(axis=0) - 0.8, 0.0) / 0.2, 0.0)
    spinning = np.maximum(at.use.max(axis=0) - 1.5, 0.0) / 0.75
    both = np.maximum(at.use.min(axis=0) - 1.0, 0.0) / 0.2
    return np.hypot(np.where(at.lateral_demand > 0.5, sideways, 0.0), np.hypot(spinning, both))


def _lock_residuals(
    problem: Problem, theta: np.ndarray, torque: np.ndarray, difference: np.ndarray, sd: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Measured and margin residuals (n,) of the lock curve, in standard deviations."""
    capacity = model.locking_torque_Nm(theta[-5:], torque)
    return (-problem.sign * difference - capacity) / sd, (capacity - np.abs(difference)) / sd


def slopes(problem: Problem, theta: np.ndarray, now: Evaluation) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Total derivatives of axle residuals (P, 4, n), measured (P, n) and margin (P, n), state re-profiled."""
    at, state = now.solution.at, now.solution.state
    count, nuisance = len(theta), len(problem.priors)
    n = len(problem.inputs)
    axle, measured, margin = np.zeros((count, 4, n)), np.zeros((count, n)), np.zeros((count, n))
    by_curve, by_torque = model.gradient(theta[-5:], at.input_torque_Nm)
    side = np.sign(at.torque_difference_Nm)
    for j in range(nuisance):
        moved = theta.copy()
        moved[j] += STEP
        there = equations(state, problem.values(moved), problem.inputs, problem.car, slopes=False)
        residual = (there.residual - at.residual) / STEP
        torque = (there.input_torque_Nm - at.input_torque_Nm) / STEP
        difference = (there.torque_difference_Nm - at.torque_difference_Nm) / STEP
        shift = now.solution.state_shift((at.slope * residual).sum(axis=1))
        axle[j] = residual + (at.slope * shift[:, None]).sum(axis=0)
        torque = torque + (at.input_slope * shift).sum(axis=0)
        difference = difference + (at.difference_slope * shift).sum(axis=0)
        measured[j] = (-problem.sign * difference - by_torque * torque) / now.sd
        margin[j] = (by_torque * torque - side * difference) / now.sd
    measured[nuisance:] = -by_curve / now.sd
    margin[nuisance:] = by_curve / now.sd
    return axle, measured, margin


def normal_equations(
    problem: Problem,
    theta: np.ndarray,
    now: Evaluation,
    slopes: tuple[np.ndarray, np.ndarray, np.ndarray],
    per_group: bool,
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Curvature (P, P), gradient (P,) and, on request, pulls by corner pass (groups, P; else no rows) of the loss.

    Priors are in curvature and gradient, not in the passes' pulls. The pull of a pass is its gradient g_k, made larger
    by how much the pass has drawn the fit to itself: H (H - H_k)^-1 g_k, so that H^-1 times it is what leaving the
    pass out would change (the jackknife; few passes look too sure without it).
    """
    axle, measured, margin = slopes
    count = len(theta)
    hessian = np.diag(problem.information)
    gradient = problem.information * (theta - problem.start)
    terms = []  # (slopes (P, n), weighted slope and curvature (n,) of the loss)
    for row in range(4):
        _, slope, curvature = huber(now.solution.at.residual[row])
        terms.append((axle[:, row], problem.weight * slope, problem.weight * curvature))
    for rows, z, jac, loss in (
        (problem.slipping, now.measured, measured, huber),
        (problem.locked, now.margin, margin, censored),
    ):
        _, slope, curvature = loss(z)
        counted = problem.weight * now.trust * rows
        terms.append((jac, counted * slope, counted * curvature))
    for jac, slope, curvature in terms:
        hessian += (jac * curvature) @ jac.T
        gradient = gradient + jac @ slope
    if not per_group:
        return hessian, gradient, np.zeros((0, count))
    pulls = []
    for group in np.unique(problem.group):
        own = np.flatnonzero(problem.group == group)
        parts = [(jac[:, own], slope[own], curvature[own]) for jac, slope, curvature in terms]
        rest = hessian - sum((jac * curvature) @ jac.T for jac, _, curvature in parts)
        pulls.append(hessian @ np.linalg.solve(rest, sum(jac @ slope for jac, slope, _ in parts)))
    return hessian, gradient, np.array(pulls)


def bounded(problem: Problem, theta: np.ndarray) -> np.ndarray:
    """Parameters (P,) moved inside the limits of tyre and lock curve."""
    theta = theta.copy()
    for j, prior in enumerate(problem.priors):
        if prior.name in BOUNDS:
            theta[j] = np.clip(theta[j], *BOUNDS[prior.name])
    theta[-5:] = np.clip(theta[-5:], CURVE_BOUNDS[:, 0], CURVE_BOUNDS[:, 1])
    return theta


def held(problem: Problem, theta: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    """(P,) bool, parameters at a limit that the loss pushes further out: they take no part in the step."""
    inward = bounded(problem, theta - 1e-6 * np.sign(gradient))
    return (gradient != 0) & (inward == theta) & (bounded(problem, theta) == theta)


def newton_step(hessian: np.ndarray, gradient: np.ndarray, damping: float, held: np.ndarray) -> np.ndarray:
    """(P,) damped Newton step (Marquardt's scaling) of the parameters that are not held."""
    step = np.zeros(len(gradient))
    free = ~held
    reduced = hessian[np.ix_(free, free)]
    step[free] = np.linalg.solve(reduced + damping * np.diag(np.diag(reduced)), -gradient[free])
    return step


def fit(problem: Problem) -> Fit:
    """Fit by Levenberg-Marquardt; the scale and trust of each sample are refreshed every step (iterative weighting)."""
    theta = problem.start
    state = None
    damping = 1e-2
    converged = False
    for _ in range(MOST_ITERATIONS):
        now = evaluate(problem, theta, state, None)
        state = now.solution.state
        hessian, gradient, _ = normal_equations(problem, theta, now, slopes(problem, theta, now), False)
        scale = (now.sd, now.trust)
        blocked = held(problem, theta, gradient)
        for _ in range(12):
            trial = bounded(problem, theta + newton_step(hessian, gradient, damping, blocked))
            there = evaluate(problem, trial, state, scale)
            if there.loss < now.loss:
                break
            damping *= 6
        gained = now.loss - there.loss
        if gained <= 0:
            converged = True
            break
        theta, state = trial, there.solution.state
        damping = max(damping / 8, 1e-6)
        if gained < 2e-3:
            converged = True
            break
    now = evaluate(problem, theta, None, None)
    hessian, _, groups = normal_equations(problem, theta, now, slopes(problem, theta, now), True)
    return Fit(theta, hessian, groups, now.solution, problem, converged)
