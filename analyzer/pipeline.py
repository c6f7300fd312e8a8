"""From files to the whole answer. Composition only: every number is made in the layer that owns it."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from analyzer.agreement.anchored import anchored_estimate
from analyzer.agreement.diagnose import agree_and_diagnose
from analyzer.agreement.steady_samples import SteadySamples, steady_samples, steady_samples_of_all
from analyzer.agreement.verdict import Agreement, Unmeasured
from analyzer.analysis import Analysis, PhaseResult, phase_results
from analyzer.arrays import FloatArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.differential.anchors import anchors
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.errors import CannotTell
from analyzer.files import each_once
from analyzer.findings.chatter import chatter_of_all
from analyzer.findings.counterfactual import Judge
from analyzer.findings.find_all import Found, find_all, find_in
from analyzer.findings.lock_trend import lock_trend
from analyzer.findings.whole_car import find_of_the_session
from analyzer.knowledge.known_car import Knowledge, car_run, informed, knowledge_used
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.fit import Fit, fit_weighed
from analyzer.lockcurve.observations import FIT_RATE_HZ, rows_step
from analyzer.lockcurve.problem import Problem
from analyzer.lockcurve.session_problem import pooled, session_part, session_problem
from analyzer.lockcurve.session_state import AxleState, session_state
from analyzer.lockcurve.uncertainty import Spread, spread, summarise
from analyzer.lockcurve.unknowns import Owner
from analyzer.lockcurve.witness import Witness
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read_blocks import open_blocks
from analyzer.logs.recording import Recording
from analyzer.long_arrays import LongRecord, taken
from analyzer.phases.corners import numbered
from analyzer.phases.laps import find_laps
from analyzer.phases.phases import Corner, Laps
from analyzer.provenance import code_version, figures_hash, recording_hash
from analyzer.signals import long_session
from analyzer.signals.consistency import contradicted
from analyzer.signals.long_session import LongSession, read_session
from analyzer.signals.session import Sensors, Signals
from analyzer.stretches import Stretches, passes_of_all
from analyzer.vehicle.car import Car, load_car

Progress = Callable[[str, float], None]  # (what is being done, share done 0 to 1)
NOTHING_SAID: Mapping[str, str] = MappingProxyType({})  # of tyres, weather and sensor
LEAST_ROWS = 40  # of the fit: 2 s


def analyze(
    *,
    log_path: Path | str | Sequence[Path | str],
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> Analysis:
    """What the differential did in a session.

    Parameters
    ----------
    log_path : CSV, Parquet, Arrow or MDF 4, plain or packed; or several, runs of one car with one differential
        (laps, slow circles, a slow lap), which are fitted together.
    car_path : car file (TOML, table [car]).
    setup_path : setup file (TOML, table [differential]), to compare with what the parts should give.
    channels_path : channel map (TOML), for a log with other names or units than the canonical ones.
    knowledge : what other runs of the car know of it (`knowledge_file.load_knowledge`).
    driven_with : `tyres`, `weather` and `sensor` of the run, in words; a run whose words differ tells nothing of what
        hangs on them.
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
    found, _ = analyze_with_fit(
        log_path=log_path,
        car_path=car_path,
        setup_path=setup_path,
        channels_path=channels_path,
        knowledge=knowledge,
        driven_with=driven_with,
        progress=progress,
    )
    return found


