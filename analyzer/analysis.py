"""The whole answer for one log: what every view (terminal, JSON, HTML, dashboard) is made from.

Means over each corner phase are part of it; one without enough backing samples is None.
"""

from dataclasses import dataclass

import numpy as np

from analyzer.agreement.anchored import AnchoredEstimate
from analyzer.agreement.verdict import Agreement
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.findings.chatter import Chatter
from analyzer.findings.finding import Finding
from analyzer.findings.lock_trend import LockTrend
from analyzer.knowledge.known_car import CarRun, KnowledgeUsed
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.lockcurve.session_state import AxleState
from analyzer.lockcurve.witness import Witness
from analyzer.logs.recording import Annotation, Recording
from analyzer.phases.phases import Corner, Laps, Phase
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car

LEAST_FREE_DIFFERENCE_RAD_S = 0.35  # below this the kinematic lock divides noise by noise
MOST_UNSURE = 0.5  # standard deviation of a kinematic lock beyond which it could be locked or free
ROUNDED = 0.1  # nearer to 0 or 1 than this is noise, not a state of its own
LEAST_YAW_RAD_S = 0.1
LEAST_KNOWN = 0.8  # share of a phase that must be known: a mean over less is not the mean of the phase


@dataclass(frozen=True)
class PhaseResult:
    """One phase of one corner pass: means over the phase, None with no backing. Keys as in the result contract.

    `kinematic_lock_note` says why there is no kinematic lock, or what one outside 0 to 1 means; else None.
    """

    lap: int
    corner: int
    direction: str
    phase: str
    start_s: float
    end_s: float
    inside_slip: float | None
    outside_slip: float | None
    speed_difference_rad_s: float | None
    free_difference_rad_s: float | None
    kinematic_lock: float | None
    input_torque_Nm: float | None
    transfer_torque_Nm: float | None
    transfer_torque_sd_Nm: float | None
    locking_value: float | None
    predicted_locking_torque_Nm: float | None
    locked_fraction: float | None
    mean_throttle: float | None
    mean_speed_m_s: float | None
    kinematic_lock_note: str | None = None


@dataclass(frozen=True)
class Analysis:
    """One analysed log.

    Attributes
    ----------
    lock_curve, predicted, agreement, anchored, witness : of all logs that were analysed together.
    witness : what the logs can say of any proposed curve; None where they show no slip, and of the `others`.
    others : the other logs of these, each with its own signals, corners and findings; empty for one log.
    told : what all logs that were analysed together tell of their car, for other runs of it.
    knowledge : what the answer used of other runs; None where nothing was offered.
    """

    recording: Recording
    car: Car
    signals: Signals
    laps: Laps
    corners: tuple[Corner, ...]
    axle: AxleState
    phase_results: tuple[PhaseResult, ...]
    lock_curve: LockCurveEstimate
    predicted: PredictedLockCurve | None
    agreement: Agreement | None
    findings: tuple[Finding, ...]
    quality: tuple[Annotation, ...]
    tyre: dict[str, tuple[float, float]]
    timings_s: dict[str, float]
    chatter: Chatter | None = None
    trend: LockTrend | None = None
    anchored: AnchoredEstimate | None = None
    witness: Witness | None = None
    others: tuple["Analysis", ...] = ()
    told: CarRun | None = None
    knowledge: KnowledgeUsed | None = None


def phase_results(
    signals: Signals, corners: tuple[Corner, ...], axle: AxleState, predicted: PredictedLockCurve | None
) -> tuple[PhaseResult, ...]:
    """One row a phase of every corner pass, in the order of the corners.

    Parameters
    ----------
    signals, axle : of the same samples.
    corners : in those samples.
    predicted : curve of the setup file at each phase's mean input torque; None leaves that column empty.

    Returns
    -------
    tuple : means over a phase are None where less than `LEAST_KNOWN` of it is known, or it has less than three samples.
    """
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
        "difference": axle.moved_Nm,
        "deviation": axle.moved_sd_Nm,
        "throttle": signals.throttle,
        "speed": signals.speed_m_s,
        "free_difference_sd": _free_difference_sd(signals, axle),
    }
    columns = {name: _or_none(_means(values, bounds)) for name, values in means.items()}
    locked, slipping = (_sums(mask, bounds) for mask in (axle.locked, axle.slipping))
    decided = locked + slipping
    fraction = _or_none(np.where(decided >= 3, locked / np.maximum(decided, 1), np.nan))
    expected: list[float | None] = [None] * len(phases)
    if predicted is not None:
        expected = _or_none(predicted.locking_torque_Nm(np.array(columns["torque"], float)))
    start_s, end_s = (signals.time_s[at].tolist() for at in (bounds[:, 0], bounds[:, 1] - 1))
    return tuple(
        _one(corner, phase, dict(zip(columns, row, strict=True)), *rest)
        for (corner, phase), row, *rest in zip(
            phases, zip(*columns.values(), strict=True), start_s, end_s, fraction, expected, strict=True
        )
    )


