"""Means over each corner phase. A mean without enough backing samples is None."""

import numpy as np

from analyzer.analysis import PhaseResult
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.phases.segments import Corner, Phase
from analyzer.signals.session import Signals
from analyzer.vehicle.state import AxleState

LEAST_FREE_DIFFERENCE_RAD_S = 0.35  # below this the kinematic lock divides noise by noise
LEAST_KNOWN = 0.8  # share of a phase that must be known: a mean over less is not the mean of the phase


def phase_results(
    signals: Signals, corners: tuple[Corner, ...], axle: AxleState, predicted: PredictedLockCurve | None
) -> tuple[PhaseResult, ...]:
    """One row a phase of every corner pass."""
    phases = [(corner, phase) for corner in corners for phase in corner.phases]
    if not phases:
        return ()
    bounds = np.array([(phase.start, phase.stop) for _, phase in phases])
    means = {
        "left_slip": axle.slip_left,
        "right_slip": axle.slip_right,
        "speed_difference": axle.speed_difference_rad_s,
        "free_difference": axle.free_difference_rad_s,
        "torque": axle.input_torque_Nm,
        "difference": axle.torque_difference_Nm,
        "deviation": axle.torque_difference_sd_Nm,
        "throttle": signals.throttle,
        "speed": signals.speed_m_s,
    }
    means = {name: _means(values, bounds) for name, values in means.items()}
    locked, slipping = (_sums(mask, bounds) for mask in (axle.locked, axle.slipping))
    return tuple(
        _one(
            signals,
            corner,
            phase,
            {name: None if np.isnan(column[k]) else float(column[k]) for name, column in means.items()},
            float(locked[k] / (locked[k] + slipping[k])) if locked[k] + slipping[k] >= 3 else None,
            predicted,
        )
        for k, (corner, phase) in enumerate(phases)
    )


def _one(signals: Signals, corner: Corner, phase: Phase, mean: dict[str, float | None], locked, predicted):
    left_turn = corner.direction == "left"
    inside, outside = ("left_slip", "right_slip") if left_turn else ("right_slip", "left_slip")
    speed_difference, free, torque = mean["speed_difference"], mean["free_difference"], mean["torque"]
    kinematic = None
    if free is not None and speed_difference is not None and abs(free) > LEAST_FREE_DIFFERENCE_RAD_S:
        kinematic = 1.0 - speed_difference / free
    transfer = mean["difference"]
    if transfer is not None and not left_turn:
        transfer = -transfer
    value = abs(transfer) / abs(torque) if transfer is not None and torque is not None and abs(torque) > 50 else None
    expected = None
    if predicted is not None and torque is not None:
        level = float(predicted.locking_torque_Nm(np.array([torque]))[0])
        expected = level if np.isfinite(level) else None
    return PhaseResult(
        lap=corner.lap,
        corner=corner.number,
        direction=corner.direction,
        phase=phase.name,
        start_s=float(signals.time_s[phase.start]),
        end_s=float(signals.time_s[phase.stop - 1]),
        inside_slip=mean[inside],
        outside_slip=mean[outside],
        speed_difference_rad_s=speed_difference,
        free_difference_rad_s=free,
        kinematic_lock=kinematic,
        input_torque_Nm=torque,
        transfer_torque_Nm=transfer,
        transfer_torque_sd_Nm=mean["deviation"] if transfer is not None else None,
        locking_value=value,
        predicted_locking_torque_Nm=expected,
        locked_fraction=locked,
        mean_throttle=mean["throttle"],
        mean_speed_m_s=mean["speed"],
    )


def _means(values: np.ndarray, bounds: np.ndarray) -> np.ndarray:
    """Mean of the known samples of each stretch (k,), NaN where too few are known."""
    known = np.isfinite(values)
    count, length = _sums(known, bounds), bounds[:, 1] - bounds[:, 0]
    total = _sums(np.where(known, values, 0.0), bounds)
    return np.where((length >= 3) & (count >= LEAST_KNOWN * length), total / np.maximum(count, 1), np.nan)


def _sums(values: np.ndarray, bounds: np.ndarray) -> np.ndarray:
    """Sum over each stretch start..stop of `bounds` (k, 2)."""
    padded = np.append(values, values[:1]).astype(float)  # a stop may be the end of the log
    return np.add.reduceat(padded, bounds.ravel())[::2]
