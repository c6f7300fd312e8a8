"""Is the differential the thing to change? What the logs show, before any part is looked at."""

import numpy as np

from analyzer.advice.evaluate import NAMES, Session
from analyzer.advice.options import Cause, Cure, EntryCause, SpinCause
from analyzer.findings.evidence import Blame, CoastUndersteer, InsideSpin
from analyzer.findings.handling import steer_for_moment_rad
from analyzer.findings.wheel_spin import OPEN_THROTTLE
from analyzer.units import STANDARD_GRAVITY_M_S2

LEAST_SPIN_S = 0.5  # in all logs together; less is a kerb or one mistake
MOSTLY = 0.6  # of the time
NO_LOAD_SHARE = 0.1  # of the static load of a rear wheel: it hangs rather than stands


def causes(sessions: list[Session], logged: np.ndarray, fitted: np.ndarray) -> dict[Cure, Cause]:
    """Cause by cure, from outcomes (in the order of `NAMES`) of the log itself and of the replay of what is fitted."""
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
