"""Every build replayed on every log, and what that means to the driver: spin, moment against the turn, understeer at
the entry, snap. Best estimates for all builds, intervals for those that could be chosen.
"""

from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np

from analyzer.advice.calibration import SIDES, MeasuredCurve
from analyzer.advice.replay import Demand, Passes, Replayed, corner_passes, demand, replay, side_by_side
from analyzer.analysis import Analysis
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.findings.coast_understeer import CLOSED_THROTTLE
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S, rear_lateral_force_N
from analyzer.findings.wheel_spin import MOSTLY_ALONG, OPEN_THROTTLE, clear_margin_m_s
from analyzer.findings.whole_car import AFTER_S, BEFORE_S, OPENS_AT, STEP_S
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval
from analyzer.lockcurve.fit import Fit, fit_weighed
from analyzer.lockcurve.observations import Observations, observe
from analyzer.lockcurve.session_problem import session_part, session_problem
from analyzer.lockcurve.uncertainty import Spread, spread
from analyzer.signals.kinematics import require_slip
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyres import peak_rho

LEAST_COAST_S = 2.0  # of coasting in corners, for a mean over them
SNAP_PERCENTILE = 90.0  # of the throttle applications: the largest one alone is noise
LEAST_APPLICATIONS = 3
DRAWS = 32
MOST_CELLS = 1_000_000  # passes times steps times curves in one replay: bounds its arrays to about 70 MB
# A log with next to no spin does not show where the inside tyre's peak lies: on simulated pairs of runs the fit then
# put the friction up to 10 % too high. One standard deviation of it, added to what the fit knows.
PEAK_SEEN_S = 2.0
UNSEEN_PEAK_SD = 0.1
# Of the change in spin time, what neither tyre nor engine explains: the driver answers to what the car does. The
# predicted changes were off by these on pairs of simulated runs (tests/advice/pairs.py), one standard deviation.
FALL_SD, RISE_SD = 0.15, 0.5
MOST_SCALE = 2.0  # a replay that shows less than half of the logged spin has not understood it
SEED = 20261126


@dataclass(frozen=True)
class Rows:
    """What the laps were doing at the rows of the passes. Arrays (P, L), or (a, 2) for the applications.

    Attributes
    ----------
    turn : +1 in a left turn.
    driven : bool, in a corner with the throttle open and the brakes off: where power can spin a wheel.
    coasting : bool, in a corner with the throttle closed, and the brakes off unless `coasting_braked`.
    coasting_braked : bool, there was too little coasting off the brakes, so braked rows count as well.
    applications : (a, 2) pass and step at which the throttle opens in a corner.
    front_side_N : lateral force of the front axle, its size.
    clear_m_s : by how much one wheel must out-turn the other to count.
    """

    turn: FloatArray
    driven: BoolArray
    coasting: BoolArray
    coasting_braked: bool
    applications: IntArray
    front_side_N: FloatArray
    clear_m_s: float
    step_s: float

    @property
    def around_applications(self) -> tuple[int, int, int]:
        """Steps before and after an application that are looked at, and over how many a rise is taken."""
        return round(BEFORE_S / self.step_s), round(AFTER_S / self.step_s), max(1, round(STEP_S / self.step_s))

    @property
    def looked_at(self) -> IntArray:
        """(P,) steps of each pass, 1 at least, after which no outcome looks at it: a replay may end there."""
        looked = self.driven | self.coasting
        looked[:, 0] = True
        _, after, step = self.around_applications
        for p, i in self.applications:
            looked[p, min(i + after + step, looked.shape[1]) - 1] = True
        lasts: IntArray = looked.shape[1] - np.argmax(looked[:, ::-1], axis=1)
        return lasts


