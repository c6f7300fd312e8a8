"""What errs alike through a run, as it shows in the means over corner phases.

A sensor's zero or a wheel's scale moves every pass of a run the same way, so resampling passes does not see it. The
joint fit's draws say how far each parameter may be off; carried through the axle equations (state profiled out, as in
`lockcurve.fit`) they give draws of each phase's means. Errors that both sides share, car and tyre, are the same in the
draws of both and cancel in the difference.
"""

import numpy as np

from analyzer.analysis import PhaseResult
from analyzer.comparison.joint import JointFit
from analyzer.comparison.runs import Run
from analyzer.vehicle.axle import AxleInputs, equations
from analyzer.vehicle.axle_slopes import STEP
from analyzer.vehicle.axle_solution import solve
from analyzer.vehicle.car import Car


def run_errors(run: Run, k: int, joint: JointFit, phases: tuple[PhaseResult, ...]) -> dict[str, np.ndarray]:
    """Draws (phases, draws) of the error of `transfer_torque_Nm`, `inside_slip` and `kinematic_lock` of run `k`."""
    problem = joint.fit.problem
    value, names = problem.values(joint.fit.theta, k), problem.unknowns.names
    observed, car = run.observed(), run.analysis.car
    time = run.analysis.signals.time_s[observed.index]
    within = np.array([(time >= p.start_s) & (time <= p.end_s) for p in phases], float).reshape(len(phases), len(time))
    rows = np.flatnonzero(within.sum(axis=0))  # the others are in no mean
    within = within[:, rows] / np.maximum(within.sum(axis=1, keepdims=True), 1.0)
    inputs = observed.inputs.take(rows)
    inward = np.array([1.0 if p.direction == "left" else -1.0 for p in phases])
    solution = solve(value, inputs, car)
    at, state = solution.at, solution.state
    slopes = {q: np.empty((len(phases), len(names))) for q in ("transfer_torque_Nm", "inside_slip", "kinematic_lock")}
    lock = _kinematic_lock(value, inputs, car, within)
    for j, name in enumerate(names):
        moved = value | {name: value[name] + STEP}
        residual = (equations(state, moved, inputs, car, slopes=False).residual - at.residual) / STEP
        shift = solution.state_shift((at.slope * residual).sum(axis=1))
        there = equations(state + STEP * shift, moved, inputs, car, slopes=False)
        slopes["transfer_torque_Nm"][:, j] = inward * (within @ (there.torque_difference_Nm - at.torque_difference_Nm))
        slip = (there.slip - at.slip) @ within.T
        slopes["inside_slip"][:, j] = np.where(inward > 0, slip[0], slip[1])
        slopes["kinematic_lock"][:, j] = _kinematic_lock(moved, inputs, car, within) - lock
    drawn = problem.unknowns.parameters(joint.spread.draws, problem.logs[k])
    off = drawn - np.array(list(value.values()))
    return {quantity: slope / STEP @ off.T for quantity, slope in slopes.items()}


def _kinematic_lock(value: dict[str, float], inputs: AxleInputs, car: Car, within: np.ndarray) -> np.ndarray:
    """(phases,) as `phase_results` has it: one less the mean speed difference over its free-rolling value."""
    scale = np.exp(value["rear_left_right_scale"] / 2)
    yaw = (inputs.yaw_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"] - value["log_speed_scale"])
    free = within @ (-yaw * car.rear_track_m)
    found = np.full(len(free), np.nan)
    turning = np.abs(free) > 1e-3
    found[turning] = 1 - (within @ (inputs.left_m_s * scale - inputs.right_m_s / scale))[turning] / free[turning]
    return np.nan_to_num(found)
