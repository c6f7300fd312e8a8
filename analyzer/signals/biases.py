"""Zeros of gyro and accelerometers, and the front wheels' scale against each other, from the session itself."""

import numpy as np

from analyzer.signals.session import CalibrationStep, taken_out
from analyzer.vehicle.car import Car

BIAS_BLOCK_S = 5.0
BIAS_ROWS_HZ = 20.0  # filtered signals hold nothing new between rows
BIAS_LOOKS_HZ = 2.0  # independent looks at biases a second
BIAS_DRIFT_M_S2 = 0.02  # drift of an accelerometer and its mounting within a session; common practice, no source
WORST_LONG_BIAS_SD_M_S2 = 0.08


def straight_running_biases(
    wheels: np.ndarray,
    speed: np.ndarray,
    yaw: np.ndarray,
    lateral: np.ndarray,
    straight: np.ndarray,
    moving: np.ndarray,
    rate_hz: float,
    car: Car,
    has_gyro: bool,
    steps: list[CalibrationStep],
) -> tuple[float, float, float]:
    """Yaw bias (rad/s), lateral bias (m/s2) and front left/right log scale by robust least squares.

    lateral - v yaw = lateral_bias - v yaw_bias + dv_y/dt;   (v_fr - v_fl)/v - track yaw/v = -track yaw_bias/v + scale.

    The second holds on straights. The first takes all of the session, because what a car gains in side slip it loses
    again: where straights are short, |lateral| is small only in passing from corner to corner, while v_y changes.
    """
    thin = max(1, round(rate_hz / BIAS_ROWS_HZ)) if has_gyro else 1
    straight, moving = np.flatnonzero(straight)[::thin], np.flatnonzero(moving)[::thin]
    v, turning, sideways = speed[straight], yaw[straight], lateral[straight]
    ratio = (wheels[straight, 1] - wheels[straight, 0]) / v
    zero, one = np.zeros_like(v), np.ones_like(v)
    if has_gyro:
        all_v, all_sideways = speed[moving], lateral[moving]
        noise = 0.15 + 0.1 * np.abs(all_sideways)
        rows = [
            np.array([-all_v, np.ones_like(all_v), np.zeros_like(all_v)]) / noise,
            np.array([-car.front_track_m / v, zero, one]) / 0.002,
        ]
        prior = np.diag([1 / 0.02, 1 / 0.3, 1 / 0.01])
        targets = [(all_sideways - all_v * yaw[moving]) / noise, (ratio - car.front_track_m * turning / v) / 0.002]
    else:
        rows = [np.array([zero, -car.front_track_m / v**2, one]) / 0.002]
        prior = np.diag([1 / 1e-6, 1 / 0.3, 1 / 0.01])
        targets = [(ratio - car.front_track_m * sideways / v**2) / 0.002]
    matrix = np.concatenate([*rows, prior], axis=1)
    target = np.concatenate([*targets, np.zeros(3)])
    # beyond this many deviations a row loses weight; what side slip adds must all count, or it no longer sums to zero
    reach = np.repeat([5.0, 1.0], [len(moving), len(target) - len(moving)]) if has_gyro else np.ones(len(target))
    weight = np.ones(len(target))
    for _ in range(8):
        weighted = matrix * weight
        information = weighted @ matrix.T
        solution = np.linalg.solve(information, weighted @ target)
        weight = 1 / (1 + ((target - solution @ matrix) / reach) ** 2)
    rows_per_look = rate_hz / thin / BIAS_LOOKS_HZ
    yaw_sd, lateral_sd, scale_sd = np.sqrt(rows_per_look * np.diag(np.linalg.inv(information)))
    yaw_bias, lateral_bias, scale = (float(s) for s in solution)
    if has_gyro:
        steps.append(
            taken_out(
                "yaw_rate_bias",
                float(np.degrees(yaw_bias)),
                float(np.degrees(yaw_sd)),
                "deg/s",
                "yaw rate is off by {} over the session",
            )
        )
    steps.append(
        taken_out(
            "lateral_bias",
            lateral_bias,
            float(lateral_sd),
            "m/s2",
            "lateral acceleration is off by {} over the session",
        )
    )
    steps.append(
        taken_out(
            "front_wheel_scale",
            100 * scale,
            float(100 * scale_sd),
            "%",
            "front right is off by {} against front left on the straights",
        )
    )
    return yaw_bias, lateral_bias, scale


def calibrate_longitudinal(
    longitudinal: np.ndarray, slope: np.ndarray, where: np.ndarray, rate: float
) -> tuple[np.ndarray, CalibrationStep]:
    """Bias of longitudinal acceleration against the change of front wheel speed (road slope averages out over laps).

    The standard deviation comes from how the bias of whole blocks scatters, `BIAS_BLOCK_S` each so that blocks are
    independent, and a floor for drift.
    """
    block = max(1, round(BIAS_BLOCK_S * rate))
    off = np.where(where, longitudinal - slope, np.nan)[: len(where) // block * block].reshape(-1, block)
    known = np.isfinite(off).sum(axis=1) > 0.2 * block
    if known.sum() < 4:
        bias = float(np.median((longitudinal - slope)[where])) if where.any() else 0.0
        deviation = WORST_LONG_BIAS_SD_M_S2
    else:
        blocks = np.nanmedian(off[known], axis=1)
        bias = float(np.median(blocks))
        scatter = 1.4826 * float(np.median(np.abs(blocks - bias)))
        # a median scatters pi/2 times the variance of a mean
        deviation = min(np.hypot(BIAS_DRIFT_M_S2, 1.25 * scatter / np.sqrt(len(blocks))), WORST_LONG_BIAS_SD_M_S2)
    return longitudinal - bias, taken_out(
        "longitudinal_bias",
        bias,
        float(deviation),
        "m/s2",
        "longitudinal acceleration is off by {} against the change of speed",
    )
