"""Means over each corner phase. A mean without enough backing samples is None."""

import numpy as np

from analyzer.analysis import PhaseResult
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.phases.segments import Corner
from analyzer.signals.session import Signals
from analyzer.vehicle.state import AxleState

LEAST_FREE_DIFFERENCE_RAD_S = 0.35  # below this the kinematic lock divides noise by noise
LEAST_KNOWN = 0.8  # share of a phase that must be known: a mean over less is not the mean of the phase


def phase_results(
    signals: Signals, corners: tuple[Corner, ...], axle: AxleState, predicted: PredictedLockCurve | None
) -> tuple[PhaseResult, ...]:
    """One row a phase of every corner pass."""
    rows = []
    for corner in corners:
        for phase in corner.phases:
            rows.append(_one(signals, corner, phase.name, slice(phase.start, phase.stop), axle, predicted))
    return tuple(rows)


def _one(signals, corner, name, where, axle, predicted) -> PhaseResult:
    left_turn = corner.direction == "left"
    inside, outside = (axle.slip_left, axle.slip_right) if left_turn else (axle.slip_right, axle.slip_left)
    inward = 1.0 if left_turn else -1.0
    speed_difference = _mean(axle.speed_difference_rad_s[where])
    free = _mean(axle.free_difference_rad_s[where])
    kinematic = None
    if free is not None and speed_difference is not None and abs(free) > LEAST_FREE_DIFFERENCE_RAD_S:
        kinematic = 1.0 - speed_difference / free
    torque = _mean(axle.input_torque_Nm[where])
    transfer = _mean(inward * axle.torque_difference_Nm[where])
    deviation = _mean(axle.torque_difference_sd_Nm[where]) if transfer is not None else None
    value = abs(transfer) / abs(torque) if transfer is not None and torque is not None and abs(torque) > 50 else None
    expected = None
    if predicted is not None and torque is not None:
        level = float(predicted.locking_torque_Nm(np.array([torque]))[0])
        expected = level if np.isfinite(level) else None
    decided = axle.locked[where] | axle.slipping[where]
    locked = float(axle.locked[where].sum() / decided.sum()) if decided.sum() >= 3 else None
    return PhaseResult(
        lap=corner.lap,
        corner=corner.number,
        direction=corner.direction,
        phase=name,
        start_s=float(signals.time_s[where.start]),
        end_s=float(signals.time_s[where.stop - 1]),
        inside_slip=_mean(inside[where]),
        outside_slip=_mean(outside[where]),
        speed_difference_rad_s=speed_difference,
        free_difference_rad_s=free,
        kinematic_lock=kinematic,
        input_torque_Nm=torque,
        transfer_torque_Nm=transfer,
        transfer_torque_sd_Nm=deviation,
        locking_value=value,
        predicted_locking_torque_Nm=expected,
        locked_fraction=locked,
        mean_throttle=_mean(signals.throttle[where]),
        mean_speed_m_s=_mean(signals.speed_m_s[where]),
    )


def _mean(values: np.ndarray) -> float | None:
    known = np.isfinite(values)
    if len(values) < 3 or known.mean() < LEAST_KNOWN:
        return None
    return float(values[known].mean())
