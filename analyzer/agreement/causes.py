"""What may be wrong between the setup file and the parts: each cause as the lock curves it would give."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from pydantic import ValidationError

from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import Setup

GRID = 61
SOFTEST, STIFFEST = 0.02, 4.0  # preload over the file's, from springs gone flat to another spring altogether
FRICTION = 3.0  # plates of another treatment or worn ones: a third to three times the file's coefficient
HOLD_NM = 200.0  # locking torque that ring springs can take away; more would be no ramp differential
SAME_SHARE = 0.03  # curves nearer than this cannot be two explanations


@dataclass(frozen=True)
class Cause:
    """A cause with the curves it would give over the values of its free figure, all values equally likely beforehand.

    Attributes
    ----------
    values : (k,) of the free figure; of length 1 where the cause has none.
    unit : `of_the_file`, `Nm`, or None where the cause has no free figure.
    """

    kind: str
    values: np.ndarray
    curves: tuple[PredictedLockCurve, ...]
    unit: str | None = None


def possible_causes(predicted: PredictedLockCurve, setup: Setup | None) -> tuple[Cause, ...]:
    """The file as it is first, then every cause that would change the curve of a plate differential.

    Notes
    -----
    Free figures have flat priors: factors in the logarithm (as likely halved as doubled), a preload gone soft and the
    hold-off in their own unit. With G the locking torque that the ring springs take away (their force times the
    plates' lever): M = M_0 + max(0, slope |T| - G - lambda M_0) on both sides, lambda by where the preload springs sit
    (`differential.clamp`), so with springs outside the packs another preload also moves where the ramps take over.
    """
    return (_only("as_the_file_says", predicted), *_changes(predicted, setup))


def _changes(predicted: PredictedLockCurve, setup: Setup | None) -> Iterator[Cause]:
    drive, coast = predicted.drive_slope or 0.0, predicted.coast_slope or 0.0
    if slopes_differ(predicted):
        yield _only("ramps_exchanged", exchanged(predicted))
    if predicted.preload_Nm:
        soft = np.linspace(SOFTEST, 1.0, GRID)
        yield Cause("preload_soft", soft, tuple(predicted.moved(preload=f) for f in soft), "of_the_file")
        up = np.geomspace(1.0, STIFFEST, GRID)
        yield Cause("preload_up", up, tuple(predicted.moved(preload=f) for f in up), "of_the_file")
    if drive or coast:
        lost = np.linspace(0.0, max(HOLD_NM, 2 * _lost_to_rings_Nm(predicted)), GRID)
        yield Cause("ring_springs", lost, tuple(_with_lost(predicted, g) for g in lost), "Nm")
    if predicted.preload_Nm or drive or coast:
        factors = np.geomspace(1 / FRICTION, FRICTION, GRID)
        yield Cause("friction", factors, tuple(predicted.moved(preload=f, slopes=f) for f in factors), "of_the_file")
    other = _other_reference(setup)
    if other is not None and not _alike(other, predicted):
        yield _only("other_angle_reference", other)
    if len(predicted.series_shares) == 1 and predicted.preload_Nm and (drive or coast):
        # of a file that leaves it open, either position is within the file
        yield _only("other_spring_position", predicted.placed(1.0 - predicted.series_share))


def _only(kind: str, curve: PredictedLockCurve) -> Cause:
    return Cause(kind, np.ones(1), (curve,))


def slopes_differ(curve: PredictedLockCurve) -> bool:
    """Whether drive and coast lock unlike enough for an exchange to show."""
    drive, coast = curve.drive_slope or 0.0, curve.coast_slope or 0.0
    return abs(drive - coast) > SAME_SHARE * max(drive, coast)


def exchanged(curve: PredictedLockCurve) -> PredictedLockCurve:
    """The curve with the rings in the other way round."""
    return replace(
        curve,
        drive_slope=curve.coast_slope,
        drive_ring_hold_Nm=curve.coast_ring_hold_Nm,
        coast_slope=curve.drive_slope,
        coast_ring_hold_Nm=curve.drive_ring_hold_Nm,
        spread=replace(curve.spread, drive_thrust=curve.spread.coast_thrust, coast_thrust=curve.spread.drive_thrust),
    )


def _lost_to_rings_Nm(curve: PredictedLockCurve) -> float:
    return max(
        (curve.drive_slope or 0) * (curve.drive_ring_hold_Nm or 0),
        (curve.coast_slope or 0) * (curve.coast_ring_hold_Nm or 0),
    )


def _with_lost(curve: PredictedLockCurve, lost_Nm: float) -> PredictedLockCurve:
    return replace(
        curve,
        drive_ring_hold_Nm=lost_Nm / curve.drive_slope if curve.drive_slope else None,
        coast_ring_hold_Nm=lost_Nm / curve.coast_slope if curve.coast_slope else None,
    )


def _other_reference(setup: Setup | None) -> PredictedLockCurve | None:
    """The curve with the ramp angles read in the other convention; None where they cannot be."""
    if setup is None or setup.ramp_angle_reference is None:
        return None
    other = "shaft_axis" if setup.ramp_angle_reference == "ring_face" else "ring_face"
    try:
        read = Setup.model_validate(setup.model_dump(exclude_unset=True) | {"ramp_angle_reference": other})
    except ValidationError:  # such a ramp would lock itself: no one fits it
        return None
    return predict_lock_curve(read)


def _alike(a: PredictedLockCurve, b: PredictedLockCurve) -> bool:
    return all(
        math.isclose(x or 0.0, y or 0.0, rel_tol=SAME_SHARE, abs_tol=1e-9)
        for x, y in ((a.drive_slope, b.drive_slope), (a.coast_slope, b.coast_slope))
    )
