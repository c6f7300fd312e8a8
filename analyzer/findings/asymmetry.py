"""Does the differential lock alike in left and right corners."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from analyzer.findings.confidence import confidence
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.phases.segments import Corner

LEAST_PASSES = 4  # corner passes a side: with fewer the scatter between passes is unknown
LEAST_SAMPLES = 10  # slipping samples in a pass before its mean counts
# smaller differences are within what load transfer and radii leave behind (common practice, no source)
LEAST_FRACTION = 0.15
LEAST_DIFFERENCE_NM = 30.0
SURE = 0.01  # two-sided chance of such a difference between equal sides


@dataclass(frozen=True)
class Excess:
    """|Transfer torque| over the measured curve at the same input torque, mean of each corner pass (N.m); and the
    curve's mean level at all `samples` (N.m)."""

    left_Nm: tuple[float, ...]
    right_Nm: tuple[float, ...]
    level_Nm: float
    samples: int


def excess_of_passes(rear: RearAxle, corners: Sequence[Corner], lock_curve: LockCurveEstimate) -> Excess:
    """What the packs of each pass held over the measured curve, where they slipped."""
    measured = [(p.input_torque_Nm, p.locking_torque_Nm) for p in lock_curve.points if p.locking_torque_Nm is not None]
    if len(measured) < 2:
        return Excess((), (), 0.0, 0)
    grid, curve = np.array(measured).T
    axle = rear.axle
    inside_range = (axle.input_torque_Nm >= grid[0]) & (axle.input_torque_Nm <= grid[-1])
    use = rear.cornering & axle.slipping & ~axle.braked & np.isfinite(rear.transfer_torque_Nm) & inside_range
    index = np.flatnonzero(use)
    level = np.interp(axle.input_torque_Nm[index], grid, curve)
    excess = np.abs(rear.transfer_torque_Nm[index]) - level
    passes: dict[str, list[float]] = {"left": [], "right": []}
    for corner in corners:
        part = slice(*np.searchsorted(index, [corner.start, corner.stop]))
        if part.stop - part.start >= LEAST_SAMPLES:
            passes[corner.direction].append(float(excess[part].mean()))
    return Excess(tuple(passes["left"]), tuple(passes["right"]), float(level.mean()) if len(level) else 0.0, len(level))


def find_asymmetry(parts: Sequence[Excess], *, start_s: float, end_s: float) -> tuple[Finding, ...]:
    """Locking torque of slipping packs in left against right corners, at the same input torque.

    Parameters
    ----------
    parts : of the session's parts.
    start_s, end_s : of the session.

    Notes
    -----
    Passes, not samples, are compared (Welch's t), because samples along one pass are not independent.
    """
    left = np.array([x for p in parts for x in p.left_Nm])
    right = np.array([x for p in parts for x in p.right_Nm])
    if min(len(left), len(right)) < LEAST_PASSES:
        return ()
    level = float(np.average([p.level_Nm for p in parts], weights=[p.samples for p in parts]))
    difference = float(left.mean() - right.mean())
    chance = float(stats.ttest_ind(left, right, equal_var=False).pvalue)
    if chance > SURE or abs(difference) < max(LEAST_DIFFERENCE_NM, LEAST_FRACTION * level):
        return ()
    harder, softer = ("left", "right") if difference > 0 else ("right", "left")
    return (
        Finding(
            kind="asymmetry",
            lap=None,
            corner=None,
            start_s=start_s,
            end_s=end_s,
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
