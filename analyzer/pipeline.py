"""From files to the whole answer. Composition only: every number is made in the layer that owns it."""

import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

from analyzer.agreement.diagnose import agree_and_diagnose
from analyzer.agreement.steady_samples import steady_samples, steady_samples_of_all
from analyzer.analysis import Analysis, PhaseResult
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.errors import CannotTell
from analyzer.findings.chatter import chatter_of_all
from analyzer.findings.counterfactual import Judge
from analyzer.findings.find_all import find_all, find_in
from analyzer.findings.of_the_session import find_of_the_session
from analyzer.lockcurve.fit import Fit, fit
from analyzer.lockcurve.observations import FIT_RATE_HZ, rows_step
from analyzer.lockcurve.pooled import pooled
from analyzer.lockcurve.session_problem import session_problem
from analyzer.lockcurve.session_state import session_state
from analyzer.lockcurve.summarise import summarise
from analyzer.lockcurve.uncertainty import Spread, spread
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read_blocks import open_blocks
from analyzer.logs.recording import Recording
from analyzer.long_arrays import LongRecord, taken
from analyzer.phase_results import phase_results
from analyzer.phases.corners import numbered
from analyzer.phases.laps import find_laps
from analyzer.signals import blocks
from analyzer.signals.long_session import LongSession, read_session
from analyzer.signals.session import Signals
from analyzer.stretches import Stretches, passes_of_all
from analyzer.trends.lock_trend import lock_trend
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import Car, load_car
from analyzer.vehicle.state import AxleState

Progress = Callable[[str, float], None]  # (what is being done, share done 0 to 1)
LEAST_ROWS = 40  # of the fit: 2 s


def analyze(
    *,
    log_path: Path | str,
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
    progress: Progress = lambda step, share: None,
) -> Analysis:
    """What the differential did in a session.

    Parameters
    ----------
    log_path : CSV, Parquet, Arrow or MDF 4, plain or in gzip or zip.
    car_path : car file (TOML, table [car]).
    setup_path : setup file (TOML, table [differential]), to compare with what the parts should give.
    channels_path : channel map (TOML), for a log with other names or units than the canonical ones.
    progress : called with what is being done and the share done, 0 to 1.

    Returns
    -------
    Analysis : torques at the wheels in N.m, drive positive; SI and radians throughout (ISO 8855).

    Raises
    ------
    InputError : a file is wrong.
    CannotTell : the log is readable but cannot support the question.

    Examples
    --------
    The sample log of an invented car:

    >>> from importlib.resources import files
    >>> samples = files("sample_logs")
    >>> analysis = analyze(
    ...     log_path=samples / "baseline.parquet",
    ...     car_path=samples / "club_car.toml",
    ...     setup_path=samples / "baseline.setup.toml",
    ... )
    >>> list(analysis.lock_curve.parameters)
    ['preload_Nm', 'drive_slope', 'drive_hold_Nm', 'coast_slope', 'coast_hold_Nm']
    >>> preload = analysis.lock_curve.parameters["preload_Nm"]
    >>> preload.lower <= preload.value <= preload.upper
    True
    >>> analysis.findings[0].kind
    'inside_wheel_spin'
    """
    started = time.perf_counter()
    reading = lambda share: progress("reading and calibrating", 0.3 * share)  # noqa: E731
    reading(0.0)
    car = load_car(car_path)
    setup = load_setup(setup_path) if setup_path is not None else None
    channel_map = load_channel_map(channels_path) if channels_path is not None else None
    log = open_blocks(log_path, channel_map=channel_map, rows=blocks.BLOCK_ROWS, lead_s=blocks.LEAD_S)
    session = read_session(log, car=car, progress=reading)
    read_s = time.perf_counter() - started
    analysis = analyze_session(session=session, car=car, setup=setup, progress=progress)
    return replace(analysis, timings_s={"read and calibrate": read_s, **analysis.timings_s})