@dataclass(frozen=True)
class Outcomes:
    """Of k lock curves, each (k,); NaN where the log has nothing to tell it from.

    Attributes
    ----------
    spin_s : time in which one or both rear wheels spin under power.
    inside_spin_s : time in which the inside rear spins under power while the outside grips.
    both_spin_s : time in which both rear wheels spin under power.
    coast_moment_Nm : mean yaw moment against the turn, coasting in corners.
    entry_share : share of the front tyres' side force that this moment takes: understeer that is the differential's.
    snap_Nm_s : fastest rise of the moment against the turn as the throttle opens, 90th percentile of the applications.
    """

    spin_s: FloatArray
    inside_spin_s: FloatArray
    both_spin_s: FloatArray
    coast_moment_Nm: FloatArray
    entry_share: FloatArray
    snap_Nm_s: FloatArray


def rows_of(analysis: Analysis, observed: Observations, passes: Passes) -> Rows:
    """Where in the session each outcome is looked for.

    Parameters
    ----------
    observed, passes : of the whole session, `passes` rows of `observed`.
    """
    signals, car = analysis.signals, analysis.car
    at = observed.index[passes.row]
    turn = np.where(signals.yaw_rate_rad_s[at] >= 0, 1.0, -1.0)
    cornering = passes.there & (np.abs(signals.lat_m_s2[at]) >= LEAST_LATERAL_M_S2)
    cornering &= (signals.speed_m_s[at] >= LEAST_SPEED_M_S) & (signals.lat_m_s2[at] * turn > 0)
    off_brakes = cornering & ~signals.braking[at]
    throttle = signals.throttle[at]
    coasting = off_brakes & (throttle <= CLOSED_THROTTLE)
    braked = bool(coasting.sum() * passes.step_s < LEAST_COAST_S)
    if braked:
        coasting = cornering & (throttle <= CLOSED_THROTTLE)
    opens = np.zeros(cornering.shape, bool)
    opens[:, 1:] = (throttle[:, 1:] > OPENS_AT) & (throttle[:, :-1] <= OPENS_AT)
    front = np.abs(car.mass_kg * signals.lat_m_s2 - rear_lateral_force_N(signals, car))
    return Rows(
        turn=turn,
        driven=off_brakes & (throttle > OPEN_THROTTLE),
        coasting=coasting,
        coasting_braked=braked,
        applications=np.argwhere(opens & off_brakes),
        front_side_N=front[at],
        clear_m_s=clear_margin_m_s(signals),
        step_s=passes.step_s,
    )


def outcomes(replayed: Replayed, asked: Demand, rows: Rows, car: Car) -> Outcomes:
    """Outcomes of each lock curve of a replay.

    Parameters
    ----------
    replayed : of k curves.
    asked : what was replayed, for its tyre.
    rows : of the same passes.

    Returns
    -------
    Outcomes : (k,) each.
    """
    radius = car.rear_rolling_radius_m
    left_inside = rows.turn > 0

    def inside(pair: FloatArray) -> FloatArray:
        found: FloatArray = np.where(left_inside, pair[0], pair[1])
        return found

    def outside(pair: FloatArray) -> FloatArray:
        found: FloatArray = np.where(left_inside, pair[1], pair[0])
        return found

    def seconds(where: BoolArray) -> FloatArray:
        lasting: FloatArray = where.sum(axis=(1, 2)) * rows.step_s
        return lasting

    apart = radius * (inside(replayed.wheel_rad_s) - outside(replayed.wheel_rad_s))
    peak = peak_slip(asked.tyre)
    slip_in, slip_out = inside(replayed.slip), outside(replayed.slip)
    slides = rows.driven & (inside(replayed.use) > 1.0) & (slip_in > MOSTLY_ALONG * peak) & (apart > rows.clear_m_s)
    both = rows.driven & (np.minimum(slip_in, slip_out) > peak)
    moment = rows.turn * replayed.torque_difference_Nm * car.rear_track_m / (2 * radius)
    coasts = rows.coasting.sum() * rows.step_s >= LEAST_COAST_S
    nothing = np.full(len(moment), np.nan)
    return Outcomes(
        spin_s=seconds(slides | both),
        inside_spin_s=seconds(slides & ~both),
        both_spin_s=seconds(both),
        coast_moment_Nm=moment[:, rows.coasting].mean(axis=1) if coasts else nothing,
        entry_share=_front_share(moment, rows, car) if coasts else nothing,
        snap_Nm_s=_snap(moment, apart, rows),
    )


