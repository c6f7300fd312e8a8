"""Did the change take: runs before against runs after, with intervals, by side."""

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from analyzer.analysis import Analysis
from analyzer.arrays import FloatArray
from analyzer.comparison.compared_runs import Conditions, Log, Run, chosen_laps, conditions, laps_text
from analyzer.comparison.joint import JointFit, fit_jointly
from analyzer.comparison.phase_changes import EventChange, PhaseChange, event_changes, phase_changes
from analyzer.comparison.sides import (
    SIDES,
    AnyChange,
    SideChange,
    any_change,
    interval,
    judged_under,
    side_change,
    side_torques,
)
from analyzer.comparison.together import corner_matches, joint_logs, joint_priors, shared_view, side_estimate
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import load_setup
from analyzer.errors import CannotTell, InputError
from analyzer.files import each_once, identity
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval, LockCurveEstimate
from analyzer.pipeline import Progress, analyze

PARAMETERS = {"preload_Nm": "preload", "drive_slope": "drive", "drive_hold_Nm": "drive", "coast_slope": "coast"}
CURVE_POINTS = 41
HOLD_WEAR_SHARE = 0.1  # ring springs lose about so much of their force by wear and heat; common practice, no source
LEAST_HOLD_TIE_Nm = 3.0
NO_PRELOAD = ((0.0, 0.0), (0.0, 0.0))


