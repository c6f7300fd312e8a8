"""Does the differential lock alike in left and right corners."""

from collections.abc import Sequence

import numpy as np
from scipy import stats

from analyzer.findings.confidence import confidence
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import rear_axle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner, Laps
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car
from analyzer.vehicle.state import AxleState

LEAST_PASSES = 4  # corner passes a side: with fewer the scatter between passes is unknown
LEAST_SAMPLES = 10  # slipping samples in a pass before its mean counts
# smaller differences are within what load transfer and radii leave behind (common practice, no source)
LEAST_FRACTION = 0.15
LEAST_DIFFERENCE_NM = 30.0
SURE = 0.01  # two-sided chance of such a difference between equal sides


def find_asymmetry(
    signals: Signals, corners: Sequence[Corner], laps: Laps, axle: AxleState, lock_curve: LockCurveEstimate, car: Car
) -> tuple[Finding, ...]:
    """Locking torque of slipping packs in left against right corners, at the same input torque.

    Notes
    -----
    Each corner pass gives one value: the mean of |transfer torque| over the measured curve at the same input torque.
    Passes, not samples, are compared (Welch's t), because samples along one pass are not independent.
    """
    measured = [(p.input_torque_Nm, p.locking_torque_Nm) for p in lock_curve.points if p.locking_torque_Nm is not None]
    if len(measured) < 2:
        return ()
    grid, curve = np.array(measured).T
    rear = rear_axle(signals, axle, car)
    inside_range = (axle.input_torque_Nm >= grid[0]) & (axle.input_torque_Nm <= grid[-1])
    use = rear.cornering & axle.slipping & ~axle.braked & np.isfinite(rear.transfer_torque_Nm) & inside_range
    excess = np.abs(rear.transfer_torque_Nm) - np.interp(axle.input_torque_Nm, grid, curve)
    passes: dict[str, list[float]] = {"left": [], "right": []}
    for corner in corners:
        chosen = use[corner.start : corner.stop]
        if chosen.sum() >= LEAST_SAMPLES:
            passes[corner.direction].append(float(excess[corner.start : corner.stop][chosen].mean()))
    left, right = np.array(passes["left"]), np.array(passes["right"])
    if min(len(left), len(right)) < LEAST_PASSES:
        return ()
    difference = float(left.mean() - right.mean())
    level = float(np.mean(np.interp(axle.input_torque_Nm[use], grid, curve)))
    chance = float(stats.ttest_ind(left, right, equal_var=False).pvalue)
    if chance > SURE or abs(difference) < max(LEAST_DIFFERENCE_NM, LEAST_FRACTION * level):
        return ()
    harder, softer = ("left", "right") if difference > 0 else ("right", "left")
    return (
        Finding(
            kind="asymmetry",
            lap=None,
            corner=None,
            start_s=float(signals.time_s[0]),
            end_s=float(signals.time_s[-1]),
            severity="caution",
            confidence=confidence(1 - chance),
            sentence=f"The axle locks {abs(difference):.0f} N.m harder in {harder} than in {softer} corners at the "
            "same torque: look for unequal packs or tyre radii, a bent axle, or a wrong car figure.",
            evidence={
                "left_minus_right_Nm": difference,
                "level_Nm": level,
                "left_passes": len(left),
                "right_passes": len(right),
                "chance_of_equal_sides": chance,
            },
        ),
    )
