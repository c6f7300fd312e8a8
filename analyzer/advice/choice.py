"""Which builds to advise, and whether the differential is the thing to change at all.

What a piece of advice consists of, and which builds to advise: what cures most at no cost to the other side first,
then what it costs.

Is the differential the thing to change? What the logs show, before any part is looked at.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from analyzer.advice.calibration import SideCalibration
from analyzer.advice.evaluate import NAMES, Session
from analyzer.advice.shelf import Build
from analyzer.analysis import Analysis
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.findings.coast_understeer import steer_for_moment_rad
from analyzer.findings.evidence import Blame, CoastUndersteer, InsideSpin
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.lockcurve.estimate import Interval

Cure = Literal["spin", "entry"]
CURES: tuple[Cure, ...] = ("spin", "entry")
LEAST_CUT = 0.2  # of what is to be cured: less is not felt
KEEPS = 0.1  # of what is fitted: more than this and the other side is not kept
KEEPS_SPIN_S = 0.3
KEEPS_MOMENT_NM = 15.0
GRADE = 0.2  # of what is to be cured: nearer to the best than this counts as equal, and fewer parts win
ADVISED = 3
DRAWN = 20  # builds that get intervals
SPIN, MOMENT = NAMES.index("spin_s"), NAMES.index("coast_moment_Nm")
LEAST_SPIN_S = 0.5  # in all logs together; less is a kerb or one mistake
MOSTLY = 0.6  # of the time
NO_LOAD_SHARE = 0.1  # of the static load of a rear wheel: it hangs rather than stands


@dataclass(frozen=True)
class Option:
    """One build and what it would have done on the logged laps.

    Attributes
    ----------
    build : its parts and predicted lock curve.
    lock_curve : (5,) lock curve that was replayed, best estimate.
    outcome : name of the outcome -> value with its 95 % interval; no interval where the build was not drawn.
    change : the same, minus what is fitted; the interval is that of the difference, draw by draw.
    on_front : no other build is better both in spin and in moment against the turn.
    rank : 1 to 3 for the advised ones.
    sure : probability that it takes away a fifth of what is to be cured, or more, given the assumptions.
    """

    build: Build
    lock_curve: FloatArray
    outcome: dict[str, Interval]
    change: dict[str, Interval]
    on_front: bool
    rank: int | None = None
    sure: float | None = None


@dataclass(frozen=True)
class SpinCause:
    """Is the differential what spins the wheel?

    Attributes
    ----------
    verdict : `differential`, `not_the_differential`, `nothing_to_cure` or `cannot_tell`.
    reason : `no_spin`, `both_spin`, `asked_too_much` (for `share` of the time the outside tyre had no grip left),
        `wheel_hangs` (it carries `share` of its static load), `outside_near_limit` or `outside_has_grip`.
    advise : builds are ranked for it when it is asked for.
    inside_spin_s, both_spin_s : in all laps.
    """

    verdict: str
    reason: str
    advise: bool
    inside_spin_s: float
    both_spin_s: float
    share: float | None = None


@dataclass(frozen=True)
class EntryCause:
    """Is the differential what understeers off the throttle?

    Attributes
    ----------
    verdict, advise : as of a SpinCause.
    reason : `no_coasting`, `of_the_differential`, `of_the_car` or `no_understeer`.
    moment_Nm : mean yaw moment against the turn, coasting in the replay; NaN without coasting, as the next two.
    front_share : share of the front tyres' side force that it takes.
    steering_wheel_deg : what the driver turns for it, at least.
    """

    verdict: str
    reason: str
    advise: bool
    moment_Nm: float
    front_share: float
    steering_wheel_deg: float


Cause = SpinCause | EntryCause


@dataclass(frozen=True)
class Advice:
    """The whole answer. `options[0]` is what is fitted; `cures` is what was ranked for, empty when nothing is to be.

    `logged` is what the log itself shows by outcome, `replayed` the replay of what is fitted before its spin times were
    tied to the log's: how near the two are says how far to trust the rest. `logged_moment` is the logged moment against
    the turn off the throttle with its interval, for a log alone often knows it to a half only. `usual_torques_Nm` are
    the median input torques in corners under power and coasting. `peak_seen`: the laps took a rear wheel over its
    peak for long enough to know it. `coasting_braked`: braked rows count as coasting, for there was little else.
    """

    analyses: tuple[Analysis, ...]
    setup_name: str
    parts_name: str
    asked: tuple[Cure, ...]
    cures: tuple[Cure, ...]
    causes: dict[Cure, Cause]
    options: tuple[Option, ...]
    logged: dict[str, float | None]
    logged_moment: Interval
    replayed: dict[str, float | None]
    calibration: dict[str, SideCalibration]
    usual_torques_Nm: tuple[float, float]
    peak_seen: bool
    coasting_braked: bool
    engine_speed_logged: bool
    refused: tuple[str, ...]

    @property
    def fitted(self) -> Option:
        """What is fitted now."""
        return self.options[0]

    @property
    def top(self) -> tuple[Option, ...]:
        """The advised builds, best first."""
        return tuple(sorted((o for o in self.options if o.rank is not None), key=lambda o: o.rank or 0))


def spin_s(table: FloatArray) -> FloatArray:
    """Time in which one or both rear wheels spin (s), (...,).

    Parameters
    ----------
    table : (..., outcomes) in the order of `evaluate.NAMES`.
    """
    return table[..., SPIN]


def moment_Nm(table: FloatArray) -> FloatArray:
    """Moment against the turn while coasting (N.m), (...,).

    0 everywhere when the log has none, so that it never decides.

    Parameters
    ----------
    table : (..., outcomes) in the order of `evaluate.NAMES`.
    """
    return np.nan_to_num(table[..., MOMENT])


def of_cure(cure: Cure, table: FloatArray) -> FloatArray:
    """What a cure is to make smaller, (...,): spin time (s), or the moment against the turn (N.m).

    Parameters
    ----------
    table : (..., outcomes) in the order of `evaluate.NAMES`.
    """
    return spin_s(table) if cure == "spin" else moment_Nm(table)


def front(table: FloatArray) -> BoolArray:
    """(builds,) bool: no other build has less spin and less moment at once.

    Parameters
    ----------
    table : (builds, outcomes).
    """
    points = np.column_stack([spin_s(table), moment_Nm(table)])
    no_worse = (points[:, None] <= points[None]).all(axis=2)
    better = (points[:, None] < points[None]).any(axis=2)
    return np.logical_not((no_worse & better).any(axis=0))


def cut(cure: Cure, table: FloatArray) -> FloatArray:
    """Share of what is fitted that each build takes away, (..., builds); negative when it adds, 0 where there is
    nothing.

    Parameters
    ----------
    table : (..., builds, outcomes), the first build what is fitted.
    """
    values = of_cure(cure, table)
    now = values[..., :1]
    return np.where(now > 0, 1 - values / np.where(now > 0, now, 1.0), 0.0)


def kept(cure: Cure, table: FloatArray) -> BoolArray:
    """(..., builds) bool: what the cure is about is no worse than with what is fitted, but for a tenth.

    Parameters
    ----------
    table : (..., builds, outcomes), the first build what is fitted.

    Notes
    -----
    Or but for `KEEPS_SPIN_S`, `KEEPS_MOMENT_NM`, where a tenth is less than that.
    """
    values = of_cure(cure, table)
    least = KEEPS_SPIN_S if cure == "spin" else KEEPS_MOMENT_NM
    return values - values[..., :1] <= np.maximum(KEEPS * values[..., :1], least)


def order(cures: tuple[Cure, ...], table: FloatArray, changes: IntArray) -> list[int]:
    """Builds that help, best first; what is fitted (0) is never among them.

    For one cure: those that keep the other side come first. Cuts within a fifth of the best count alike; among those
    the fewest parts win, then the larger cut. Where the other side is not kept, what it costs comes before the parts.
    For both cures: those that worsen neither, by the sum of both cuts.

    Parameters
    ----------
    cures : one or both.
    table : (builds, outcomes) best estimates, the first build what is fitted.
    changes : (builds,) how many parts each changes.
    """
    cuts = np.array([cut(c, table) for c in cures])
    total = cuts.sum(axis=0)
    if len(cures) == 1:
        other: Cure = "entry" if cures[0] == "spin" else "spin"
        keeps, cost = kept(other, table), np.round(of_cure(other, table), 1)
        helps = total >= LEAST_CUT
    else:
        keeps, cost = np.ones(len(table), bool), np.zeros(len(table))
        helps = (cuts >= LEAST_CUT).any(axis=0) & kept("spin", table) & kept("entry", table)
    helps[0] = False
    keys = []
    for keep in (True, False):
        among = np.flatnonzero(helps & (keeps == keep))
        best = total[among].max(initial=0.0)
        for k in among:
            behind = int((best - total[k]) / GRADE)
            keys.append((not keep, behind, 0.0 if keep else cost[k], changes[k], -round(total[k], 2), cost[k], int(k)))
    return [key[-1] for key in sorted(keys)]


def unlike(ordered: list[int], changed: list[frozenset[tuple[str, str]]], *, most: int = ADVISED) -> list[int]:
    """The first builds that do not merely add parts to one before.

    Parameters
    ----------
    ordered : builds, best first.
    changed : (builds,) what each changes, kind and part; of all builds, not in the order of `ordered`.
    most : how many at the most.
    """
    taken: list[int] = []
    for k in ordered:
        if not any(changed[t] <= changed[k] for t in taken):
            taken.append(k)
    return taken[:most]


def to_be_drawn(cures: tuple[Cure, ...], table: FloatArray, changes: IntArray) -> IntArray:
    """Builds that get intervals: what is fitted, the best of the order, and the front, evenly thinned to fit.

    Parameters
    ----------
    cures : () leaves the order out.
    table : (builds, outcomes) best estimates.
    changes : (builds,) how many parts each changes.

    Returns
    -------
    ndarray : numbers of builds, 0 first; all of them where there are no more than `DRAWN`.
    """
    if len(table) <= DRAWN:
        return np.arange(len(table))
    chosen = [0, *(order(cures, table, changes) if cures else [])[: DRAWN // 2]]
    on_front = [k for k in np.flatnonzero(front(table)) if k not in chosen]
    on_front.sort(key=lambda k: spin_s(table)[k])
    room = DRAWN - len(chosen)
    picks = np.unique(np.linspace(0, len(on_front) - 1, min(room, len(on_front))).round().astype(int))
    return np.array(chosen + [on_front[i] for i in picks] if on_front else chosen)


def sure_of(cures: tuple[Cure, ...], drawn: FloatArray) -> FloatArray:
    """(builds,) probability of a cut worth having, `LEAST_CUT`, on one cure at least; never quite 0 or 1.

    Parameters
    ----------
    drawn : (draws, builds, outcomes), the first build what is fitted.
    """
    worth = np.any([cut(c, drawn) >= LEAST_CUT for c in cures], axis=0)
    sure: FloatArray = (worth.sum(axis=0) + 0.5) / (len(drawn) + 1)
    return sure


def improves(cures: tuple[Cure, ...], drawn: FloatArray) -> BoolArray:
    """(builds,) bool: the 95 % interval of the change lies below none, on one cure at least.

    Parameters
    ----------
    drawn : (draws, builds, outcomes), the first build what is fitted.
    """
    found = []
    for cure in cures:
        values = of_cure(cure, drawn)
        found.append(np.percentile(values - values[:, :1], 97.5, axis=0) < 0)
    improves_any: BoolArray = np.any(found, axis=0)
    return improves_any


def causes(sessions: list[Session], logged: FloatArray, fitted: FloatArray) -> dict[Cure, Cause]:
    """Whose the spin and the understeer at entry are, cure by cure.

    Parameters
    ----------
    logged : (outcomes,) of the logs themselves, in the order of `evaluate.NAMES`: the spins.
    fitted : (outcomes,) of the replay of what is fitted: the moment while coasting.
    """
    of_log, of_replay = dict(zip(NAMES, logged, strict=True)), dict(zip(NAMES, fitted, strict=True))
    return {"spin": _spin(sessions, of_log), "entry": _entry(sessions, of_replay)}


def _spin(sessions: list[Session], logged: dict[str, float]) -> SpinCause:
    inside_s, both_s = logged["inside_spin_s"], logged["both_spin_s"]

    def because(verdict: str, reason: str, advise: bool, share: float | None = None) -> SpinCause:
        return SpinCause(verdict, reason, advise, float(inside_s), float(both_s), share)

    if inside_s + both_s < LEAST_SPIN_S:
        return because("nothing_to_cure", "no_spin", False)
    if both_s > inside_s:
        return because("not_the_differential", "both_spin", False)
    found = [f.evidence for s in sessions for f in s.analysis.findings if isinstance(f.evidence, InsideSpin)]
    lasted = sum(spin.duration_s for spin in found)
    by_foot, unsure = (
        sum(spin.duration_s for spin in found if spin.foot_or_car is whose) for whose in (Blame.FOOT, Blame.OPEN)
    )
    if lasted > 0 and by_foot > MOSTLY * lasted:
        return because("not_the_differential", "asked_too_much", False, by_foot / lasted)
    share = _load_share_in_spins(sessions)
    if share is not None and share < NO_LOAD_SHARE:
        return because("not_the_differential", "wheel_hangs", True, share)
    if lasted > 0 and by_foot + unsure > MOSTLY * lasted:
        return because("cannot_tell", "outside_near_limit", True)
    return because("differential", "outside_has_grip", True)


def _load_share_in_spins(sessions: list[Session]) -> float | None:
    """Median load of the inside wheel while it spins, over its static load."""
    shares = []
    for session in sessions:
        analysis = session.analysis
        signals, axle, car = analysis.signals, analysis.axle, analysis.car
        static = car.mass_kg * STANDARD_GRAVITY_M_S2 * (1 - car.front_weight_fraction) / 2
        inside = np.where(signals.yaw_rate_rad_s >= 0, axle.load_left_N, axle.load_right_N)
        for found in (f for f in analysis.findings if f.kind == "inside_wheel_spin"):
            when = (signals.time_s >= found.start_s) & (signals.time_s <= found.end_s)
            shares.append(inside[when & (signals.throttle > OPEN_THROTTLE)] / static)
    values = np.concatenate(shares) if shares else np.array([])
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else None


def _entry(sessions: list[Session], fitted: dict[str, float]) -> EntryCause:
    moment, share = float(fitted["coast_moment_Nm"]), float(fitted["entry_share"])
    car = sessions[0].analysis.car
    degrees = float(np.degrees(steer_for_moment_rad(max(moment, 0.0), car))) * car.steering_ratio
    found = [f.evidence for s in sessions for f in s.analysis.findings if isinstance(f.evidence, CoastUndersteer)]
    verdict, reason, advise = "nothing_to_cure", "no_understeer", True
    if not np.isfinite(moment):
        verdict, reason, advise = "cannot_tell", "no_coasting", False
    elif any(e.of_the_differential for e in found):
        verdict, reason = "differential", "of_the_differential"
    elif found:
        verdict, reason, advise = "not_the_differential", "of_the_car", False
    return EntryCause(verdict, reason, advise, moment, share, degrees)
