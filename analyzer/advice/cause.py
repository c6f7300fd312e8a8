"""Is the differential the thing to change? What the logs show, before any part is looked at."""

import numpy as np

from analyzer.advice.evaluate import NAMES, Session
from analyzer.advice.option import Cause, Cure
from analyzer.findings.evidence import Blame, CoastUndersteer, InsideSpin
from analyzer.findings.handling import steer_for_moment_rad
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.in_words import number
from analyzer.units import STANDARD_GRAVITY_M_S2

LEAST_SPIN_S = 0.5  # in all logs together; less is a kerb or one mistake
MOSTLY = 0.6  # of the time
NO_LOAD_SHARE = 0.1  # of the static load of a rear wheel: it hangs rather than stands


def causes(sessions: list[Session], logged: np.ndarray, fitted: np.ndarray) -> dict[Cure, Cause]:
    """Cause by cure, from outcomes (in the order of `NAMES`) of the log itself and of the replay of what is fitted."""
    of_log, of_replay = dict(zip(NAMES, logged, strict=True)), dict(zip(NAMES, fitted, strict=True))
    return {"spin": _spin(sessions, of_log), "entry": _entry(sessions, of_replay)}


def _spin(sessions: list[Session], logged: dict[str, float]) -> Cause:
    inside_s, both_s = logged["inside_spin_s"], logged["both_spin_s"]
    if inside_s + both_s < LEAST_SPIN_S:
        return Cause("nothing_to_cure", "No rear wheel spins under power in these laps for long enough to cure.", False)
    if both_s > inside_s:
        return Cause(
            "not_the_differential",
            f"Both rear wheels spin for {both_s:.1f} s, the inside one alone for {inside_s:.1f} s: that is more torque "
            "than both tyres hold. Throttle, tyres and pressures come first; more lock would not cure it.",
            False,
        )
    found = [f.evidence for s in sessions for f in s.analysis.findings if isinstance(f.evidence, InsideSpin)]
    lasted = sum(spin.duration_s for spin in found)
    by_foot, unsure = (
        sum(spin.duration_s for spin in found if spin.foot_or_car is whose) for whose in (Blame.FOOT, Blame.OPEN)
    )
    if lasted > 0 and by_foot > MOSTLY * lasted:
        return Cause(
            "not_the_differential",
            f"The inside rear spins for {inside_s:.1f} s, but for {100 * by_foot / lasted:.0f} % of it the throttle "
            "asked for more than both tyres had: more lock would spin both.",
            False,
        )
    share = _load_share_in_spins(sessions)
    if share is not None and share < NO_LOAD_SHARE:
        return Cause(
            "not_the_differential",
            f"Where the inside rear spins it carries {100 * share:.0f} % of its static load: it hangs. Springs, bars "
            "and droop come first; more lock only lives with it, and the builds below are to be read so.",
            True,
        )
    if lasted > 0 and by_foot + unsure > MOSTLY * lasted:
        return Cause(
            "cannot_tell",
            f"The inside rear spins for {inside_s:.1f} s, mostly asked for about what both tyres could take: it is "
            "not clear from the log whether more lock has grip to use. Read the builds below with that in mind.",
            True,
        )
    return Cause(
        "differential",
        f"The inside rear spins under power for {inside_s:.1f} s while the outside one has grip left: the differential "
        "lets the torque go where the grip is not.",
        True,
    )


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


def _entry(sessions: list[Session], fitted: dict[str, float]) -> Cause:
    moment, share = fitted["coast_moment_Nm"], fitted["entry_share"]
    if not np.isfinite(moment):
        return Cause(
            "cannot_tell", "There is too little coasting in corners to tell what the differential does.", False
        )
    car = sessions[0].analysis.car
    degrees = float(np.degrees(steer_for_moment_rad(max(moment, 0.0), car))) * car.steering_ratio
    holds = (
        f"coasting in the replay, it holds against the turn with {number(moment)} N.m in the mean, "
        f"{number(100 * share, 1)} % of the front tyres' side force or at least {number(degrees, 1)} degrees of "
        "steering wheel"
        if moment > 0
        else "coasting in the replay, it does not hold against the turn"
    )
    found = [f.evidence for s in sessions for f in s.analysis.findings if isinstance(f.evidence, CoastUndersteer)]
    if any(e.of_the_differential for e in found):
        return Cause("differential", f"The differential makes the car understeer off the throttle: {holds}.", True)
    if found:
        return Cause(
            "not_the_differential",
            f"The car understeers off the throttle, but not by the differential: {holds}. Balance, brakes and line "
            "come first.",
            False,
        )
    return Cause("nothing_to_cure", f"No understeer off the throttle is found; {holds}.", True)
