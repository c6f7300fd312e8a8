"""Zeros of gyro and accelerometers, and the front wheels' scale against each other, from the session itself."""

from dataclasses import dataclass

import numpy as np

from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.channels import STANDARD_GRAVITY_M_S2
from analyzer.robust import scatter
from analyzer.signals.session import CalibrationStep, Sensors, taken_out
from analyzer.signals.timebase import low_pass
from analyzer.vehicle.car import Car

BIAS_BLOCK_S = 5.0  # a corner or a straight: within it errors go together
BIAS_ROWS_HZ = 20.0  # filtered signals hold nothing new between rows
BIAS_LOOKS_HZ = 2.0  # independent looks at biases a second
BIAS_PASS_S = 10.0  # a corner with its way in and out
BIAS_ALIKE_M_S2 = 0.04  # what a corner's pull has alike lap by lap (side slip that no such formula has, camber)
SIDE_SLIP_HZ = 1.0  # slower than the tyres' lag and the filters of the sensors
TURNING_HZ = 3.0  # faster than that the car does not turn
SIDE_SLIP_SD = (2.0, 20.0, 20.0)  # of b (m), K (1e-3 rad per m/s2), K3 (1e-5 rad per (m/s2)^3): any car's
BIAS_DRIFT_M_S2 = 0.02  # drift of an accelerometer and its mounting within a session; common practice, no source
WORST_LONG_BIAS_SD_M_S2 = 0.08


@dataclass(frozen=True)
class Zeros:
    """Yaw bias (rad/s), lateral bias (m/s2), front left/right log scale; and what is to be said of them."""

    yaw_rad_s: float
    lateral_m_s2: float
    front_scale: float
    steps: tuple[CalibrationStep, ...]


def find_zeros(
    *,
    front_m_s: FloatArray | None,
    speed_m_s: FloatArray,
    yaw_rad_s: FloatArray,
    lateral_m_s2: FloatArray,
    straight: BoolArray,
    moving: BoolArray,
    rate_hz: float,
    car: Car,
    sensors: Sensors,
) -> Zeros:
    """Zeros of gyro and lateral accelerometer, and the front wheels' scale, by robust least squares.

    Parameters
    ----------
    front_m_s : (n, 2) left and right, or None where not both are logged.
    speed_m_s, yaw_rad_s, lateral_m_s2 : (n,) at `rate_hz`, left positive.
    straight, moving : (n,) bool, the samples that the two equations hold on.
    sensors : of which `yaw_rad_s`, `lateral_m_s2` were measured, not had from the other one.

    Notes
    -----
        lateral - v yaw = lateral_bias - v yaw_bias + dv_y/dt
        (v_fr - v_fl)/v - track yaw/v = -track yaw_bias/v + scale

    The second holds on straights. The first takes all of the session, because what a car gains in side slip it loses
    again: where straights are short, |lateral| is small only in passing from corner to corner, while v_y changes. But
    it gains it at one speed and loses it at another, and on a circuit that turns mostly one way that looks like a zero
    of the gyro. So v_y itself is put in, as a car on its tyres has it, with factors that the session tells:

        v_y = b yaw - K v lateral - K3 v lateral^3.
    """
    thin = max(1, round(rate_hz / BIAS_ROWS_HZ)) if sensors.gyro else 1
    on_straights, on_the_move = np.flatnonzero(straight)[::thin], np.flatnonzero(moving)[::thin]
    both = sensors.gyro and sensors.lat_g
    # zeros that nothing tells stay where they are
    sure = [0.02 if both else 1e-6, 0.3 if sensors.lat_g else 1e-6, 0.01, *SIDE_SLIP_SD]
    rows, targets, samples = [np.diag(1 / np.array(sure))], [np.zeros(len(sure))], []
    if both:
        row, target = _side_slip_rows(speed_m_s, yaw_rad_s, lateral_m_s2, on_the_move, rate_hz)
        rows.append(row)
        targets.append(target)
        samples.append(on_the_move)
    if front_m_s is not None:
        v, turned = speed_m_s[on_straights], -car.front_track_m / speed_m_s[on_straights]
        zero, one = np.zeros_like(v), np.ones_like(v)
        by_zeros = [turned, zero, one] if sensors.gyro else [zero, turned / v, one]
        turning = yaw_rad_s[on_straights] if sensors.gyro else lateral_m_s2[on_straights] / v
        left, right = front_m_s[on_straights].T
        rows.append(np.array([*by_zeros, *[zero] * len(SIDE_SLIP_SD)]) / 0.002)
        targets.append(((right - left) / v + turned * turning) / 0.002)
        samples.append(on_straights)
    matrix, target = np.concatenate(rows, axis=1), np.concatenate(targets)
    # beyond this many deviations a row loses weight; what side slip adds must all count, or it no longer sums to zero
    reach = np.ones(len(target))
    if both:
        reach[len(sure) : len(sure) + len(on_the_move)] = 5.0
    solution, inverse, pulls = _robust(matrix, target, reach)
    yaw_sd, lateral_sd, scale_sd = np.sqrt(rate_hz / thin / BIAS_LOOKS_HZ * np.diag(inverse))[:3]
    if both:
        # corners err as wholes, so what their pulls scatter by says how sure the zeros are, not a count of rows
        block = (np.concatenate(samples) / rate_hz / BIAS_PASS_S).astype(int)
        by_block = np.array([np.bincount(block, weights=pull) for pull in pulls[:, len(sure) :]])
        scatter = np.diag(inverse @ (by_block @ by_block.T + np.diag(1 / np.square(sure))) @ inverse)
        yaw_sd = np.hypot(np.sqrt(scatter[0]), BIAS_ALIKE_M_S2 / np.median(speed_m_s[on_the_move]))
        lateral_sd = np.hypot(np.sqrt(scatter[1]), BIAS_ALIKE_M_S2)
    yaw, side, scale = (float(s) for s in solution[:3])
    steps = []
    if both:
        words = "yaw rate is off by {} over the session"
        steps.append(taken_out("yaw_rate_bias", float(np.degrees(yaw)), float(np.degrees(yaw_sd)), "deg/s", words))
    if sensors.lat_g and (both or front_m_s is not None):
        words = "lateral acceleration is off by {} over the session"
        steps.append(taken_out("lateral_bias", side, float(lateral_sd), "m/s2", words))
    if front_m_s is not None:
        words = "front right is off by {} against front left on the straights"
        steps.append(taken_out("front_wheel_scale", 100 * scale, float(100 * scale_sd), "%", words))
    return Zeros(yaw, side, scale, tuple(steps))


