"""What is worked out of each log by itself, before and after all of them are fitted together. Composition only."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analyzer.agreement.steady_samples import SteadySamples, steady_samples, steady_samples_of_all
from analyzer.analysis import PhaseResult, phase_results
from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.errors import CannotTell
from analyzer.findings.counterfactual import Judge
from analyzer.findings.find_all import Found, find_in
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.fit import Fit
from analyzer.lockcurve.observations import FIT_RATE_HZ, rows_step
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.session_problem import pooled, session_part, session_problem
from analyzer.lockcurve.session_state import AxleState, session_state
from analyzer.lockcurve.uncertainty import Spread
from analyzer.lockcurve.unknowns import Owner
from analyzer.logs.recording import Recording
from analyzer.long_arrays import LongRecord, taken
from analyzer.phases.corners import numbered
from analyzer.phases.laps import find_laps
from analyzer.phases.phases import Corner, Laps
from analyzer.signals import long_session
from analyzer.signals.long_session import LongSession
from analyzer.signals.session import Signals
from analyzer.stretches import Stretches, passes_of_all
from analyzer.vehicle.car import Car

LEAST_ROWS = 40  # of the fit: 2 s


@dataclass(frozen=True)
class OneLog:
    """One session with its laps, corners and stretches."""

    recording: Recording
    signals: Signals
    laps: Laps
    corners: tuple[Corner, ...]
    stretches: Stretches

    @classmethod
    def of(cls, session: LongSession, car: Car) -> "OneLog":
        recording, signals = session.recording(), session.signals()
        parts = long_session.cut(len(signals.time_s), rate_hz=signals.rate_hz, step=rows_step(signals.rate_hz))
        passes = passes_of_all(signals, parts, session.release)
        if not passes:
            raise _no_corner(recording.name, signals)
        laps = find_laps(signals)
        corners = numbered(passes, signals, laps)
        return cls(recording, signals, laps, corners, Stretches(signals, parts, corners, car, session.release))


@dataclass(frozen=True)
class Judging:
    """What spins of a log are judged by: the fit with its draws, and which of its logs this is."""

    fitted: Fit
    drawn: Spread
    log: int


@dataclass(frozen=True)
class Seen:
    """What is told of one session with the fit of all."""

    axle: AxleState
    phases: tuple[PhaseResult, ...]
    found: tuple[Found, ...]
    steady: SteadySamples

    @classmethod
    def of(
        cls,
        log: OneLog,
        states: LongRecord[AxleState],
        estimate: LockCurveEstimate,
        predicted: PredictedLockCurve | None,
        judging: Judging,
        car: Car,
    ) -> "Seen":
        axle = states.whole()
        results: list[PhaseResult] = []
        found, samples = [], []
        file_curve, engine = drive_side(predicted), engine_speed(log.recording)
        for s in log.stretches:
            state = taken(axle, s.block.read)
            results += phase_results(s.signals, s.own_corners, state, predicted)
            judge = Judge(
                judging.fitted,
                judging.drawn,
                s.observed,
                s.signals,
                state,
                car,
                file_curve=file_curve,
                engine=engine,
                log=judging.log,
            )
            found.append(find_in(s.signals, s.corners, state, estimate, car, own=s.block.own, judge=judge))
            samples.append(steady_samples(s.signals, s.own_corners, state))
            states.release()
        steady = steady_samples_of_all(samples, [len(s.own_corners) for s in log.stretches])
        return cls(axle, tuple(results), tuple(found), steady)


def drive_side(predicted: PredictedLockCurve | None) -> tuple[float, float, float] | None:
    """Preload, drive slope and hold-off of a predicted curve; None without one, and for a spool, which has none."""
    if predicted is None or predicted.preload_Nm is None:
        return None
    return predicted.preload_Nm, predicted.drive_slope or 0.0, predicted.drive_hold_Nm or 0.0


def engine_speed(recording: Recording) -> tuple[FloatArray, FloatArray] | None:
    """Log time (s) and engine speed (rad/s) where it is known, None where it is not logged."""
    logged = recording.channels.get("engine_speed")
    if logged is None or not np.isfinite(logged).any():
        return None
    known = np.isfinite(logged)
    return recording.time_s[known], logged[known]


def evaluated(
    fitted: Fit, drawn: Spread, log: OneLog, number: int, car: Car
) -> tuple[LongRecord[AxleState], FloatArray]:
    """The axle at every sample, and the input torques (N.m) of all rows that may measure the lock curve."""
    states: LongRecord[AxleState] = LongRecord()
    driven = []
    for s in log.stretches:
        state = session_state(fitted, drawn, s.observed, s.signals, car, log=number)
        rows = s.observed.index[s.observed.usable]
        driven.append(state.input_torque_Nm[rows[(rows >= s.block.own.start) & (rows < s.block.own.stop)]])
        states.append(taken(state, s.block.own))
    return states, np.concatenate(driven)


def problem_of(logs: Sequence[OneLog], car: Car) -> Problem:
    """What is fitted to all sessions; refused where one of them has too little."""
    parts = []
    for k, log in enumerate(logs):
        observed = pooled((s.observed, s.block.own) for s in log.stretches)
        part = session_part(log.signals, log.laps, observed, car, owner=Owner(source=k))
        if len(part.inputs) < LEAST_ROWS:
            raise CannotTell(
                f"{log.recording.name}: only {len(part.inputs) / FIT_RATE_HZ:.1f} s of driving off the brakes with "
                f"trusted wheel speeds; at least {LEAST_ROWS / FIT_RATE_HZ:.0f} s are needed. Give a longer log."
            )
        parts.append(part)
    return session_problem([log.signals for log in logs], parts, car)


def _no_corner(name: str, signals: Signals) -> CannotTell:
    most = np.max(np.abs(signals.lat_m_s2[signals.valid]), initial=0.0)
    return CannotTell(
        f"{name}: no corner found in {signals.valid.sum() / signals.rate_hz:.0f} s of driving with every "
        f"channel there; lateral acceleration stays under {most / STANDARD_GRAVITY_M_S2:.2f} g in it. "
        "Give a log with cornering."
    )