def analyze_with_fit(
    *,
    log_path: Path | str | Sequence[Path | str],
    car_path: Path | str,
    setup_path: Path | str | None = None,
    channels_path: Path | str | None = None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> tuple[Analysis, Fit]:
    """As `analyze`, with the fit behind the answer; with `knowledge` that is the one which heard the other runs.

    Parameters
    ----------
    log_path, car_path, setup_path, channels_path, knowledge, driven_with, progress : as in `analyze`.

    Raises
    ------
    InputError, CannotTell : as `analyze`.
    """
    started = time.perf_counter()

    def reading(share: float) -> None:
        progress("reading and calibrating", 0.3 * share)

    reading(0.0)
    car = load_car(car_path)
    setup = load_setup(setup_path) if setup_path is not None else None
    channel_map = load_channel_map(channels_path) if channels_path is not None else None
    paths = [log_path] if isinstance(log_path, (str, Path)) else list(log_path)
    each_once(paths, option="LOG")
    sessions = []

    def of_log(k: int) -> Callable[[float], None]:
        return lambda share: reading((k + share) / len(paths))

    for k, path in enumerate(paths):
        log = open_blocks(path, channel_map=channel_map, rows=long_session.BLOCK_ROWS, lead_s=long_session.LEAD_S)
        sessions.append(read_session(log, car=car, progress=of_log(k)))
    read_s = time.perf_counter() - started
    analysis, fitted = sessions_with_fit(
        sessions=sessions, car=car, setup=setup, knowledge=knowledge, driven_with=driven_with, progress=progress
    )
    return replace(analysis, timings_s={"read and calibrate": read_s, **analysis.timings_s}), fitted


def analyze_session(
    *,
    session: LongSession,
    car: Car,
    setup: Setup | None = None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> Analysis:
    """As `analyze_sessions`, of one.

    Parameters
    ----------
    session : as `read_session` gives it.
    car, setup, knowledge, driven_with, progress : as in `analyze_sessions`.

    Raises
    ------
    CannotTell : the session cannot support the question.
    """
    return analyze_sessions(
        sessions=[session], car=car, setup=setup, knowledge=knowledge, driven_with=driven_with, progress=progress
    )


def analyze_sessions(
    *,
    sessions: Sequence[LongSession],
    car: Car,
    setup: Setup | None = None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> Analysis:
    """What the differential did in one or several sessions of one car with one differential, fitted together.

    A long session is worked on in stretches, and its arrays stay in files.

    Parameters
    ----------
    sessions : as `read_session` gives them; the result is the first one's, with the others in `others`.
    setup : what is fitted; without it there is no prediction, no agreement and no anchored curve.
    knowledge, driven_with, progress : as in `analyze`.

    Raises
    ------
    CannotTell : a session cannot support the question: no corner, or too little driving off the brakes.
    """
    return sessions_with_fit(
        sessions=sessions, car=car, setup=setup, knowledge=knowledge, driven_with=driven_with, progress=progress
    )[0]


def sessions_with_fit(
    *,
    sessions: Sequence[LongSession],
    car: Car,
    setup: Setup | None = None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> tuple[Analysis, Fit]:
    """As `analyze_sessions`, with the fit behind the answer; with `knowledge` that is the one which heard the other
    runs.

    Parameters
    ----------
    sessions, car, setup, knowledge, driven_with, progress : as in `analyze_sessions`.

    Raises
    ------
    CannotTell : as `analyze_sessions`.
    """
    predicted = predict_lock_curve(setup) if setup is not None else None
    clock = _Clock()
    progress("finding corners", 0.3)
    logs = [_Log.of(session, car) for session in sessions]
    clock.lap("laps and corners")
    progress("fitting tyre and lock curve", 0.4)
    blind = fit_weighed(_problem(logs, car))
    told = car_run(
        blind,
        name=" + ".join(log.recording.name for log in logs),
        logs=[recording_hash(log.recording) for log in logs],
        driven_with={**driven_with, "car": figures_hash(car), "channels": _channels(logs)},
        code=code_version(),
    )
    fitted, usable = blind, None
    if knowledge is not None:
        fitted, usable = informed(blind, knowledge.usable_by(told))
    clock.lap("fit")
    progress("evaluating every sample", 0.7)
    drawn = spread(fitted)
    evaluated = [_evaluated(fitted, drawn, log, k, car) for k, log in enumerate(logs)]
    largest = max(float(np.nanpercentile(driven_Nm, 99.5)) for _, driven_Nm in evaluated)
    estimate = summarise(fitted, drawn, largest_torque_Nm=largest)
    used = None
    if knowledge is not None and usable is not None:
        alone = estimate if fitted is blind else summarise(blind, spread(blind), largest_torque_Nm=largest)
        used = knowledge_used(knowledge.car, usable, alone, estimate)
    anchored = None
    if setup is not None and predicted is not None:
        anchored = anchored_estimate(fitted, anchors(setup), largest_torque_Nm=largest)
    # what the log can say of any curve that is asked about later; without slips it knows none
    witness = Witness.of(fitted) if fitted.problem.sensors.slip_known else None
    clock.lap("intervals")
    progress("findings", 0.9)
    seen = [
        _Seen.of(log, states, estimate, predicted, _Judging(fitted, drawn, k), car)
        for k, (log, (states, _)) in enumerate(zip(logs, evaluated, strict=True))
    ]
    steady = steady_samples_of_all([s.steady for s in seen], [len(log.corners) for log in logs])
    agreement = None
    if predicted is not None and setup is not None:
        agreement = agree_and_diagnose(steady, estimate, predicted, setup, car, witness)
    analyses = []
    for k, (log, one) in enumerate(zip(logs, seen, strict=True)):
        # a trend compares each corner with itself, lap after lap; circles are no laps
        trend = None
        if log.laps.length_m is not None:
            trend = lock_trend(log.signals, log.corners, log.laps, one.steady, estimate)
        of_the_session = find_of_the_session(log.signals, trend, agreement if k == 0 else None)
        analyses.append(
            Analysis(
                recording=log.recording,
                car=car,
                signals=log.signals,
                laps=log.laps,
                corners=log.corners,
                axle=one.axle,
                phase_results=one.phases,
                lock_curve=estimate,
                predicted=predicted,
                agreement=agreement,
                findings=find_all(one.found, of_the_session=of_the_session),
                quality=log.signals.annotations,
                tyre=fitted.nuisance_of(k),
                timings_s={},
                chatter=chatter_of_all([f.chatter for f in one.found]),
                trend=trend,
                anchored=anchored,
                told=told,
                knowledge=used,
                witness=witness if k == 0 else None,
            )
        )
    clock.lap("findings")
    progress("done", 1.0)
    if any(contradicted(log.signals.annotations) for log in logs):
        analyses = [_withheld(analysis) for analysis in analyses]
    return replace(analyses[0], timings_s=clock.laps, others=tuple(analyses[1:])), fitted


def _channels(logs: Sequence["_Log"]) -> str:
    """Which of the sensors that a pose or a scale is of were there in all logs."""
    sensors = Sensors.common(log.signals.sensors for log in logs)
    there = {"gyro": sensors.gyro, "longitudinal": sensors.long_g, "lateral": sensors.lat_g}
    return " ".join(name for name, has in there.items() if has)


def _withheld(analysis: Analysis) -> Analysis:
    """The analysis of a log whose channels contradict each other: its curve is shown, nothing is concluded from it."""
    agreement = analysis.agreement
    if agreement is not None:
        nothing = Unmeasured("the log contradicts itself, so nothing is concluded about the parts")
        agreement = Agreement("cannot_tell", dict.fromkeys(agreement.sides, nothing))
    return replace(
        analysis,
        agreement=agreement,
        findings=(),
        trend=None,
        chatter=None,
        anchored=None,
        witness=None,
        told=None,
    )


@dataclass(frozen=True)
class _Log:
    """One session with its laps, corners and stretches."""

    recording: Recording
    signals: Signals
    laps: Laps
    corners: tuple[Corner, ...]
    stretches: Stretches

    @classmethod
    def of(cls, session: LongSession, car: Car) -> "_Log":
        recording, signals = session.recording(), session.signals()
        parts = long_session.cut(len(signals.time_s), rate_hz=signals.rate_hz, step=rows_step(signals.rate_hz))
        passes = passes_of_all(signals, parts, session.release)
        if not passes:
            raise _no_corner(recording.name, signals)
        laps = find_laps(signals)
        corners = numbered(passes, signals, laps)
        return cls(recording, signals, laps, corners, Stretches(signals, parts, corners, car, session.release))


@dataclass(frozen=True)
class _Judging:
    """What spins of a log are judged by: the fit with its draws, and which of its logs this is."""

    fitted: Fit
    drawn: Spread
    log: int


@dataclass(frozen=True)
class _Seen:
    """What is told of one session with the fit of all."""

    axle: AxleState
    phases: tuple[PhaseResult, ...]
    found: tuple[Found, ...]
    steady: SteadySamples

    @classmethod
    def of(
        cls,
        log: _Log,
        states: LongRecord[AxleState],
        estimate: LockCurveEstimate,
        predicted: PredictedLockCurve | None,
        judging: _Judging,
        car: Car,
    ) -> "_Seen":
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


def _no_corner(name: str, signals: Signals) -> CannotTell:
    most = np.max(np.abs(signals.lat_m_s2[signals.valid]), initial=0.0)
    return CannotTell(
        f"{name}: no corner found in {signals.valid.sum() / signals.rate_hz:.0f} s of driving with every "
        f"channel there; lateral acceleration stays under {most / STANDARD_GRAVITY_M_S2:.2f} g in it. "
        "Give a log with cornering."
    )


def _problem(logs: Sequence[_Log], car: Car) -> Problem:
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


def _evaluated(
    fitted: Fit, drawn: Spread, log: _Log, number: int, car: Car
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


class _Clock:
    """Seconds spent by step."""

    def __init__(self) -> None:
        self._last = time.perf_counter()
        self.laps: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = now - self._last
        self._last = now