def _side_slip_rows(
    speed_m_s: FloatArray, yaw_rad_s: FloatArray, lateral_m_s2: FloatArray, where: IntArray, rate_hz: float
) -> tuple[FloatArray, FloatArray]:
    """(6, m) factors of the zeros and of side slip at the samples `where` (m,), and the (m,) targets, over their noise.

    All of it is filtered first: a row compares signals whose sensors and tyres lag differently.
    """
    step = max(1, round(rate_hz / BIAS_ROWS_HZ))
    whole = len(speed_m_s) // step * step
    speed, yaw, side = (x[:whole].reshape(-1, step).mean(axis=1) for x in (speed_m_s, yaw_rad_s, lateral_m_s2))
    rate, at = rate_hz / step, np.minimum(where // step, whole // step - 1)

    def slow(values: FloatArray) -> FloatArray:
        return low_pass(values, cutoff_hz=SIDE_SLIP_HZ, rate_hz=rate)

    lateral, v = slow(side)[at], speed[at]
    slip_changes = [np.gradient(slow(part))[at] * rate for part in (yaw, -speed * side / 1e3, -speed * side**3 / 1e5)]
    noise = 0.1 + 0.03 * np.abs(lateral)
    factors = np.array([-v, np.ones_like(v), np.zeros_like(v), *slip_changes])
    return factors / noise, (lateral - v * slow(yaw)[at]) / noise


def _robust(matrix: FloatArray, target: FloatArray, reach: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Least squares of solution @ matrix = target, where a row off by more than its `reach` loses weight.

    Returns
    -------
    solution (k,), inverse (k, k) of the weighted information, and what each row pulls at each unknown, (k, m).
    """
    weight = np.ones(len(target))
    for _ in range(8):
        weighted = matrix * weight
        information = weighted @ matrix.T
        solution = np.linalg.solve(information, weighted @ target).astype(float, copy=False)
        weight = 1 / (1 + ((target - solution @ matrix) / reach) ** 2)
    inverse = np.linalg.inv(information).astype(float, copy=False)
    return solution, inverse, weighted * (target - solution @ matrix)


def lateral_by_turning(*, speed_m_s: FloatArray, yaw_rad_s: FloatArray, rate_hz: float, car: Car) -> FloatArray:
    """Lateral acceleration of a car without that sensor, from speed and gyro.

    Parameters
    ----------
    speed_m_s, yaw_rad_s : (n,) at `rate_hz`, turn to the left positive.
    car : for the place of its rear axle and the file's cornering stiffness.

    Returns
    -------
    ndarray : (n,) at the centre of gravity (m/s2), left positive.

    Notes
    -----
    a_y = v r + dv_y/dt with v_y = b r - v alpha and the rear side slip alpha = a_y/(g c) of tyres below their limit, c
    the car file's cornering stiffness over load; a_y in it is v r.
    """
    stiffness = STANDARD_GRAVITY_M_S2 * car.tyre.cornering_stiffness_per_rad
    turning, yaw = (low_pass(x, cutoff_hz=TURNING_HZ, rate_hz=rate_hz) for x in (speed_m_s * yaw_rad_s, yaw_rad_s))
    side_speed = car.cg_to_rear_m * yaw - speed_m_s * turning / stiffness
    return turning + low_pass(np.gradient(side_speed) * rate_hz, cutoff_hz=TURNING_HZ, rate_hz=rate_hz)


def calibrate_longitudinal(
    longitudinal: FloatArray, slope: FloatArray, where: BoolArray, rate: float
) -> tuple[FloatArray, CalibrationStep]:
    """Bias of longitudinal acceleration against the change of front wheel speed (road slope averages out over laps).

    The standard deviation comes from how the bias of whole blocks scatters, `BIAS_BLOCK_S` each so that blocks are
    independent, and a floor for drift.

    Parameters
    ----------
    longitudinal : (n,) as logged (m/s2).
    slope : (n,) change of speed (m/s2).
    where : (n,) bool, samples that count.
    rate : sample rate (Hz).

    Returns
    -------
    tuple : (n,) with the bias taken out (m/s2), and the step that says so.
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
        # a median scatters pi/2 times the variance of a mean
        deviation = min(
            np.hypot(BIAS_DRIFT_M_S2, 1.25 * scatter(blocks, about=bias) / np.sqrt(len(blocks))),
            WORST_LONG_BIAS_SD_M_S2,
        )
    return longitudinal - bias, taken_out(
        "longitudinal_bias",
        bias,
        float(deviation),
        "m/s2",
        "longitudinal acceleration is off by {} against the change of speed",
    )
