"""From files to the whole answer. Composition only: every number is made in the layer that owns it."""

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType

import numpy as np

from analyzer.agreement.anchored import anchored_estimate
from analyzer.agreement.diagnose import agree_and_diagnose
from analyzer.agreement.steady_samples import steady_samples_of_all
from analyzer.agreement.verdict import Agreement, Unmeasured
from analyzer.analysis import Analysis
from analyzer.differential.anchors import anchors
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.files import each_once
from analyzer.findings.chatter import chatter_of_all
from analyzer.findings.find_all import find_all
from analyzer.findings.lock_trend import lock_trend
from analyzer.findings.whole_car import find_of_the_session
from analyzer.knowledge.known_car import Knowledge, car_run, informed, knowledge_used
from analyzer.lockcurve.against_car_file import against_car_file
from analyzer.lockcurve.fit import Fit, fit_weighed
from analyzer.lockcurve.uncertainty import spread, summarise
from analyzer.lockcurve.witness import Witness
from analyzer.logs.mapping import load_channel_map
from analyzer.logs.read_blocks import open_blocks
from analyzer.one_log import Judging, OneLog, Seen, evaluated, problem_of
from analyzer.provenance import code_version, figures_hash, recording_hash
from analyzer.signals import long_session
from analyzer.signals.consistency import contradicted
from analyzer.signals.long_session import LongSession, read_session
from analyzer.signals.session import Sensors
from analyzer.vehicle.car import Car, load_car

Progress = Callable[[str, float], None]  # (what is being done, share done 0 to 1)
NOTHING_SAID: Mapping[str, str] = MappingProxyType({})  # of tyres, weather and sensor


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
    logs = [OneLog.of(session, car) for session in sessions]
    clock.lap("laps and corners")
    progress("fitting tyre and lock curve", 0.4)
    blind = fit_weighed(problem_of(logs, car))
    told = car_run(
        blind,
        name=" + ".join(log.recording.name for log in logs),
        logs=[recording_hash(log.recording) for log in logs],
        driven_with={**driven_with, "car": figures_hash(car), "channels": _channels(logs)},
        code=code_version(),
    )
    against = against_car_file(blind, car)
    marks = () if against is None else (against,)
    fitted, usable = blind, None
    if knowledge is not None:
        fitted, usable = informed(blind, knowledge.usable_by(told))
    clock.lap("fit")
    progress("evaluating every sample", 0.7)
    drawn = spread(fitted)
    axles = [evaluated(fitted, drawn, log, k, car) for k, log in enumerate(logs)]
    largest = max(float(np.nanpercentile(driven_Nm, 99.5)) for _, driven_Nm in axles)
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
        Seen.of(log, states, estimate, predicted, Judging(fitted, drawn, k), car)
        for k, (log, (states, _)) in enumerate(zip(logs, axles, strict=True))
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
                quality=(*log.signals.annotations, *marks),
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
    if any(contradicted(analysis.quality) for analysis in analyses):
        analyses = [_withheld(analysis) for analysis in analyses]
    return replace(analyses[0], timings_s=clock.laps, others=tuple(analyses[1:])), fitted


def _channels(logs: Sequence[OneLog]) -> str:
    """Which of the sensors that a pose or a scale is of were there in all logs."""
    sensors = Sensors.common(log.signals.sensors for log in logs)
    there = {"gyro": sensors.gyro, "longitudinal": sensors.long_g, "lateral": sensors.lat_g}
    return " ".join(name for name, has in there.items() if has)


def _withheld(analysis: Analysis) -> Analysis:
    """The analysis of a log that contradicts itself or its car file: its curve is shown, nothing concluded from it."""
    agreement = analysis.agreement
    if agreement is not None:
        nothing = Unmeasured("the log contradicts itself or its car file, so nothing is concluded about the parts")
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


class _Clock:
    """Seconds spent by step."""

    def __init__(self) -> None:
        self._last = time.perf_counter()
        self.laps: dict[str, float] = {}

    def lap(self, name: str) -> None:
        now = time.perf_counter()
        self.laps[name] = now - self._last
        self._last = now