def peak_slip(tyre: Mapping[str, Any]) -> float | FloatArray:
    """Longitudinal slip kappa (1) at the peak of the force, at the static load: kappa/(1 + kappa) = mu rho_peak / C.

    Parameters
    ----------
    tyre : figures as `axle.tyre_figures` gives them, numbers or arrays of one shape, which is the answer's.
    """
    theoretical: float | FloatArray = tyre["friction_x"] * peak_rho(tyre["shape"]) / tyre["slip_stiffness"]
    return theoretical / (1 - theoretical)


def _front_share(moment: FloatArray, rows: Rows, car: Car) -> FloatArray:
    """A moment N against the turn takes N/L more side force in front, over what the front tyres carry."""
    share: FloatArray = moment[:, rows.coasting].sum(axis=1) / car.wheelbase_m / rows.front_side_N[rows.coasting].sum()
    return share


def _snap(moment: FloatArray, apart: FloatArray, rows: Rows) -> FloatArray:
    """Largest rise within `STEP_S` of each application; where the inside wheel was turning faster it is no lock-up."""
    before, after, step = rows.around_applications
    largest = []
    for p, i in rows.applications:
        first, last = max(i - before, 0), min(i + after, moment.shape[2] - step)
        if last > first:
            rise = moment[:, p, first + step : last + step] - moment[:, p, first:last]
            largest.append(np.where(apart[:, p, first:last] > 0, 0.0, rise).max(axis=1))
    if len(largest) < LEAST_APPLICATIONS:
        return np.full(len(moment), np.nan)
    snap: FloatArray = np.percentile(largest, SNAP_PERCENTILE, axis=0) / (step * rows.step_s)
    return snap


NAMES = tuple(f.name for f in fields(Outcomes))


@dataclass(frozen=True)
class Session:
    """One log, ready to be replayed."""

    analysis: Analysis
    observed: Observations
    fitted: Fit
    drawn: Spread
    passes: Passes
    rows: Rows
    best: Demand

    @property
    def measured(self) -> MeasuredCurve:
        """What the log says of the fitted parts."""
        curve, torque = self.analysis.lock_curve, self.fitted.solution.at.input_torque_Nm[self.fitted.problem.slipping]
        seen = {
            "preload": curve.parameters["preload_Nm"].value is not None,
            "drive": curve.drive_supported,
            "coast": curve.coast_supported,
        }
        low, high = np.percentile(torque, [3, 97]) if len(torque) else (0.0, 0.0)
        return MeasuredCurve(
            curves=np.vstack([self.fitted.curve[None], self.drawn.curves]),
            torque_Nm=(float(low), float(high)),
            measured=tuple(side for side in SIDES if seen[side]),
        )


def session_of(analysis: Analysis, fitted: Fit | None = None) -> Session:
    """An analysed log with its fit, for the draws of tyre and car that a replay needs.

    Parameters
    ----------
    analysis : of one log; logs that were analysed together with it are not looked at.
    fitted : the fit behind it, of that log alone (`pipeline.analyze_with_fit`); None: the log is fitted again.

    Raises
    ------
    CannotTell : its slips are not known.
    """
    require_slip(analysis.recording.name, analysis.signals)
    observed = observe(analysis.signals, analysis.corners, analysis.car)
    if fitted is None:
        part = session_part(analysis.signals, analysis.laps, observed, analysis.car)
        fitted = fit_weighed(session_problem([analysis.signals], [part], analysis.car))
    passes = corner_passes(analysis, observed)
    passes = passes.until(rows_of(analysis, observed, passes).looked_at)
    best = demand(value=fitted.problem.values(fitted.theta), analysis=analysis, observed=observed, passes=passes)
    rows = rows_of(analysis, observed, passes)
    return Session(analysis, observed, fitted, spread(fitted), passes, rows, best)


