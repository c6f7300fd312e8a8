"""From logs, setup and shelf to advice: composition only."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import zip_longest
from pathlib import Path

import numpy as np

from analyzer.advice import choice as choose
from analyzer.advice.calibration import calibrate, curves_of, interval_of
from analyzer.advice.choice import CURES, Advice, Cause, Cure, Option, causes
from analyzer.advice.evaluate import (
    DRAWS,
    NAMES,
    Session,
    anchored,
    as_logged,
    best_outcomes,
    drawn_outcomes,
    driver_answer,
    logged_moment,
    peak_seen,
    session_of,
    together,
)
from analyzer.advice.shelf import Build, Builds, builds, load_parts
from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray, IntArray
from analyzer.differential.setup import load_setup
from analyzer.lockcurve.estimate import Interval
from analyzer.lockcurve.fit import Fit
from analyzer.pipeline import Progress, analyze_with_fit

NOT_DRAWN = "intervals are drawn for the builds that could be chosen"
NO_TELL = "the logs have too little of it"


def advise(
    *,
    log_paths: Sequence[Path | str],
    car_path: Path | str,
    setup_path: Path | str,
    parts_path: Path | str,
    cures: Sequence[Cure] = (),
    channels_path: Path | str | None = None,
    progress: Progress = lambda step, share: None,
) -> Advice:
    """Which parts of the shelf would cure what the logs show. All logs are of one car and one setup.

    Parameters
    ----------
    log_paths : logs of one car with the differential that the setup file describes; fitted one by one.
    setup_path : setup file of what is fitted, given by its parts.
    parts_path : parts file: what is on the shelf.
    cures : `spin`, `entry` or both; empty means what the logs show to be the differential's.
    channels_path : channel map of all logs; None where they have canonical names.

    Raises
    ------
    InputError : a file is wrong. CannotTell : a log cannot support the question.
    """
    parts, setup = load_parts(parts_path), load_setup(setup_path)
    shelf = builds(setup, parts)
    analyses: list[Analysis] = []
    fits: list[Fit | None] = []
    for k, path in enumerate(log_paths):
        progress(f"analysing {Path(path).name}", 0.1 * k / len(log_paths))
        analysis, fitted = analyze_with_fit(
            log_path=path, car_path=car_path, setup_path=setup_path, channels_path=channels_path
        )
        analyses.append(analysis)
        fits.append(fitted)
    advice = advise_analyses(
        analyses=analyses,
        fits=fits,
        shelf=shelf,
        cures=tuple(cures),
        bench_sd=setup.breakaway_relative_sd if setup.breakaway else 0.0,
        progress=progress,
    )
    return replace(advice, setup_name=setup.name, parts_name=parts.name)


def advise_analyses(
    *,
    analyses: Sequence[Analysis],
    shelf: Builds,
    fits: Sequence[Fit | None] = (),
    cures: tuple[Cure, ...] = (),
    bench_sd: float = 0.08,
    progress: Progress = lambda step, share: None,
) -> Advice:
    """Advice on logs that are already analysed, against the setup that the shelf starts from.

    Parameters
    ----------
    analyses : of that setup, in any order.
    shelf : `shelf.builds` of setup and parts.
    fits : the fit behind each, as `evaluate.session_of` takes it; () where none is there.
    cures : what is to be cured; () lets the logs say.
    bench_sd : relative standard deviation of the bench reading (1), not looked at without one.
    progress : called with what is being done and the share done, 0 to 1.

    Raises
    ------
    CannotTell : the slips of a log are not known.
    """
    sessions = [session_of(analysis, fitted) for analysis, fitted in zip_longest(analyses, fits)]
    calibration = calibrate(logs=[s.measured for s in sessions], builds=shelf, bench_sd=bench_sd, draws=DRAWS)
    curves = curves_of(shelf.all, calibration, DRAWS)
    progress(f"replaying {len(shelf.all)} builds", 0.1)
    logged = together([as_logged(s) for s in sessions], sessions)
    replayed = together([best_outcomes(s, curves[0]) for s in sessions], sessions)
    table = anchored(replayed, logged)
    found = causes(sessions, logged, table[0])
    ranked_for = _ranked_for(cures, found)
    changes = np.array([len(b.changes) for b in shelf.all])
    chosen = choose.to_be_drawn(ranked_for, table, changes)
    progress(f"replaying {len(chosen)} of them with {DRAWS} draws of what is not sure", 0.4)
    redrawn = together([drawn_outcomes(s, curves[1:, chosen]) for s in sessions], sessions)
    drawn = anchored(redrawn, logged, driver_answer(DRAWS))
    options = _options(shelf.all, curves[0], table, chosen, drawn)
    advised = _advised(ranked_for, table, changes, chosen, drawn, options)
    for rank, k in enumerate(advised, start=1):
        sure = choose.sure_of(ranked_for, drawn)[list(chosen).index(k)]
        options[k] = replace(options[k], rank=rank, sure=round(float(sure), 2))
    progress("done", 1.0)
    return Advice(
        analyses=tuple(analyses),
        setup_name="",
        parts_name="",
        asked=cures,
        cures=ranked_for,
        causes=found,
        options=tuple(options),
        logged=_by_name(logged),
        logged_moment=logged_moment(sessions, float(logged[NAMES.index("coast_moment_Nm")])),
        replayed=_by_name(replayed[0]),
        calibration=calibration,
        usual_torques_Nm=_usual_torques(sessions),
        peak_seen=any(peak_seen(s) for s in sessions),
        coasting_braked=any(s.rows.coasting_braked for s in sessions),
        engine_speed_logged=all("engine_speed" in s.analysis.recording.channels for s in sessions),
        refused=shelf.refused,
    )


def _by_name(values: FloatArray) -> dict[str, float | None]:
    return {name: None if np.isnan(v) else float(v) for name, v in zip(NAMES, values, strict=True)}


def _ranked_for(asked: tuple[Cure, ...], found: dict[Cure, Cause]) -> tuple[Cure, ...]:
    if asked:
        return tuple(c for c in CURES if c in asked and found[c].advise)
    return tuple(c for c in CURES if found[c].advise and found[c].verdict != "nothing_to_cure")


def _options(
    shelf: tuple[Build, ...], curves: FloatArray, table: FloatArray, chosen: IntArray, drawn: FloatArray
) -> list[Option]:
    on_front, place = choose.front(table), {k: i for i, k in enumerate(chosen.tolist())}
    options = []
    for k, build in enumerate(shelf):
        draws = drawn[:, place[k]] if k in place else None
        change = None if draws is None else draws - drawn[:, 0]
        options.append(
            Option(
                build=build,
                lock_curve=curves[k],
                outcome=_intervals(table[k], draws),
                change=_intervals(table[k] - table[0], change),
                on_front=bool(on_front[k]),
            )
        )
    return options


def _intervals(values: FloatArray, draws: FloatArray | None) -> dict[str, Interval]:
    found = {}
    for i, name in enumerate(NAMES):
        if np.isnan(values[i]):
            found[name] = Interval(None, None, None, NO_TELL)
        elif draws is None or np.isnan(draws[:, i]).any():
            found[name] = Interval(float(values[i]), None, None, NOT_DRAWN)
        else:
            (low, high), value = interval_of(draws[:, i]), float(values[i])
            found[name] = Interval(value, min(low, value), max(high, value))
    return found


def _advised(
    cures: tuple[Cure, ...],
    table: FloatArray,
    changes: IntArray,
    chosen: IntArray,
    drawn: FloatArray,
    options: list[Option],
) -> list[int]:
    """The builds to advise, at most three."""
    if not cures:
        return []
    improves = dict(zip(chosen.tolist(), choose.improves(cures, drawn), strict=True))
    helps = [k for k in choose.order(cures, table, changes) if improves.get(k)]
    return choose.unlike(helps, [frozenset(o.build.changes.items()) for o in options])


def _usual_torques(sessions: list[Session]) -> tuple[float, float]:
    """Median input torque (N.m) in corners under power and while coasting."""
    drive = np.concatenate([s.best.input_torque_Nm[s.rows.driven] for s in sessions])
    coast = np.concatenate([s.best.input_torque_Nm[s.rows.coasting] for s in sessions])
    return float(np.median(drive)) if len(drive) else 0.0, float(np.median(coast)) if len(coast) else 0.0
