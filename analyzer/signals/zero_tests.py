"""What lies between two channels beside their ratio: zeros, their drift, and axes that are turned. More of it than a
sensor or its mounting has is a contradiction as well."""

import numpy as np

from analyzer.logs.recording import Recording
from analyzer.signals.pair_fit import (
    LEAST_S,
    MOVING_M_S,
    RATE_HZ,
    USUAL_RATIO,
    USUAL_WHEELBASE_M,
    Between,
    PairFit,
    PairTest,
    View,
    fit_pair,
    limited,
)
from analyzer.units import STANDARD_GRAVITY_M_S2
from analyzer.vehicle.car import Car

# common practice, no source: a unit that was never zeroed is off by a few hundredths of g, one askew by 10 degrees by
# 0.17 g; the calibration takes out what is less
LATERAL_ZERO_G = 0.3
STEER_ZERO_RAD = 0.035  # at the road wheel, 2 degrees; half a turn of a spline of 30 teeth is 6 at the wheel
TURNED_RAD = 0.2  # 11 degrees in its plane; two or three are how a unit is mounted, the rest a cross slope on power
DRIFT_RAD_S = 0.05  # over the log, 3 deg/s: ten times a warming gyro's


def zeros(view: View, recording: Recording, car: Car | None) -> list[PairTest]:
    """Zeros, drift and turned axes, each from the pair of channels that shows it best."""
    one, v = np.ones_like(view.speed), np.maximum(view.speed, MOVING_M_S)
    gyro, lat, steer = (view.channels.get(name) for name in ("yaw_rate", "lat_g", "steer"))
    front, found = view.front_turn, list[PairTest]()
    later = view.time / view.time[-1] - 0.5
    # by the front wheels neither is told: light ones slip in corners, and as the car speeds up or slows down
    if lat is not None and gyro is not None:
        fit = _fitted(view, lat, v * gyro, [(one, 0.0, 10.0), (view.change, 0.0, 1.0), (v, 0.0, 0.1)])
        if fit is not None:
            g, most = STANDARD_GRAVITY_M_S2, LATERAL_ZERO_G
            name, holds = "zero of lateral acceleration", ("lat_g", "yaw_rate")
            found.append(limited(name, holds, fit.factors[1] / g, fit.deviations[1] / g, (-most, most), "g", "zero"))
            name, limits = "lateral acceleration's share of longitudinal acceleration", (-TURNED_RAD, TURNED_RAD)
            found.append(limited(name, ("lat_g",), fit.factors[2], fit.deviations[2], limits, "1", "share"))
    other = lat / v if lat is not None else front
    if gyro is not None and other is not None:
        fit = _fitted(view, gyro, other, [(one, 0.0, 1.0), (1 / v, 0.0, 1.0), (later, 0.0, 1.0)])
        if fit is not None:
            name, holds = "drift of yaw rate", ("yaw_rate", "lat_g" if lat is not None else "front_wheels")
            number, sure = np.degrees(fit.factors[3]), np.degrees(fit.deviations[3])
            most = float(np.degrees(DRIFT_RAD_S))
            found.append(limited(name, holds, number, sure, (-most, most), "deg/s", "over the log"))
    other, by = (gyro, "yaw_rate") if gyro is not None else (front, "front_wheels")
    if steer is not None and other is not None:
        ratio = 1.0 if recording.steer_at == "road_wheel" else car.steering_ratio if car else USUAL_RATIO
        wheelbase = car.wheelbase_m if car else USUAL_WHEELBASE_M
        fit = _fitted(view, steer / ratio * v, other * wheelbase, [(v, 0.0, 1.0), (v * v * other, 0.0, 0.01)])
        if fit is not None:
            name, limits = "zero of steer at the road wheel", (-STEER_ZERO_RAD, STEER_ZERO_RAD)
            found.append(limited(name, ("steer", by), fit.factors[1], fit.deviations[1], limits, "rad", "zero"))
    return found


def _fitted(view: View, a: np.ndarray, b: np.ndarray, between: Between) -> PairFit | None:
    if view.rolling.sum() < LEAST_S * RATE_HZ:
        return None
    return fit_pair(a, b, between, view.rolling, view.time)