def best_outcomes(session: Session, curves: FloatArray) -> FloatArray:
    """Outcomes of lock curves with the tyre and car as fitted.

    Parameters
    ----------
    curves : (builds, 5).

    Returns
    -------
    ndarray : (builds, outcomes) in the order of `NAMES`.
    """
    car, found = session.analysis.car, []
    at_once = _at_once(session)
    for start in range(0, len(curves), at_once):
        replayed = replay(session.best, curves[start : start + at_once], step_s=session.passes.step_s, car=car)
        found.append(_table(outcomes(replayed, session.best, session.rows, car)))
    return np.vstack(found)


def drawn_outcomes(session: Session, curves: FloatArray) -> FloatArray:
    """Outcomes of draws of lock curves, each draw with its own tyre, car and engine.

    Parameters
    ----------
    curves : (draws, builds, 5), no more draws than the session has of its fit.

    Returns
    -------
    ndarray : (draws, builds, outcomes) in the order of `NAMES`.
    """
    car, (count, builds, _) = session.analysis.car, curves.shape
    rng = np.random.default_rng(SEED)
    _, inertia_sd = car.engine_inertia(ratio_logged="engine_speed" in session.analysis.recording.channels)
    heavier = np.exp(inertia_sd * rng.standard_normal(count))
    unseen = 0.0 if peak_seen(session) else UNSEEN_PEAK_SD
    friction = np.exp(unseen * rng.standard_normal(count))
    found, at_once = [], max(1, _at_once(session) // builds)
    for start in range(0, count, at_once):
        some = [
            _drawn(session, d, heavier=heavier[d], friction=friction[d])
            for d in range(start, min(start + at_once, count))
        ]
        passes = len(session.passes.length)
        of_pass = np.tile(np.moveaxis(curves[start : start + len(some)], 0, -1), passes)  # (builds, 5, passes * draws)
        replayed = replay(side_by_side(some), of_pass, step_s=session.passes.step_s, car=car)
        for d, asked in enumerate(some):
            own = Replayed(*(getattr(replayed, f.name)[..., d :: len(some), :] for f in fields(Replayed)))
            found.append(_table(outcomes(own, asked, session.rows, car)))
    return np.array(found)


def _at_once(session: Session) -> int:
    """Curves in one replay."""
    return max(1, MOST_CELLS // session.passes.row.size)


def peak_seen(session: Session) -> bool:
    """Was a rear wheel over its peak under power for long enough, `PEAK_SEEN_S`, to show where that lies?"""
    return bool(as_logged(session)[NAMES.index("spin_s")] >= PEAK_SEEN_S)


def _drawn(session: Session, draw: int, *, heavier: float, friction: float) -> Demand:
    """Demand of one draw of tyre and car, with engine inertia and friction by these factors."""
    value = session.fitted.problem.values(session.drawn.draws[draw])
    asked = demand(
        value=value | {"log_friction": value["log_friction"] + np.log(friction)},
        analysis=session.analysis,
        observed=session.observed,
        passes=session.passes,
        near=session.best,
    )
    return replace(asked, case_inertia_kg_m2=asked.case_inertia_kg_m2 * heavier)


def _table(found: Outcomes) -> FloatArray:
    return np.column_stack([getattr(found, name) for name in NAMES])


def as_logged(session: Session) -> FloatArray:
    """(outcomes,) of the log itself, by the analysis: what the replay of the fitted parts should come near to."""
    axle, at = session.analysis.axle, session.observed.index[session.passes.row]
    wheel = session.best.wheel_rad_s[:, None]
    radius = session.analysis.car.rear_rolling_radius_m
    difference = axle.torque_difference_Nm[at][None]
    logged = Replayed(
        slip=wheel * radius / session.best.ground_m_s[:, None] - 1,
        use=np.array([axle.use_left[at], axle.use_right[at]])[:, None],
        wheel_rad_s=wheel,
        torque_difference_Nm=difference,
        input_torque_Nm=axle.input_torque_Nm[at][None],
        locked=axle.locked[at][None],
    )
    known = replace(session.rows, coasting=session.rows.coasting & np.isfinite(difference[0]))
    of_log = outcomes(logged, session.best, known, session.analysis.car)
    row: FloatArray = _table(of_log)[0]
    return row


def logged_moment(sessions: list[Session], moment_Nm: float) -> Interval:
    """The moment against the turn while coasting that the logs show, with what the measured curves leave of it open;
    what one log errs by, the others of the car do as well.

    Parameters
    ----------
    moment_Nm : that they show; NaN where there was too little coasting.
    """
    if not np.isfinite(moment_Nm):
        return Interval(None, None, None, "too little coasting in corners")
    weights, deviations = [], []
    for s in sessions:
        torque, car = s.best.input_torque_Nm[s.rows.coasting], s.analysis.car
        if len(torque):
            level = model.locking_torque_Nm(s.drawn.curves[:, :, None], torque).mean(axis=1)
            deviations.append(level.std() * car.rear_track_m / (2 * car.rear_rolling_radius_m))
            weights.append(len(torque))
    off = 1.96 * float(np.average(deviations, weights=weights))
    return Interval(moment_Nm, moment_Nm - off, moment_Nm + off)


def together(tables: list[FloatArray], sessions: list[Session]) -> FloatArray:
    """Outcomes of several logs as one: times add up, means are weighed by their time or number.

    Parameters
    ----------
    tables : (..., outcomes) of each log, in the order of `NAMES`.
    sessions : the same logs, in the same order.
    """
    weights = {
        "coast_moment_Nm": [s.rows.coasting.sum() for s in sessions],
        "entry_share": [s.rows.coasting.sum() for s in sessions],
        "snap_Nm_s": [len(s.rows.applications) for s in sessions],
    }
    out = np.empty_like(tables[0])
    for i, name in enumerate(NAMES):
        values = np.array([t[..., i] for t in tables])
        if name not in weights:
            out[..., i] = values.sum(axis=0)
            continue
        weight = np.array(weights[name], float).reshape(-1, *[1] * (values.ndim - 1)) * np.isfinite(values)
        total = weight.sum(axis=0)
        out[..., i] = np.where(
            total > 0, (np.nan_to_num(values) * weight).sum(axis=0) / np.maximum(total, 1e-9), np.nan
        )
    return out


def driver_answer(draws: int) -> FloatArray:
    """(draws, 1) standard normal, for `anchored`."""
    return np.random.default_rng(SEED + 1).standard_normal((draws, 1))


def anchored(table: FloatArray, logged: FloatArray, answer: FloatArray | float = 0.0) -> FloatArray:
    """Outcomes with spin times that start from the log's own.

    Parameters
    ----------
    table : (..., builds, outcomes) of a replay, the first build what is fitted.
    logged : (outcomes,) of the log itself.
    answer : (draws, 1), `driver_answer`, where `table` is of draws: scatters the changes by what the driver does about
        them.

    Notes
    -----
    A replay of what is fitted shows somewhat less spin than the log, whose onsets its filters smooth. So a fall counts
    as a share of the replayed time, taken of the logged one, scaled by `MOST_SCALE` at most: what the replay does not
    show at all, no build can be said to cure. A rise counts as it is.
    """
    out = table.copy()
    inside, both, either = (NAMES.index(n) for n in ("inside_spin_s", "both_spin_s", "spin_s"))
    for i in (inside, both):
        fitted, change = table[..., :1, i], table[..., i] - table[..., :1, i]
        scale = np.minimum(logged[i] / np.maximum(fitted, 1e-9), MOST_SCALE)
        scale = np.where(change < 0, scale * (1 + FALL_SD * answer), 1 + RISE_SD * answer)
        out[..., i] = np.maximum(logged[i] + np.maximum(scale, 0.0) * change, 0.0)
    out[..., either] = out[..., inside] + out[..., both]
    return out