def _or_none(values: FloatArray) -> list[float | None]:
    """Values as Python's own, None where there is none."""
    found = values.astype(object)
    found[~np.isfinite(values)] = None
    plain: list[float | None] = found.tolist()
    return plain


def _one(
    corner: Corner,
    phase: Phase,
    mean: dict[str, float | None],
    start_s: float,
    end_s: float,
    locked: float | None,
    expected: float | None,
) -> PhaseResult:
    left_turn = corner.direction == "left"
    inside, outside = ("left_slip", "right_slip") if left_turn else ("right_slip", "left_slip")
    speed_difference, free, torque = mean["speed_difference"], mean["free_difference"], mean["torque"]
    kinematic, note = kinematic_lock(speed_difference, free, mean["free_difference_sd"])
    transfer = mean["difference"]
    if transfer is not None and not left_turn:
        transfer = -transfer
    value = abs(transfer) / abs(torque) if transfer is not None and torque is not None and abs(torque) > 50 else None
    return PhaseResult(
        lap=corner.lap,
        corner=corner.number,
        direction=corner.direction,
        phase=phase.name,
        start_s=start_s,
        end_s=end_s,
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
        kinematic_lock_note=note,
    )


def kinematic_lock(
    difference: float | None, free: float | None, free_sd: float | None
) -> tuple[float | None, str | None]:
    """1 - difference/free, and what must be said of it; None, with the reason, where it would divide noise by noise.

    Parameters
    ----------
    difference : mean speed difference of the rear wheels (rad/s), left less right.
    free : the same of an axle that rolls freely.
    free_sd : standard deviation of `free`; None counts as none.

    Notes
    -----
    The yaw rate's error is one error along a phase, so its standard deviation is that of the mean: sd = |d/f| sd_f/|f|.
    """
    if free is None or difference is None:
        return None, "the wheel speeds or the yaw rate are not known well enough through this phase"
    if abs(free) <= LEAST_FREE_DIFFERENCE_RAD_S:
        return None, f"a free axle would differ by {abs(free):.2f} rad/s only, too little to tell locked from free"
    sd = 0.0 if free_sd is None else abs(difference / free) * free_sd / abs(free)
    if sd > MOST_UNSURE:
        return None, f"the yaw rate leaves it uncertain by {sd:.1f} (one standard deviation)"
    lock = 1.0 - difference / free
    if lock > 1 + ROUNDED:
        return (
            lock,
            f"above 1: the inside wheel turned {lock - 1:.1f} times the free difference faster than the outside",
        )
    if lock < -ROUNDED:
        return lock, "below 0: the wheels turned further apart than on a free axle, the outside one slid or spun"
    return lock, None


def _free_difference_sd(signals: Signals, axle: AxleState) -> FloatArray:
    """(n,) standard deviation of the free difference (rad/s), from that of the yaw rate."""
    turning = np.isfinite(axle.free_difference_rad_s) & (np.abs(signals.yaw_rate_rad_s) > LEAST_YAW_RAD_S)
    if not turning.any():
        return np.full(len(signals.time_s), np.nan)
    # track over radius, as the axle's own numbers have it
    per_yaw = float(np.median(np.abs(axle.free_difference_rad_s[turning] / signals.yaw_rate_rad_s[turning])))
    return per_yaw * signals.yaw_rate_sd_rad_s


def _means(values: FloatArray, bounds: IntArray) -> FloatArray:
    """Mean of the known samples of each stretch (k,), NaN where too few are known."""
    known = np.isfinite(values)
    count, length = _sums(known, bounds), bounds[:, 1] - bounds[:, 0]
    total = _sums(np.where(known, values, 0.0), bounds)
    return np.where((length >= 3) & (count >= LEAST_KNOWN * length), total / np.maximum(count, 1), np.nan)


def _sums(values: FloatArray | BoolArray, bounds: IntArray) -> FloatArray:
    """Sum over each stretch start..stop of `bounds` (k, 2)."""
    padded = np.append(values, values[:1]).astype(float)  # a stop may be the end of the log
    return np.add.reduceat(padded, bounds.ravel())[::2]
