"""Runs as the joint fit sees them: its logs, and afterwards each run's axle with the one tyre that all share."""

from dataclasses import dataclass, replace

import numpy as np

from analyzer.analysis import PhaseResult
from analyzer.comparison.joint import JointFit
from analyzer.comparison.joint_parameters import JointLog
from analyzer.comparison.matching import CornerMatch, match_corners, places
from analyzer.comparison.run_error import run_errors
from analyzer.comparison.runs import Run
from analyzer.findings.counterfactual import Judge
from analyzer.findings.find_all import find_all, find_in
from analyzer.findings.finding import Finding
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.session_problem import session_problem
from analyzer.lockcurve.session_state import session_state
from analyzer.lockcurve.summarise import summarise
from analyzer.lockcurve.uncertainty import Spread
from analyzer.phase_results import phase_results
from analyzer.signals.ground_speed import require_slip
from analyzer.vehicle.parameters import Prior

LEAST_LEFT_RIGHT_SD = 1e-4  # wear and heat change the rolling radii by this against each other within a run


@dataclass(frozen=True)
class SharedView:
    """One run seen with the joint fit's tyre.

    Attributes
    ----------
    run : the run.
    phases : means over its corner phases, with `corner` numbered as in the first run.
    errors : quantity -> (phases, draws) of what errs alike through the run, paired between the runs.
    findings : what happened in the laps that count.
    """

    run: Run
    phases: tuple[PhaseResult, ...]
    errors: dict[str, np.ndarray]
    findings: tuple[Finding, ...]


def corner_matches(runs: list[Run]) -> list[CornerMatch]:
    """For each run: how its corners are numbered in the first run."""
    first = runs[0].analysis
    reference = places(first)
    matches = []
    for run in runs:
        other = run.analysis
        if other is first:
            matches.append(CornerMatch({c.number: c.number for c in first.corners}))
        elif first.laps.length_m is None or other.laps.length_m is None:
            matches.append(CornerMatch({}))
        else:
            length, other_length = first.laps.length_m, other.laps.length_m
            matches.append(match_corners(reference, places(other), length_m=length, other_length_m=other_length))
    return matches


def joint_logs(
    runs: list[Run], matches: list[CornerMatch], *, paired: bool, yaw_scale_sd: float = 0.0
) -> tuple[JointLog, ...]:
    """The runs as logs of a joint fit.

    Parameters
    ----------
    matches : from `corner_matches`.
    paired : resample a corner's passes before and after together; not where the driving differs.
    yaw_scale_sd : of the yaw rate's scale, besides what is always unsure of it; where the sensors changed.
    """
    has_gyro = all(r.analysis.signals.has_gyro for r in runs)
    logs = []
    for k, (run, match) in enumerate(zip(runs, matches, strict=True)):
        require_slip(run.analysis.recording.name, run.analysis.signals)
        car, corners = run.analysis.car, run.analysis.corners
        problem = session_problem(run.analysis.signals, run.observed(), car, has_gyro=has_gyro)
        nuisance = (
            replace(p, deviation=float(np.hypot(p.deviation, yaw_scale_sd))) if p.name == "log_yaw_scale" else p
            for p in problem.priors
        )
        problem = replace(problem, priors=_with_own_straights(run, tuple(nuisance)))
        clusters: list[tuple] = []
        for group in np.unique(problem.group):
            corner = corners[group].number if group < len(corners) else None
            if corner in match.numbers:
                clusters.append((match.numbers[corner], None if paired else run.side))
            else:
                clusters.append((k, int(group), "alone"))
        logs.append(JointLog(problem=problem, side=run.side, source=run.source, clusters=tuple(clusters)))
    return tuple(logs)


def _with_own_straights(run: Run, nuisance: tuple[Prior, ...]) -> tuple[Prior, ...]:
    """Priors of a run, with the left-right calibration as sure as the run's own straights make it.

    In a single fit a left-right error is one of many; between two runs it is among the largest that do not cancel.
    """
    found = [s.standard_deviation for s in run.analysis.signals.calibration if s.code == "rear_wheel_scale"]
    if not found or found[0] is None:
        return nuisance
    deviation = float(np.hypot(found[0] / 100, LEAST_LEFT_RIGHT_SD))
    return tuple(
        replace(p, deviation=min(p.deviation, deviation)) if p.name == "rear_left_right_scale" else p for p in nuisance
    )


def shared_view(run: Run, k: int, joint: JointFit, match: CornerMatch) -> SharedView:
    """Run `k` of the joint fit with its axle evaluated at the joint parameters."""
    analysis = run.analysis
    fitted, drawn = _as_fit(joint, k)
    axle = session_state(fitted, drawn, run.observed(), analysis.signals, analysis.car)
    rows = phase_results(analysis.signals, analysis.corners, axle, None)
    estimate = side_estimate(joint, run.side)
    judge = Judge(fitted, drawn, run.observed(), analysis.signals, axle, analysis.car)
    found = find_all([find_in(analysis.signals, analysis.corners, axle, estimate, analysis.car, judge=judge)])
    numbers = match.numbers
    phases = tuple(replace(r, corner=numbers[r.corner]) for r in rows if run.counts(r.lap) and r.corner in numbers)
    return SharedView(
        run=run,
        phases=phases,
        errors=run_errors(run, k, joint, phases),
        findings=tuple(f for f in found if run.counts(f.lap)),
    )


def side_estimate(joint: JointFit, side: int) -> LockCurveEstimate:
    """The lock curve of one side from all its logs, as `analyze` would state it."""
    members = [k for k, log in enumerate(joint.logs) if log.side == side]
    fits = [_as_fit(joint, k)[0] for k in members]
    offsets = np.cumsum([0, *(f.problem.group.max() + 1 for f in fits[:-1])])
    at = replace(
        fits[0].solution.at,
        input_torque_Nm=np.concatenate([f.solution.at.input_torque_Nm for f in fits]),
        torque_difference_Nm=np.concatenate([f.solution.at.torque_difference_Nm for f in fits]),
    )
    problem = replace(
        fits[0].problem,
        slipping=np.concatenate([f.problem.slipping for f in fits]),
        locked=np.concatenate([f.problem.locked for f in fits]),
        group=np.concatenate([f.problem.group + o for f, o in zip(fits, offsets, strict=True)]),
    )
    pooled = replace(fits[0], solution=replace(fits[0].solution, at=at), problem=problem)
    drawn = Spread(draws=joint.draws[:, side], budget={})
    return summarise(pooled, drawn, largest_torque_Nm=joint.largest_torque_Nm)


def _as_fit(joint: JointFit, k: int) -> tuple[Fit, Spread]:
    log, theta = joint.logs[k], joint.thetas[k]
    size = len(theta)
    fitted = Fit(
        theta=theta,
        hessian=np.zeros((size, size)),
        group_gradients=np.zeros((0, size)),
        solution=joint.evaluations[k].solution,
        problem=log.problem,
        converged=True,
    )
    return fitted, Spread(draws=joint.log_draws[k], budget={})
