"""The fit's problem of a session: its observations, the priors that its car file and sensors give, and what it measures
as a whole."""

from collections.abc import Sequence

from analyzer.lockcurve.motion import measured_as_a_whole
from analyzer.lockcurve.observations import Observations
from analyzer.lockcurve.problem import FIRST, LogPart, Problem, hold_sd_Nm, joined, log_part, owners_of
from analyzer.lockcurve.unknowns import Owner, unknowns
from analyzer.phases.segments import Laps
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import Prior, priors


def session_priors(signals: Signals, car: Car, *, has_gyro: bool | None = None) -> tuple[Prior, ...]:
    """Priors of a session's parameters; `has_gyro` False treats the yaw rate as put together though it was measured,
    for runs that are fitted together."""
    gyro = signals.has_gyro if has_gyro is None else has_gyro
    return priors(
        car,
        has_gyro=gyro,
        long_bias_sd_m_s2=signals.long_bias_sd_m_s2,
        has_long_g=signals.has_long_g,
        has_lateral=signals.has_lateral,
        unchecked=signals.unchecked,
    )


def shared_priors(signals: Sequence[Signals], car: Car) -> tuple[Prior, ...]:
    """Priors of sessions that are fitted together, each as wide as the session needs that knows least."""
    every = [session_priors(s, car, has_gyro=all(one.has_gyro for one in signals)) for s in signals]
    return tuple(max(same, key=lambda prior: prior.deviation) for same in zip(*every, strict=True))


def session_problem(signals: Sequence[Signals], parts: Sequence[LogPart], car: Car) -> Problem:
    """What is fitted to the sessions of one car with one differential.

    Parameters
    ----------
    signals, parts : of each session.
    """
    made = unknowns(shared_priors(signals, car), owners_of(parts), hold_sd_Nm=hold_sd_Nm(car), tyre_drifts=True)
    return joined(parts, car, made)


def session_part(signals: Signals, laps: Laps, observed: Observations, car: Car, *, owner: Owner = FIRST) -> LogPart:
    """A session's part of a fit."""
    return log_part(observed, owner=owner, measured=measured_as_a_whole(signals, laps, car))
