"""What a replay means to the driver: spin, moment against the turn, understeer at the entry, snap."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.advice.demand import Demand, Passes
from analyzer.advice.replay import Replayed
from analyzer.analysis import Analysis
from analyzer.findings.car_moments import AFTER_S, BEFORE_S, OPENS_AT, STEP_S
from analyzer.findings.coast_understeer import CLOSED_THROTTLE
from analyzer.findings.rear_axle import LEAST_LATERAL_M_S2, LEAST_SPEED_M_S, rear_lateral_force_N
from analyzer.findings.wheel_spin import MOSTLY_ALONG, OPEN_THROTTLE, clear_margin_m_s
from analyzer.lockcurve.observations import Observations
from analyzer.vehicle.car import Car
from analyzer.vehicle.tyre import peak_rho

LEAST_COAST_S = 2.0  # of coasting in corners, for a mean over them
SNAP_PERCENTILE = 90.0  # of the throttle applications: the largest one alone is noise
LEAST_APPLICATIONS = 3


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

    turn: np.ndarray
    driven: np.ndarray
    coasting: np.ndarray
    coasting_braked: bool
    applications: np.ndarray
    front_side_N: np.ndarray
    clear_m_s: float
    step_s: float


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

    spin_s: np.ndarray
    inside_spin_s: np.ndarray
    both_spin_s: np.ndarray
    coast_moment_Nm: np.ndarray
    entry_share: np.ndarray
    snap_Nm_s: np.ndarray


def rows_of(analysis: Analysis, observed: Observations, passes: Passes) -> Rows:
    """Where in the session each outcome is looked for."""
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
    """Outcomes of each lock curve of a replay."""
    radius = car.rear_rolling_radius_m
    left_inside = rows.turn > 0
    inside = lambda pair: np.where(left_inside, pair[0], pair[1])  # noqa: E731
    outside = lambda pair: np.where(left_inside, pair[1], pair[0])  # noqa: E731
    apart = radius * (inside(replayed.wheel_rad_s) - outside(replayed.wheel_rad_s))
    peak = peak_slip(asked.tyre)
    slip_in, slip_out = inside(replayed.slip), outside(replayed.slip)
    slides = rows.driven & (inside(replayed.use) > 1.0) & (slip_in > MOSTLY_ALONG * peak) & (apart > rows.clear_m_s)
    both = rows.driven & (np.minimum(slip_in, slip_out) > peak)
    moment = rows.turn * replayed.torque_difference_Nm * car.rear_track_m / (2 * radius)
    seconds = lambda where: where.sum(axis=(1, 2)) * rows.step_s  # noqa: E731
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


def peak_slip(tyre: Mapping[str, Any]) -> float | np.ndarray:
    """Longitudinal slip kappa (1) at the peak of the force, at the static load: kappa/(1 + kappa) = mu rho_peak / C.

    Parameters
    ----------
    tyre : figures as `axle.tyre_figures` gives them, numbers or arrays of one shape, which is the answer's.
    """
    theoretical = tyre["friction_x"] * peak_rho(tyre["shape"]) / tyre["slip_stiffness"]
    return theoretical / (1 - theoretical)


def _front_share(moment: np.ndarray, rows: Rows, car: Car) -> np.ndarray:
    """A moment N against the turn takes N/L more side force in front, over what the front tyres carry."""
    return moment[:, rows.coasting].sum(axis=1) / car.wheelbase_m / rows.front_side_N[rows.coasting].sum()


def _snap(moment: np.ndarray, apart: np.ndarray, rows: Rows) -> np.ndarray:
    """Largest rise within `STEP_S` of each application; where the inside wheel was turning faster it is no lock-up."""
    step = max(1, round(STEP_S / rows.step_s))
    before, after = round(BEFORE_S / rows.step_s), round(AFTER_S / rows.step_s)
    largest = []
    for p, i in rows.applications:
        first, last = max(i - before, 0), min(i + after, moment.shape[2] - step)
        if last > first:
            rise = moment[:, p, first + step : last + step] - moment[:, p, first:last]
            largest.append(np.where(apart[:, p, first:last] > 0, 0.0, rise).max(axis=1))
    if len(largest) < LEAST_APPLICATIONS:
        return np.full(len(moment), np.nan)
    return np.percentile(largest, SNAP_PERCENTILE, axis=0) / (step * rows.step_s)