def analyze_session(
    *,
    session: LongSession,
    car: Car,
    setup: Setup | None = None,
    progress: Progress = lambda step, share: None,
) -> Analysis:
    """What the differential did in a session; a long one is worked on in stretches, and its arrays stay in files.

    Parameters
    ----------
    session : as `read_session` gives it.
    setup : what is fitted; without it there is no prediction and no agreement.
    progress : as in `analyze`.

    Raises
    ------
    CannotTell : the session cannot support the question: no corner, or too little driving off the brakes.
    """
    predicted = predict_lock_curve(setup) if setup is not None else None
    clock = _Clock()
    progress("finding corners", 0.3)
    recording, signals = session.recording(), session.signals()
    parts = blocks.cut(len(signals.time_s), rate_hz=signals.rate_hz, step=rows_step(signals.rate_hz))
    passes = passes_of_all(signals, parts, session.release)
    if not passes:
        raise _no_corner(recording.name, signals)
    laps = find_laps(signals)
    corners = numbered(passes, signals, laps)
    stretches = Stretches(signals, parts, corners, car, session.release)
    clock.lap("laps and corners")
    progress("fitting tyre and lock curve", 0.4)
    fitted = _fitted(recording.name, signals, stretches, car)
    clock.lap("fit")
    progress("evaluating every sample", 0.7)
    drawn = spread(fitted)
    states, driven_Nm = _evaluated(fitted, drawn, stretches, car)
    axle = states.whole()
    estimate = summarise(fitted, drawn, largest_torque_Nm=float(np.nanpercentile(driven_Nm, 99.5)))
    clock.lap("intervals")
    progress("findings", 0.9)
    results: list[PhaseResult] = []
    found, samples = [], []
    file_curve, engine = drive_side(predicted), engine_speed(recording)
    for s in stretches:
        state = taken(axle, s.block.read)
        results += phase_results(s.signals, s.own_corners, state, predicted)
        judge = Judge(fitted, drawn, s.observed, s.signals, state, car, file_curve=file_curve, engine=engine)
        found.append(find_in(s.signals, s.corners, state, estimate, car, own=s.block.own, judge=judge))
        samples.append(steady_samples(s.signals, s.own_corners, state))
        states.release()
    steady = steady_samples_of_all(samples, [len(s.own_corners) for s in stretches])
    agreement = None
    if predicted is not None and setup is not None:
        agreement = agree_and_diagnose(steady, estimate, predicted, setup, car)
    trend = lock_trend(signals, corners, laps, steady, estimate)
    of_the_session = find_of_the_session(signals, trend, agreement)
    clock.lap("findings")
    progress("done", 1.0)
    return Analysis(
        recording=recording,
        car=car,
        signals=signals,
        laps=laps,
        corners=corners,
        axle=axle,
        phase_results=tuple(results),
        lock_curve=estimate,
        predicted=predicted,
        agreement=agreement,
        findings=find_all(found, of_the_session=of_the_session),
        quality=signals.annotations,
        tyre=fitted.nuisance,
        timings_s=clock.laps,
        chatter=chatter_of_all([f.chatter for f in found]),
        trend=trend,
    )


def drive_side(predicted: PredictedLockCurve | None) -> tuple[float, float, float] | None:
    """Preload, drive slope and hold-off of a predicted curve; None without one, and for a spool, which has none."""
    if predicted is None or predicted.preload_Nm is None:
        return None
    return predicted.preload_Nm, predicted.drive_slope or 0.0, predicted.drive_hold_Nm or 0.0


def engine_speed(recording: Recording) -> tuple[np.ndarray, np.ndarray] | None:
    """Log time (s) and engine speed (rad/s) where it is known, None where it is not logged."""
    logged = recording.channels.get("engine_speed")
    if logged is None or not np.isfinite(logged).any():
        return None
    known = np.isfinite(logged)
    return recording.time_s[known], logged[known]


def _no_corner(name: str, signals: Signals) -> CannotTell:
    most = np.max(np.abs(signals.lat_m_s2[signals.valid]), initial=0.0)
    return CannotTell(
        f"{name}: no corner found in {signals.valid.sum() / signals.rate_hz:.0f} s of driving with every "
        f"channel there; lateral acceleration stays under {most / STANDARD_GRAVITY_M_S2:.2f} g in it. "
        "Give a log with cornering."
    )


def _fitted(name: str, signals: Signals, stretches: Stretches, car: Car) -> Fit:
    """The fit of the session's observations; refused where there are too few."""
    problem = session_problem(signals, pooled((s.observed, s.block.own) for s in stretches), car)
    if len(problem.inputs) < LEAST_ROWS:
        raise CannotTell(
            f"{name}: only {len(problem.inputs) / FIT_RATE_HZ:.1f} s of driving off the brakes with trusted wheel "
            f"speeds; at least {LEAST_ROWS / FIT_RATE_HZ:.0f} s are needed. Give a longer log."
        )
    return fit(problem)


def _evaluated(fitted: Fit, drawn: Spread, stretches: Stretches, car: Car) -> tuple[LongRecord[AxleState], np.ndarray]:
    """The axle at every sample, and the input torques (N.m) of all rows that may measure the lock curve."""
    states: LongRecord[AxleState] = LongRecord()
    driven = []
    for s in stretches:
        state = session_state(fitted, drawn, s.observed, s.signals, car)
        rows = s.observed.index[s.observed.usable]
        driven.append(state.input_torque_Nm[rows[(rows >= s.block.own.start) & (rows < s.block.own.stop)]])
        states.append(taken(state, s.block.own))
    return states, np.concatenate(driven)


class _Clock:
    """Seconds spent by step."""

    def __init__(self) -> None:
        self._last = time.perf_counter()
        self.laps: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = now - self._last
        self._last = now
