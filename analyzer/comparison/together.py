"""Runs as the joint fit sees them.

The error that is the same through a run, as it shows in the means over corner phases.

A sensor's zero or a wheel's scale moves every pass of a run the same way, so resampling passes does not see it. The
joint fit's draws say how far each parameter may be off; carried through the axle equations (state profiled out, as
in `lockcurve.fit`) they give draws of each phase's means. Errors that both sides share, car and tyre, are the same
in the draws of both and cancel in the difference.

Runs as the joint fit sees them: its logs, and afterwards each run's axle with the one tyre that all share.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer.analysis import Analysis, PhaseResult, phase_results
from analyzer.arrays import FloatArray, IntArray
from analyzer.comparison.compared_runs import CornerMatch, Run, circles, match_circles, match_corners, places
from analyzer.comparison.joint import Cluster, JointFit, JointLog
from analyzer.findings.find_all import find_all, find_in
from analyzer.findings.finding import Finding
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.session_problem import session_part, session_priors
from analyzer.lockcurve.session_state import session_state
from analyzer.lockcurve.uncertainty import summarise
from analyzer.lockcurve.unknowns import Owner
from analyzer.signals.kinematics import require_slip
from analyzer.signals.session import Sensors
from analyzer.vehicle.axle import rear_slip
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.axle_slopes import STEP, Derivatives
from analyzer.vehicle.axle_solution import solve
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import Prior

LEAST_LEFT_RIGHT_SD = 1e-4  # wear and heat change the rolling radii by this against each other within a run


def run_errors(
    run: Run, k: int, joint: JointFit, observed: Observations, phases: tuple[PhaseResult, ...]
) -> dict[str, FloatArray]:
    """What the joint fit is unsure of, in the phases of one run: its error is the same in all of them.

    Parameters
    ----------
    k : number of the run's log in the fit.
    observed : of the run.
    phases : of the run, in any order.

    Returns
    -------
    dict : `transfer_torque_Nm`, `inside_slip` and `kinematic_lock`, each (phases, draws) to be added to the phase's
        mean; draw by draw they go with those of the other runs of this fit.
    """
    problem = joint.fit.problem
    value, names = problem.values(joint.fit.theta, k), problem.unknowns.names
    car = run.analysis.car
    time = run.analysis.signals.time_s[observed.index]
    spans = [
        slice(*(np.searchsorted(time, p.start_s, "left"), np.searchsorted(time, p.end_s, "right"))) for p in phases
    ]
    means = _Means.of(spans, len(time))
    inputs = observed.inputs.take(means.rows)
    inward = np.array([1.0 if p.direction == "left" else -1.0 for p in phases])
    solution = solve(value, inputs, car)
    at, state = solution.at, solution.state
    slopes = {q: np.empty((len(phases), len(names))) for q in ("transfer_torque_Nm", "inside_slip", "kinematic_lock")}
    lock = _kinematic_lock(value, inputs, car, means)
    derivatives = Derivatives(state, value, inputs, car)
    for j, name in enumerate(names):
        moved, by = value | {name: value[name] + STEP}, derivatives.by(name)
        shift = solution.state_shift((at.slope * by.residual).sum(axis=1))
        torque = by.torque_difference_Nm + (at.difference_slope * shift).sum(axis=0)
        slopes["transfer_torque_Nm"][:, j] = inward * means(torque)
        slip = means(rear_slip(state + STEP * shift, moved, inputs, car) - at.slip) / STEP
        slopes["inside_slip"][:, j] = np.where(inward > 0, slip[0], slip[1])
        slopes["kinematic_lock"][:, j] = (_kinematic_lock(moved, inputs, car, means) - lock) / STEP
    drawn = problem.unknowns.parameters(joint.spread.draws, problem.logs[k])
    off = drawn - np.array(list(value.values()))
    return {quantity: slope @ off.T for quantity, slope in slopes.items()}


@dataclass(frozen=True)
class _Means:
    """Means over phases, by the rows that are in any of them: row numbers, and where each phase begins and stops."""

    rows: IntArray
    first: IntArray
    stop: IntArray

    @classmethod
    def of(cls, spans: Sequence[slice], count: int) -> "_Means":
        within = np.zeros(count, bool)
        for span in spans:
            within[span] = True
        before = np.concatenate([[0], np.cumsum(within)])
        ends = np.array([(span.start, span.stop) for span in spans], int).reshape(-1, 2)
        return cls(np.flatnonzero(within), before[ends[:, 0]], before[ends[:, 1]])

    def __call__(self, values: FloatArray) -> FloatArray:
        """(..., phases) of values (..., rows); 0 where a phase has no row."""
        sums = np.cumsum(np.concatenate([np.zeros((*values.shape[:-1], 1)), values], axis=-1), axis=-1)
        means: FloatArray = (sums[..., self.stop] - sums[..., self.first]) / np.maximum(self.stop - self.first, 1)
        return means


def _kinematic_lock(value: dict[str, float], inputs: AxleInputs, car: Car, means: _Means) -> FloatArray:
    """(phases,) as `phase_results` has it: one less the mean speed difference over its free-rolling value."""
    scale = np.exp(value["rear_left_right_scale"] / 2)
    yaw = (inputs.yaw_rad_s - value["yaw_bias"]) * np.exp(value["log_yaw_scale"] - value["log_speed_scale"])
    free = means(-yaw * car.rear_track_m)
    found = np.full(len(free), np.nan)
    turning = np.abs(free) > 1e-3
    found[turning] = 1 - means(inputs.left_m_s * scale - inputs.right_m_s / scale)[turning] / free[turning]
    lock: FloatArray = np.nan_to_num(found)
    return lock


@dataclass(frozen=True)
class SharedView:
    """One run seen with the joint fit's tyre.

    Attributes
    ----------
    run : the run.
    phases : means over its corner phases, with `corner` numbered as in the first run.
    errors : quantity -> (phases, draws) of the error that is the same through the run, paired between the runs.
    findings : what happened in the laps that count.
    """

    run: Run
    phases: tuple[PhaseResult, ...]
    errors: dict[str, FloatArray]
    findings: tuple[Finding, ...]


def corner_matches(runs: list[Run]) -> list[CornerMatch]:
    """For each run: how its corners are numbered in the first run with laps, its circles in the first without.

    Parameters
    ----------
    runs : of both sides, in the order of the fit.
    """
    matches = []
    for run in runs:
        first = next(r.analysis for r in runs if r.on_circuit == run.on_circuit)
        other = run.analysis
        length, other_length = first.laps.length_m, other.laps.length_m
        if length is None or other_length is None:
            matches.append(match_circles(circles(first), circles(other)))
        elif other is first:
            matches.append(CornerMatch({c.number: c.number for c in first.corners}))
        else:
            matches.append(match_corners(places(first), places(other), length_m=length, other_length_m=other_length))
    return matches


def joint_priors(runs: list[Run], *, yaw_scale_sd: float = 0.0) -> tuple[Prior, ...]:
    """Priors of every run's parameters.

    Parameters
    ----------
    yaw_scale_sd : of the yaw rate's scale, besides what is always unsure of it; where the sensors changed.
    runs : of both sides; car figures are those of the first, and the yaw rate counts as measured only where all have
        it.
    """
    gyro = Sensors.common(r.analysis.signals.sensors for r in runs).gyro
    signals, car = runs[0].analysis.signals, runs[0].analysis.car
    sure = min(_own_straights_sd(run) for run in runs)
    changed = []
    for prior in session_priors(signals, car, gyro=gyro):
        if prior.name == "log_yaw_scale":
            prior = replace(prior, deviation=float(np.hypot(prior.deviation, yaw_scale_sd)))
        if prior.name == "rear_left_right_scale":
            prior = replace(prior, deviation=min(prior.deviation, sure))
        changed.append(prior)
    return tuple(changed)


def joint_logs(runs: list[Run], matches: list[CornerMatch], *, paired: bool) -> tuple[JointLog, ...]:
    """The runs as logs of a joint fit.

    Parameters
    ----------
    matches : from `corner_matches`.
    paired : resample a corner's passes before and after together; not where the driving differs.

    Raises
    ------
    CannotTell : the slips of a run are not known.
    """
    logs = []
    for k, (run, match) in enumerate(zip(runs, matches, strict=True)):
        analysis = run.analysis
        require_slip(analysis.recording.name, analysis.signals)
        owner = Owner(run.side, run.source, "circuit" if run.on_circuit else "circles")
        observed = run.observed()
        part = session_part(analysis.signals, analysis.laps, observed, analysis.car, owner=owner)
        clusters: list[Cluster] = []
        for group in np.unique(part.group):
            corner = _corner_of(int(observed.index[observed.group == group][0]), analysis)
            if corner in match.numbers:
                clusters.append((owner.course, match.numbers[corner], None if paired else run.side))
            else:
                clusters.append((k, int(group), "alone"))
        logs.append(JointLog(part=part, clusters=tuple(clusters)))
    return tuple(logs)


def _corner_of(sample: int, analysis: Analysis) -> int | None:
    """Number of the corner that a sample is in; a circle is several groups of one corner."""
    return next((c.number for c in analysis.corners if c.start <= sample < c.stop), None)


def _own_straights_sd(run: Run) -> float:
    """How sure a run's own straights make its left-right calibration.

    In a single fit a left-right error is one of many; between two runs it is among the largest that do not cancel.
    """
    found = [s.standard_deviation for s in run.analysis.signals.calibration if s.code == "rear_wheel_scale"]
    if not found or found[0] is None:
        return np.inf
    return float(np.hypot(found[0] / 100, LEAST_LEFT_RIGHT_SD))


def shared_view(run: Run, k: int, joint: JointFit, match: CornerMatch) -> SharedView:
    """One run of the joint fit with its axle evaluated at the joint parameters.

    Parameters
    ----------
    k : number of the run's log in the fit.
    match : its corners against the first run's; a corner that has no match there has no phases.
    """
    analysis, observed = run.analysis, run.observed()
    axle = session_state(joint.fit, joint.spread, observed, analysis.signals, analysis.car, log=k)
    rows = phase_results(analysis.signals, analysis.corners, axle, None)
    estimate = side_estimate(joint, run.side)
    # what happened is counted; whose it was, the analysis of each log says
    found = find_all([find_in(analysis.signals, analysis.corners, axle, estimate, analysis.car)])
    numbers = match.numbers
    phases = tuple(replace(r, corner=numbers[r.corner]) for r in rows if run.counts(r.lap) and r.corner in numbers)
    return SharedView(
        run=run,
        phases=phases,
        errors=run_errors(run, k, joint, observed, phases),
        findings=tuple(f for f in found if run.counts(f.lap)),
    )


def side_estimate(joint: JointFit, side: int) -> LockCurveEstimate:
    """The lock curve of one side from all its logs, as `analyze` would state it.

    Parameters
    ----------
    side : 0 before, 1 after.
    """
    draws = joint.spread.draws.copy()
    draws[:, joint.spread.unknowns.curve_slice(side)] = joint.draws[:, side]
    drawn = replace(joint.spread, draws=draws)
    return summarise(joint.fit, drawn, largest_torque_Nm=joint.largest_torque_Nm, side=side)
