"""Braked samples: what coasting would give is learnt off the brakes, and all force beyond it is brakes."""

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import solve_banded

from analyzer.lockcurve.observations import CUTOFF_HZ, Observations
from analyzer.signals.calibrate import OFF_THROTTLE
from analyzer.signals.session import Signals
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.axle import AxleInputs, equations, front_slip_stiffness, given_by
from analyzer.vehicle.axle_solution import AxleSolution, rolling_freely, solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.loads import wheel_loads

CLOSED = 0.05  # throttle
SLOWING_M_S2 = -2.0  # more than an engine does through an open throttle


@dataclass(frozen=True)
class Braked:
    """Solution of braked samples (n,), with the force of the front brakes and the torque of the rear ones."""

    solution: AxleSolution
    front_N: np.ndarray
    rear_Nm: np.ndarray


def braked_rows(observed: Observations, signals: Signals) -> np.ndarray:
    """(n,) bool, where the brakes carry force: in their release no longer once the throttle is open and the car no
    longer slows down as on the brakes (who brakes with the left foot may do both)."""
    let_go = (signals.throttle >= OFF_THROTTLE) & (signals.long_m_s2 > SLOWING_M_S2)
    return (signals.braking & ~let_go)[observed.index]


def coast_torque_Nm(torque_Nm: np.ndarray, observed: Observations, signals: Signals, braked: np.ndarray) -> np.ndarray:
    """(n,) input torque at closed throttle by speed, a straight line; NaN where the throttle was never closed.

    Parameters
    ----------
    torque_Nm : input torque of the rows that are not `braked`.
    braked : (n,) bool, `braked_rows`.
    """
    speed, off = observed.inputs.front_m_s, ~braked
    closed = observed.usable & (signals.throttle[observed.index] < CLOSED) & off
    known, at = torque_Nm[closed[off]], speed[closed]
    if len(known) < 20 or np.ptp(at) < 5:
        return np.full(len(speed), np.median(known) if len(known) else np.nan)
    line = np.polynomial.polynomial.polyfit(at, known, 1)
    seen = np.clip(speed, *np.percentile(at, [2, 98]))
    return np.minimum(np.polynomial.polynomial.polyval(seen, line), 0.0)


def brakes(torque_Nm: np.ndarray, coast_Nm: np.ndarray, car: Car) -> tuple[np.ndarray, np.ndarray]:
    """Force of the front brakes (N) and torque of the rear ones (N.m), both (n,) and positive.

    Parameters
    ----------
    torque_Nm : what the longitudinal balance asks of the rear wheels when it knows of no brakes.
    coast_Nm : what they would have without; where it is NaN, nothing is put down to the brakes.
    """
    beyond = np.maximum(np.where(np.isfinite(coast_Nm), coast_Nm, torque_Nm) - torque_Nm, 0.0)
    return beyond * car.front_brake_fraction / car.rear_rolling_radius_m, beyond * (1 - car.front_brake_fraction)


def without_brake_slip(
    value: dict[str, float], inputs: AxleInputs, braked: np.ndarray, coast_Nm: np.ndarray, car: Car, *, rate_hz: float
) -> AxleInputs:
    """Inputs of a log without accelerometer, rows in time at `rate_hz`, with the ground speed of braked cars mended.

    Notes
    -----
    Braked front wheels turn slower than they roll, and when the brakes let go of them they gain speed while the car
    still slows down: their change of speed then says 3 m/s2 of acceleration. The outer one, whose speed is taken, has
    half of the front brakes' force p m (a_coast - a) and answers with its slip stiffness C. With a = du/dt,

        u + (u p m / 2 C) (du/dt - a_coast) = speed of the wheel,

    so the ground speed follows the wheel as a lag of some tenth of a second, solved here forwards in time.
    """
    given = given_by(value, inputs, car)
    front_left, front_right, _, _ = wheel_loads(
        long_m_s2=given.along_m_s2, lat_m_s2=given.across_m_s2, downforce_N=np.zeros(len(inputs)), **given.loads
    )
    stiffness = front_slip_stiffness(given, front_left + front_right) * np.maximum(front_left, front_right)
    lag_s = np.where(braked, inputs.front_m_s * car.front_brake_fraction * given.mass_kg / (2 * stiffness), 0.0)
    still = replace(inputs, long_m_s2=np.zeros(len(inputs)))
    resisting = equations(rolling_freely(value, inputs, car), value, still, car, slopes=False).input_torque_Nm
    coasting = (np.nan_to_num(coast_Nm) - resisting) / car.rear_rolling_radius_m / given.mass_kg
    steps = lag_s * rate_hz
    ground = solve_banded(
        (1, 0), np.array([1.0 + steps, np.append(-steps[1:], 0.0)]), inputs.front_m_s + lag_s * coasting
    )
    change = low_pass(np.gradient(ground) * rate_hz, cutoff_hz=CUTOFF_HZ, rate_hz=rate_hz)
    return replace(
        inputs,
        front_m_s=np.where(braked, ground, inputs.front_m_s),
        long_m_s2=np.where(braked, change, inputs.long_m_s2),
    )


def solve_braked(value: dict[str, float], inputs: AxleInputs, coast_Nm: np.ndarray, car: Car) -> Braked:
    """State of braked samples, the front brakes' force in the longitudinal balance.

    Left and right rear brakes pull alike, by assumption, so they leave the torque difference alone. The force hangs a
    little on the state, for a sliding car brakes itself; that of an axle which rolls freely is near enough.
    """
    state = rolling_freely(value, inputs, car)
    front, rear = brakes(equations(state, value, inputs, car, slopes=False).input_torque_Nm, coast_Nm, car)
    return Braked(solve(value, replace(inputs, front_brake_N=front), car, start=state), front, rear)
