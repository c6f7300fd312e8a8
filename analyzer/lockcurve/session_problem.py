"""The fit's problem of one session: its observations with the priors that its car file and sensors give."""

from analyzer.lockcurve.fit import Problem, make_problem
from analyzer.lockcurve.observations import Observations
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.parameters import priors


def session_problem(signals: Signals, observed: Observations, car: Car, *, has_gyro: bool | None = None) -> Problem:
    """What is to be fitted.

    Parameters
    ----------
    signals, observed : the session, and its observations or those of some of its laps.
    has_gyro : False treats the yaw rate as put together though it was measured, for runs that are fitted together.
    """
    gyro = signals.has_gyro if has_gyro is None else has_gyro
    sure = priors(
        car,
        has_gyro=gyro,
        long_bias_sd_m_s2=signals.long_bias_sd_m_s2,
        has_long_g=signals.has_long_g,
        has_lateral=signals.has_lateral,
    )
    return make_problem(observed, car, sure)
