"""The library: what the commands do, for paths and for objects in memory. Composition only.

A log is a path, a pandas DataFrame, a `Recording`, or a result of `analyze`, which is not worked out again.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import wraps
from os import PathLike
from pathlib import Path
from typing import Any, Literal, ParamSpec, TypeAlias, TypeVar

import pandas as pd
from threadpoolctl import threadpool_limits

from analyzer import pipeline
from analyzer.advice.advice import advise_analyses
from analyzer.advice.choice import Cure
from analyzer.advice.shelf import Parts, builds, load_parts
from analyzer.analysis import Analysis
from analyzer.comparison.comparison import analysed_runs, compare_runs
from analyzer.differential.predicted import predict_lock_curve
from analyzer.differential.setup import Setup, load_setup
from analyzer.errors import InputError
from analyzer.files import each_once
from analyzer.knowledge.carried import said
from analyzer.knowledge.knowledge_file import load_knowledge
from analyzer.knowledge.known_car import Knowledge
from analyzer.library_results import AdviceResult, AnalysisResult, ComparisonResult, Prediction
from analyzer.logs import read
from analyzer.logs.frame_log import read_frame
from analyzer.logs.mapping import ChannelMap, channel_map, load_channel_map
from analyzer.logs.read_blocks import LogBlock, open_blocks
from analyzer.logs.recording import Recording
from analyzer.pipeline import Progress
from analyzer.planning.next_test import Plan
from analyzer.planning.next_test import plan as make_plan
from analyzer.signals import long_session
from analyzer.signals.long_session import LongSession, read_session
from analyzer.simulation.circuit import circuit_by_name
from analyzer.simulation.sensors import Sensors
from analyzer.simulation.simulated_car import LockParameters
from analyzer.simulation.simulated_session import Session, simulate_session
from analyzer.vehicle.car import Car, load_car

Address = str | PathLike[str]
Log: TypeAlias = Address | pd.DataFrame | Recording | AnalysisResult
Logs: TypeAlias = Log | Sequence[Log]
Channels = Address | ChannelMap | Mapping[str, Any]
P = ParamSpec("P")
R = TypeVar("R")


def _one_thread(work: Callable[P, R]) -> Callable[P, R]:
    """`work` with one thread of linear algebra, as `cli.main` has it and for the same reason; afterwards there are as
    many as the caller had."""

    @wraps(work)
    def alone(*args: P.args, **kwargs: P.kwargs) -> R:
        with threadpool_limits(limits=1, user_api="blas"):
            return work(*args, **kwargs)

    return alone


def read_log(log: Address | pd.DataFrame, *, channels: Channels | None = None, name: str = "frame") -> Recording:
    """Read a log into SI channels on one time base.

    Parameters
    ----------
    log : path (CSV, Parquet, Arrow or MDF 4, plain or packed), or a DataFrame with a column a channel.
    channels : which column is which channel, where names or units are not the canonical ones: path of a channel map,
        `ChannelMap`, or a dict such as `{"throttle": "Pedal", "brake": {"column": "P1", "unit": "bar"}}`.
    name : what a DataFrame is called in messages and results.

    Returns
    -------
    Recording : `time_s` (n,) from 0, and `channels`, canonical name -> (n,) in SI and radians, NaN without a value.

    Raises
    ------
    InputError : no such file, not a log, a map that does not fit, or a unit that is not known.
    CannotTell : the log lacks a channel that every answer needs.

    Examples
    --------
    >>> import pandas as pd
    >>> from importlib.resources import files
    >>> frame = pd.read_parquet(files("sample_logs") / "baseline.parquet")
    >>> recording = read_log(frame, name="monday")
    >>> recording.name, round(float(recording.channels["wheel_speed_fl"].max()))  # m/s
    ('monday', 44)
    """
    found = _channel_map(channels)
    if isinstance(log, pd.DataFrame):
        return read_frame(log, channel_map=found, name=name)
    return read.read_log(Path(log), channel_map=found)


@_one_thread
def analyze(
    logs: Logs,
    *,
    car: Address | Car,
    setup: Address | Setup | None = None,
    channels: Channels | None = None,
    knowledge: Address | Knowledge | Sequence[AnalysisResult] | None = None,
    driven_with: Mapping[str, str] = pipeline.NOTHING_SAID,
    progress: Progress = lambda step, share: None,
) -> AnalysisResult:
    """What the differential did in a session.

    Parameters
    ----------
    logs : path, DataFrame with canonical columns or a channel map, or `Recording`; or a list of these, runs of one car
        with one differential (laps, slow circles, a slow lap), which are fitted together.
    car : car file, or `Car`.
    setup : setup file, or `Setup`; with it the measured lock curve is compared with what the parts predict.
    channels : as in `read_log`; not for a `Recording`, whose channels are named already.
    knowledge : what other runs of the car know of it: a file of `halfshaft logbook car NAME --export FILE`, or earlier
        results. Tyre, sensor pose and car are carried over, never anything of a differential, and never the run's own.
    driven_with : `tyres`, `weather` and `sensor` of this run, in your words; what hangs on other words is not used.
    progress : called with what is being done and the share done, 0 to 1.

    Returns
    -------
    AnalysisResult : tables, figures, findings, JSON and the report.

    Raises
    ------
    InputError : a file is wrong.
    CannotTell : the log is readable but cannot support the question.

    Examples
    --------
    The sample log of an invented car, from a DataFrame:

    >>> import pandas as pd
    >>> from importlib.resources import files
    >>> samples = files("sample_logs")
    >>> frame = pd.read_parquet(samples / "baseline.parquet")
    >>> result = analyze(frame, car=samples / "club_car.toml", setup=samples / "baseline.setup.toml")
    >>> list(result.lock_curve.columns)[:4]
    ['input_torque_Nm', 'locking_torque_Nm', 'lower_Nm', 'upper_Nm']
    >>> bool(result.parameters.loc["preload_Nm", "lower"] < result.parameters.loc["preload_Nm", "value"])
    True
    >>> result.findings.loc[0, "kind"]
    'inside_wheel_spin'
    """
    found = _analysis(_several(logs), car, _setup(setup), channels, progress, _knowledge(knowledge), driven_with)
    return AnalysisResult(found)


@_one_thread
def compare(
    *,
    before: Logs,
    after: Logs,
    car: Address | Car | None = None,
    before_setup: Address | Setup | None = None,
    after_setup: Address | Setup | None = None,
    before_laps: str | None = None,
    after_laps: str | None = None,
    ring_springs_changed: bool = False,
    channels: Channels | None = None,
    progress: Progress = lambda step, share: None,
) -> ComparisonResult:
    """Did a change take: runs before against runs after.

    Parameters
    ----------
    before, after : one log or a list of them; the same log may be on both sides when laps are chosen.
    car : car file, or `Car`; not needed where every log is a result of `analyze`.
    before_setup, after_setup : with both, the change is held against the one that the parts predict.
    before_laps, after_laps : laps that count in the logs of a side: `1-3,5`, `odd` or `even`.
    ring_springs_changed : other ring springs were fitted, which the setup files do not say; the logs alone cannot
        separate them from less preload.
    channels, progress : as in `analyze`.

    Returns
    -------
    ComparisonResult : the change with its 95 % interval, after minus before, by parameter, side and corner phase.

    Raises
    ------
    InputError, CannotTell : as `analyze`; when the same laps are on both sides, or a side never slipped.

    Examples
    --------
    >>> from importlib.resources import files
    >>> samples = files("sample_logs")
    >>> result = compare(
    ...     before=samples / "baseline.parquet",
    ...     after=samples / "steeper_ramps.parquet",
    ...     car=samples / "club_car.toml",
    ... )
    >>> result.sides.loc["drive", "verdict"]
    'stronger'
    >>> bool(result.change.loc["drive_slope", "lower"] > 0)
    True
    """
    runs = analysed_runs(
        before=_several(before),
        after=_several(after),
        before_laps=before_laps,
        after_laps=after_laps,
        analysed=lambda log: _analysis([log], car, None, channels),
        progress=progress,
    )
    progress("fitting both sides together", 0.8)
    setups = (_setup(before_setup), _setup(after_setup))
    predicted = [None if setup is None else predict_lock_curve(setup) for setup in setups]
    found = compare_runs(runs, *predicted, ring_springs_changed=ring_springs_changed)
    progress("done", 1.0)
    return ComparisonResult(found)


def predict(setup: Address | Setup, *, largest_torque_Nm: float = 2000.0) -> Prediction:
    """The lock curve that the fitted parts should give, without a log.

    Parameters
    ----------
    setup : setup file, or `Setup`.
    largest_torque_Nm : largest input torque of the table, at the wheels.

    Returns
    -------
    Prediction : parameters with their 95 % intervals, and the lock curve as a table.

    Raises
    ------
    InputError : the setup file is wrong.

    Examples
    --------
    >>> from importlib.resources import files
    >>> prediction = predict(files("sample_logs") / "baseline.setup.toml")
    >>> sorted(prediction.parameters.index)
    ['coast_hold_Nm', 'coast_slope', 'drive_hold_Nm', 'drive_slope', 'preload_Nm']
    >>> bool(prediction.parameters.loc["preload_Nm", "lower"] < prediction.parameters.loc["preload_Nm", "value"])
    True
    """
    if not 1 <= largest_torque_Nm <= 50000:
        raise InputError(f"largest_torque_Nm is {largest_torque_Nm:g}; allowed: 1 to 50000. Correct it.")
    read_setup = load_setup(Path(setup)) if not isinstance(setup, Setup) else setup
    return Prediction(read_setup, predict_lock_curve(read_setup), float(largest_torque_Nm))


@_one_thread
def advise(
    logs: Logs,
    *,
    car: Address | Car | None = None,
    setup: Address | Setup,
    parts: Address | Parts,
    cures: Sequence[Cure] = (),
    channels: Channels | None = None,
    progress: Progress = lambda step, share: None,
) -> AdviceResult:
    """Which parts on the shelf would cure what the logs show.

    Parameters
    ----------
    logs : one log or a list of them, all of one car and one setup.
    car : car file, or `Car`; not needed where every log is a result of `analyze`.
    setup : what is fitted now.
    parts : parts file, or `Parts`.
    cures : `spin`, `entry` or both; empty means what the logs show to be the differential's doing.
    channels, progress : as in `analyze`.

    Returns
    -------
    AdviceResult : each build with what it would have done on these laps, and the advised ones with the reason.

    Raises
    ------
    InputError : a file is wrong, or a log is given twice.
    CannotTell : a log cannot support the question.
    """
    installed, shelf = _needed_setup(setup), parts if isinstance(parts, Parts) else load_parts(Path(parts))
    possible, several = builds(installed, shelf), _several(logs)
    analyses = []
    for k, log in enumerate(several):
        progress(f"analysing log {k + 1}", 0.1 * k / len(several))
        analyses.append(_analysis([log], car, installed, channels))
    advice = advise_analyses(
        analyses=analyses,
        shelf=possible,
        cures=tuple(cures),
        bench_sd=installed.uncertainty.breakaway_percent / 100,
        progress=progress,
    )
    return AdviceResult(replace(advice, setup_name=installed.name, parts_name=shelf.name))


@_one_thread
def plan(
    logs: Logs,
    *,
    car: Address | Car,
    setup: Address | Setup | None = None,
    question: str | None = None,
    channels: Channels | None = None,
    progress: Progress = lambda step, share: None,
) -> Plan:
    """What to measure or drive next so that a question is decided.

    Parameters
    ----------
    logs, car, channels, progress : as in `analyze`; a result of `analyze` is worked out again.
    setup : what is fitted; what it states of bench, ring springs and ramps counts as measured.
    question : `agrees` (does it agree with the parts; the default with a setup), or a change to be seen, such as
        `preload=30` (N.m) or `drive_slope=20%`.

    Returns
    -------
    Plan : options with what they take and the 95 % widths that they should leave, best first.

    Raises
    ------
    InputError : a file or the question is wrong.
    CannotTell : the logs cannot support the question.

    Examples
    --------
    >>> from importlib.resources import files
    >>> samples = files("sample_logs")
    >>> found = plan(samples / "baseline.parquet", car=samples / "club_car.toml", question="preload=60")
    >>> circles = next(option for option in found.options if option.kinds == ("circles",))
    >>> circles.then.curve_Nm < found.now.curve_Nm
    True
    """
    known, sessions = _setup(setup), _sessions(_several(logs), car, channels, progress)
    analysis, fit = pipeline.sessions_with_fit(sessions=sessions, car=_car(car), setup=known, progress=progress)
    return make_plan(fit, analysis, setup=known, question=question)


def simulate(
    *,
    car: Address | Car,
    setup: Address | Setup,
    laps: int = 4,
    seed: int = 1,
    rate_Hz: float = 100.0,
    circuit: str = "demo",
    channels: Literal["full", "minimum"] = "full",
) -> Session:
    """A log from the forward model, with the truth beside it.

    Parameters
    ----------
    car, setup : files, or objects.
    laps : flying laps.
    seed : fixes everything random.
    rate_Hz : rows a second; divides 1000.
    circuit : `demo`, or a whole number to invent another circuit from.
    channels : `full`, or `minimum`: the fewest that an analysis needs.

    Returns
    -------
    Session : `log`, a DataFrame that `analyze` takes, and `truth` at the same times.

    Raises
    ------
    InputError : a file or a figure is wrong, or nobody could keep the car on the circuit.
    """
    return simulate_session(
        car=_car(car),
        lock=LockParameters.from_prediction(predict_lock_curve(_needed_setup(setup))),
        circuit=circuit_by_name(circuit),
        laps=laps,
        seed=seed,
        sensors=Sensors(rate_Hz=rate_Hz, channels=channels),
    )


def _analysis(
    logs: Sequence[Log],
    car: Address | Car | None,
    setup: Setup | None,
    channels: Channels | None,
    progress: Progress = lambda step, share: None,
    knowledge: Knowledge | None = None,
    driven_with: Mapping[str, str] = pipeline.NOTHING_SAID,
) -> Analysis:
    if len(logs) == 1 and isinstance(logs[0], AnalysisResult) and knowledge is None:
        return logs[0].analysis
    if car is None:
        raise InputError("car is missing: give a car file or a Car for logs that are not analysed yet.")
    sessions = _sessions(logs, car, channels, progress)
    return pipeline.analyze_sessions(
        sessions=sessions,
        car=_car(car),
        setup=setup,
        knowledge=knowledge,
        driven_with=said(driven_with),
        progress=progress,
    )


def _sessions(
    logs: Sequence[Log], car: Address | Car, channels: Channels | None, progress: Progress
) -> list[LongSession]:
    each_once(logs, option="logs")
    known, found = _car(car), _channel_map(channels)
    sessions = []
    for k, log in enumerate(logs):
        progress("reading and calibrating", 0.3 * k / len(logs))
        sessions.append(read_session(_blocks(log, found), car=known))
    return sessions


def _blocks(log: Log, found: ChannelMap | None) -> Sequence[LogBlock]:
    """What is read of a log: in pieces where it is a long file, else as one."""
    if isinstance(log, AnalysisResult):
        log = log.analysis.recording
    if isinstance(log, pd.DataFrame):
        log = read_frame(log, channel_map=found)
    if isinstance(log, Recording):
        recording = log
        return (LogBlock(lambda: recording),)
    return open_blocks(Path(log), channel_map=found, rows=long_session.BLOCK_ROWS, lead_s=long_session.LEAD_S)


def _knowledge(known: Address | Knowledge | Sequence[AnalysisResult] | None) -> Knowledge | None:
    if known is None or isinstance(known, Knowledge):
        return known
    if isinstance(known, str | PathLike):
        return load_knowledge(Path(known))
    told = [result.analysis.told for result in known]
    cars = dict.fromkeys(result.analysis.car.name for result in known)
    return Knowledge(", ".join(cars), tuple(one for one in told if one is not None))


def _several(logs: Logs) -> list[Log]:
    return list(logs) if isinstance(logs, list | tuple) else [logs]


def _car(car: Address | Car) -> Car:
    return car if isinstance(car, Car) else load_car(Path(car))


def _setup(setup: Address | Setup | None) -> Setup | None:
    return None if setup is None else _needed_setup(setup)


def _needed_setup(setup: Address | Setup) -> Setup:
    return setup if isinstance(setup, Setup) else load_setup(Path(setup))


def _channel_map(channels: Channels | None) -> ChannelMap | None:
    if channels is None or isinstance(channels, ChannelMap):
        return channels
    if isinstance(channels, Mapping):
        return channel_map(channels if "channels" in channels else {"channels": channels}, name="channels")
    return load_channel_map(Path(channels))
