"""Sets of lock observations whose truth is known, as the fit takes them: axle inputs that a known tyre, a torque
difference and an input torque lead to. Tobit's model: the packs' capacity scatters about the curve; where the tyres ask
for less it is not seen, and what they ask for bounds it."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.stats import norm
from vehicle.made_axle import IDEAL, made_car, made_inputs

from analyzer.lockcurve import model
from analyzer.lockcurve.loss import STATIC
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.problem import LOCK_SD_Nm
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle import equations
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.parameters import priors

CAR = made_car()
# the tyre and the car are known, and the plates stick no harder than they slip: only the lock curve is asked for
KNOWN = tuple(
    replace(p, start=(IDEAL | {STATIC: 0.0}).get(p.name, p.start), deviation=1e-5)
    for p in priors(CAR, sensors=Sensors(), long_bias_sd_m_s2=0.03)
)
STEPS = np.array([[0.5], [0.5], [0.03]])  # longest Newton step of wheel speeds (m/s) and side slip


@dataclass(frozen=True)
class SimulatedSet:
    """Observations with their true curve (5,), input torques and what the tyres ask the packs to carry (count,)."""

    observed: Observations
    curve: np.ndarray
    torque_Nm: np.ndarray
    asked_Nm: np.ndarray


def simulated_set(
    count: int,
    rng: np.random.Generator,
    *,
    curve: np.ndarray | None = None,
    drive_Nm: float = 1500.0,
    sticking: float = 1.0,
) -> SimulatedSet:
    """One set, two thirds on drive: each sample its own corner pass, scatter `LOCK_SD_Nm`, either wheel the faster.

    Every set has its own curve unless one is given: preload and slopes of usual size, hold-offs near where the fit's
    weak prior puts them. The input torques reach `drive_Nm`. Sticking plates carry
    `sticking` times what they carry once they slip.
    """
    if curve is None:
        hold = rng.uniform(0, 60, 2)
        curve = np.array([rng.uniform(40, 120), rng.uniform(0.1, 0.3), hold[0], rng.uniform(0.1, 0.3), hold[1]])
    drive = count * 2 // 3
    torque = np.concatenate([rng.uniform(0, drive_Nm, drive), rng.uniform(-400, 0, count - drive)])
    level = model.locking_torque_Nm(curve, torque)
    asked = level * rng.uniform(0.5, 1.7, count)
    capacity = level + LOCK_SD_Nm * rng.standard_normal(count)
    slips = sticking * capacity < asked
    faster = np.where(rng.random(count) < 0.5, 1.0, -1.0)  # 1 is the left wheel
    inputs = inputs_of(torque, -faster * np.where(slips, capacity, asked), rng)
    observed = Observations(
        index=np.arange(count),
        time_s=np.zeros(count),
        inputs=inputs,
        speed_difference_rad_s=faster,
        slipping=slips,
        locked=~slips,
        usable=np.full(count, True),
        group=np.arange(count),
        slip_noise=np.zeros(count),
        torque_rate_Nm_s=np.zeros(count),
        weight=1.0,
        sensors=Sensors(),
    )
    return SimulatedSet(observed, curve, torque, asked)


def inputs_of(torque: np.ndarray, difference: np.ndarray, rng: np.random.Generator) -> AxleInputs:
    """Axle inputs of corners to both sides that satisfy all three equations at the given torques (Newton)."""
    count = len(torque)
    value = {p.name: p.start for p in KNOWN}
    speed = rng.uniform(14, 26, count)
    lateral = rng.uniform(2.0, 4.0, count) * np.where(rng.random(count) < 0.5, 1, -1)
    pushed = CAR.mass_kg + 2 * CAR.wheel_inertia_kg_m2 / CAR.front_rolling_radius_m**2  # front wheels are spun up
    inputs = made_inputs(speed=speed, lat=lateral, long=torque / (CAR.rear_rolling_radius_m * pushed))

    def off(unknown):
        there = replace(inputs, left_m_s=unknown[0], right_m_s=unknown[1])
        at = equations(np.array([speed, unknown[2]]), value, there, CAR)
        return np.array([*at.residual[:2], (at.torque_difference_Nm - difference) / LOCK_SD_Nm]), at, there

    unknown = np.array([inputs.left_m_s, inputs.right_m_s, 0.005 * lateral])
    for _ in range(30):
        miss, at, there = off(unknown)
        if np.abs(miss).max() < 1e-8:
            break
        slope = np.empty((count, 3, 3))
        for k, move in enumerate((1e-4, 1e-4, 1e-6)):
            moved = unknown.copy()
            moved[k] += move
            slope[:, :, k] = ((off(moved)[0] - miss) / move).T
        unknown = unknown + np.clip(np.linalg.solve(slope, -miss.T[:, :, None])[:, :, 0].T, -STEPS, STEPS)
    assert np.abs(miss).max() < 1e-6
    return replace(there, front_m_s=there.front_m_s + at.residual[2] * there.front_sd_m_s)


def information(made: SimulatedSet) -> np.ndarray:
    """(5, 5) Fisher information of the lock curve in such a set.

    Notes
    -----
    Derived: capacity C ~ N(M, sd), seen where C < a, else only C > a is known. With z = (a - M)/sd the mean squared
    slope of the log-likelihood against M is [Phi(z) - z phi(z) + phi(z)^2 / (1 - Phi(z))] / sd^2.
    """
    z = (made.asked_Nm - model.locking_torque_Nm(made.curve, made.torque_Nm)) / LOCK_SD_Nm
    known = norm.cdf(z) - z * norm.pdf(z) + norm.pdf(z) ** 2 / norm.sf(z)
    slopes, _ = model.gradient(made.curve, made.torque_Nm)
    return (slopes * known) @ slopes.T / LOCK_SD_Nm**2