@dataclass(frozen=True)
class _Tie:
    """`tie_sd_Nm` and `tie_preload` of a joint fit."""

    sd_Nm: tuple[float, float]
    preload: tuple[tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Comparison:
    """Runs before and after.

    Attributes
    ----------
    runs : all of them, before first.
    curves : the lock curve of each side, (before, after), from the joint fit.
    change : parameter -> after minus before, from the joint fit.
    predicted_change : parameter -> from the setup files, or None.
    any_change : the test of all of it at once.
    sides : `preload`, `drive`, `coast` -> change and verdict.
    torque_Nm, locking_change_Nm : (n,) and (3, n): value, lower, upper of the change of M at matched input torque, over
        the torques at which both sides slipped.
    expected_locking_change_Nm : (n,) the same from the setup files, or None.
    phases : by corner phase, at matched speed and throttle.
    events : spins and understeer off the throttle.
    one_tyre : both sides were fitted with the same tyre.
    conditions : limits of the comparison.
    """

    runs: tuple[Run, ...]
    joint: JointFit
    curves: tuple[LockCurveEstimate, LockCurveEstimate]
    change: dict[str, Interval]
    predicted_change: dict[str, float | None]
    any_change: AnyChange
    sides: dict[str, SideChange]
    torque_Nm: FloatArray
    locking_change_Nm: FloatArray
    expected_locking_change_Nm: FloatArray | None
    phases: tuple[PhaseChange, ...]
    events: tuple[EventChange, ...]
    one_tyre: bool
    conditions: Conditions

    def of_side(self, side: int) -> tuple[Run, ...]:
        """The runs before (0) or after (1)."""
        return tuple(r for r in self.runs if r.side == side)


def compare(
    *,
    before: Sequence[Path | str],
    after: Sequence[Path | str],
    car_path: Path | str,
    before_laps: str | None = None,
    after_laps: str | None = None,
    before_setup: Path | str | None = None,
    after_setup: Path | str | None = None,
    ring_springs_changed: bool = False,
    channels_path: Path | str | None = None,
    progress: Progress = lambda step, share: None,
) -> Comparison:
    """Compare runs of one car before and after a change.

    Parameters
    ----------
    before, after : logs; the same log may be on both sides when laps are chosen.
    before_laps, after_laps : laps that count in the logs of a side: `1-3,5`, `odd` or `even`.
    before_setup, after_setup : setup files, to compare with what the parts should change; of one alone nothing follows.
    ring_springs_changed : the ramps may start to clamp elsewhere after the change; otherwise, unless the setup files
        say so, they are taken to begin where they did.
    channels_path : channel map of all logs; None where their channels are recognised.
    progress : called with what is being done and the share done, 0 to 1.

    Raises
    ------
    InputError, CannotTell : as `pipeline.analyze`; when the same laps are on both sides, or a side never slipped.

    Examples
    --------
    Two sample logs of an invented car, the second with steeper ramps:

    >>> from importlib.resources import files
    >>> samples = files("sample_logs")
    >>> comparison = compare(
    ...     before=[samples / "baseline.parquet"],
    ...     after=[samples / "steeper_ramps.parquet"],
    ...     car_path=samples / "club_car.toml",
    ... )
    >>> comparison.sides["drive"].verdict
    'stronger'
    >>> comparison.change["drive_slope"].lower > 0
    True
    """
    runs = analysed_runs(
        before=before,
        after=after,
        before_laps=before_laps,
        after_laps=after_laps,
        analysed=lambda log: analyze(log_path=log, car_path=car_path, channels_path=channels_path),
        progress=progress,
    )
    progress("fitting both sides together", 0.8)
    predicted = [predict_lock_curve(load_setup(s)) if s is not None else None for s in (before_setup, after_setup)]
    comparison = compare_runs(runs, *predicted, ring_springs_changed=ring_springs_changed)
    progress("done", 1.0)
    return comparison


def analysed_runs(
    *,
    before: Sequence[Log],
    after: Sequence[Log],
    before_laps: str | None,
    after_laps: str | None,
    analysed: Callable[[Log], Analysis],
    progress: Progress,
) -> list[Run]:
    """The runs of both sides, each log analysed once.

    Parameters
    ----------
    before, after : paths, or whatever else `analysed` makes an analysis of.
    before_laps, after_laps : laps that count, as `chosen_laps` reads them; None: all. Circles beside laps all count.

    Raises
    ------
    InputError : the same laps of one log are on both sides, a log is twice on one, or a choice of laps is not one.
    """
    each_once(before, option="--before")
    each_once(after, option="--after")
    known: dict[Hashable, Analysis] = {}
    every = [*before, *after]
    for k, log in enumerate(every):
        which = identity(log)
        if which not in known:
            progress(f"analysing {which.name if isinstance(which, Path) else f'log {k + 1}'}", 0.8 * k / len(every))
            known[which] = analysed(log)
    runs = []
    for side, logs, laps, option in ((0, before, before_laps, "--before-laps"), (1, after, after_laps, "--after-laps")):
        mine = [Run(known[identity(log)], side) for log in logs]
        beside_laps = any(run.on_circuit for run in mine)
        for run in mine:
            if laps is None or (beside_laps and not run.on_circuit):  # circles beside laps all count
                runs.append(run)
            else:
                runs.append(replace(run, laps=chosen_laps(laps, analysis=run.analysis, option=option)))
    for one in (r for r in runs if r.side == 0):
        for other in (r for r in runs if r.side == 1 and r.source == one.source):
            both = None if one.laps is None or other.laps is None else set(one.laps) & set(other.laps)
            if both is None or both:
                which = "all of it" if both is None else f"laps {laps_text(tuple(both))}"
                raise InputError(
                    f"{one.analysis.recording.name}: {which} would be on both sides, before and after; choose laps "
                    "that do not overlap with --before-laps and --after-laps, or give another log."
                )
    return runs


def compare_runs(
    runs: list[Run],
    before: PredictedLockCurve | None = None,
    after: PredictedLockCurve | None = None,
    *,
    ring_springs_changed: bool = False,
) -> Comparison:
    """Compare analysed runs, before first, against predictions of both sides where there are.

    Parameters
    ----------
    runs : a run whose log was analysed together with others stands for all of them.
    before, after : predicted from the setup files; of one alone nothing follows.
    ring_springs_changed : the ramps may begin to clamp elsewhere after the change, so the hold-offs are not tied.

    Raises
    ------
    CannotTell : a side never slipped, or a run has no sample that counts.
    """
    runs = [one for run in runs for one in (run, *(Run(other, run.side) for other in run.analysis.others))]
    matches = corner_matches(runs)
    seen = conditions(runs, matches)
    logs = joint_logs(runs, matches, paired=not seen.driving_differs)
    for side, words in ((0, "before"), (1, "after")):
        if not any(log.part.slipping.any() for log in logs if log.part.owner.side == side):
            raise CannotTell(
                f"the rear axle never slipped in the runs {words} the change, so they carry only a bound on the lock "
                "curve; a change can't be seen. Give runs with tighter corners or more throttle."
            )
    tie = _hold_tie(before, after)
    joint = fit_jointly(
        logs,
        car=runs[0].analysis.car,
        priors=joint_priors(runs, yaw_scale_sd=abs(seen.sensor_change)),
        tied=not ring_springs_changed,
        tie_sd_Nm=tie.sd_Nm if tie else None,
        tie_preload=tie.preload if tie else NO_PRELOAD,
        one_tyre=not seen.grip_differs,
        alike=not (seen.other_circuit or seen.sensor_change),
        one_gyro=not seen.sensor_change,
    )
    low, high = joint.torque_span_Nm
    torque = np.linspace(low, high, CURVE_POINTS) if high > low else np.array([])
    at = [model.locking_torque_Nm(joint.draws[:, s, :, None], torque) for s in (0, 1)]
    middle = model.locking_torque_Nm(joint.curves[1], torque) - model.locking_torque_Nm(joint.curves[0], torque)
    views = [shared_view(run, k, joint, match) for k, (run, match) in enumerate(zip(runs, matches, strict=True))]
    # circles are no corners of the track, and nobody spins there by mistake
    driven = [view for view in views if view.run.on_circuit] or views
    phases = phase_changes(driven)
    car = runs[0].analysis.car
    sides = {side: side_change(side, joint, car=car, before=before, after=after) for side in SIDES}
    anything = any_change(joint, sides)
    return Comparison(
        runs=tuple(runs),
        joint=joint,
        curves=(side_estimate(joint, 0), side_estimate(joint, 1)),
        change={name: _parameter_change(name, side, joint) for name, side in PARAMETERS.items()},
        predicted_change=_predicted_change(before, after),
        any_change=anything,
        sides=judged_under(anything, sides),
        torque_Nm=torque,
        locking_change_Nm=np.vstack([middle, np.percentile(at[1] - at[0], [2.5, 97.5], axis=0)]),
        expected_locking_change_Nm=_expected_curve(before, after, torque),
        phases=phases,
        events=event_changes(driven, phases),
        one_tyre=not seen.grip_differs,
        conditions=seen,
    )


def _parameter_change(name: str, side: str, joint: JointFit) -> Interval:
    if side_torques(side, joint) is None:
        return Interval(None, None, None, f"the runs do not both slip on {side}")
    i = model.NAMES.index(name)
    return interval(float(joint.curves[1, i] - joint.curves[0, i]), joint.draws[:, 1, i] - joint.draws[:, 0, i])


def _hold_tie(before: PredictedLockCurve | None, after: PredictedLockCurve | None) -> _Tie | None:
    """How the hold-offs of both sides hang together where both setup files state them; None where one does not.

    The ring springs' share may be off by wear and heat, and by what the files say of it changed. What preload springs
    outside the packs add goes with the preload, over the slopes of the files, which are off alike on both sides.
    """
    if before is None or after is None:
        return None
    sd: list[float] = []
    preload: list[tuple[float, float]] = []
    for side in ("drive", "coast"):
        rings = [getattr(curve, f"{side}_ring_hold_Nm") for curve in (before, after)]
        if not all(rings):  # a data sheet does not say where the ramps begin
            return None
        holds = [getattr(curve, f"{side}_hold_Nm") for curve in (before, after)]
        slopes = [getattr(curve, f"{side}_slope") for curve in (before, after)]
        known = before.series_shares == after.series_shares and len(before.series_shares) == 1 and all(slopes)
        tied = rings if known else [hold or 0.0 for hold in holds]
        wear = max(HOLD_WEAR_SHARE * max(tied), LEAST_HOLD_TIE_Nm)
        off = 0.0
        if known:
            # friction of plates and pins, and the radii, are those of both sides
            off = math.hypot(before.spread.slope_friction, getattr(before.spread, f"{side}_thrust")) * (
                (holds[1] - rings[1]) - (holds[0] - rings[0])
            )
        sd.append(math.hypot(wear, tied[1] - tied[0], off))
        shares = [before.series_share / slope if known else 0.0 for slope in slopes]
        preload.append((shares[0], shares[1]))
    return _Tie((sd[0], sd[1]), (preload[0], preload[1]))


def _predicted_change(before: PredictedLockCurve | None, after: PredictedLockCurve | None) -> dict[str, float | None]:
    if before is None or after is None:
        return dict.fromkeys(PARAMETERS)
    difference = {}
    for name in PARAMETERS:
        a, b = getattr(before, name), getattr(after, name)
        difference[name] = None if a is None or b is None else float(b - a)
    return difference


def _expected_curve(
    before: PredictedLockCurve | None, after: PredictedLockCurve | None, torque: FloatArray
) -> FloatArray | None:
    if before is None or after is None or "spool" in (before.kind, after.kind):
        return None
    return after.locking_torque_Nm(torque) - before.locking_torque_Nm(torque)
