"""What may be fitted instead of what the setup file says, each as the lock curves it would give: causes with a
figure left free, and builds with a predicted curve of their own.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from pydantic import ValidationError

from analyzer.arrays import FloatArray
from analyzer.differential.predicted import PredictedLockCurve, predict_lock_curve
from analyzer.differential.setup import SMALLEST_FACE_ANGLE_DEG, Setup

GRID = 61
SOFTEST, STIFFEST = 0.02, 4.0  # preload over the file's, from springs gone flat to another spring altogether
FRICTION = 3.0  # plates of another treatment or worn ones: a third to three times the file's coefficient
HOLD_NM = 200.0  # locking torque that ring springs can take away; more would be no ramp differential
SAME_SHARE = 0.03  # curves nearer than this cannot be two explanations
AS_THE_FILE_SAYS = "as_the_file_says"
# Ramps are cut in steps of 5 degrees, cone springs come a quarter apart (common practice, no source)
RAMP_STEP_DEG = 5.0
PRELOAD_STEP = 1.25
# Springs that lie flat still press a little; worn plates let them out to about half of their force; glazed or treated
# plates rub with about 0.6 of what fresh ones do (common practice, no source). Deviations in the logarithm.
GONE, GONE_SD = 0.1, 0.5
WORN, WORN_SD = 0.5, 0.25
GLAZED, GLAZED_SD = 0.6, 0.2


@dataclass(frozen=True)
class Cause:
    """A cause with the curves it would give over the values of its free figure, all values equally likely beforehand.

    Attributes
    ----------
    values : (k,) of the free figure; of length 1 where the cause has none.
    unit : `of_the_file`, `Nm`, or None where the cause has no free figure.
    """

    kind: str
    values: FloatArray
    curves: tuple[PredictedLockCurve, ...]
    unit: str | None = None


def possible_causes(predicted: PredictedLockCurve, setup: Setup | None) -> tuple[Cause, ...]:
    """The file as it is first, then every cause that would change the curve of a plate differential.

    Parameters
    ----------
    predicted : of a plate differential, from the setup file as it is.
    setup : the file, to read its ramp angles the other way; None leaves that cause out.

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
    """Whether drive and coast lock unlike enough for an exchange to show: by more than `SAME_SHARE` of the larger
    slope.
    """
    drive, coast = curve.drive_slope or 0.0, curve.coast_slope or 0.0
    return abs(drive - coast) > SAME_SHARE * max(drive, coast)


def exchanged(curve: PredictedLockCurve) -> PredictedLockCurve:
    """The curve with the rings in the other way round: slopes, ring hold-offs and their deviations change sides."""
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


@dataclass(frozen=True)
class Alternative:
    """One thing that may be in the car, with the lock curve it would have."""

    kind: str
    curve: PredictedLockCurve


def alternatives(predicted: PredictedLockCurve, setup: Setup) -> tuple[Alternative, ...]:
    """The file as it is first, then what else might be fitted in its place; only the file where nothing might.

    Parameters
    ----------
    predicted : from the setup file as it is; an open differential and a spool have no alternatives.
    setup : the file, for its ramp angles and whether the preload is the bench's.
    """
    return (Alternative(AS_THE_FILE_SAYS, predicted), *_others(predicted, setup))


def _others(predicted: PredictedLockCurve, setup: Setup) -> Iterator[Alternative]:
    if predicted.kind != "plate":
        return
    if slopes_differ(predicted):
        yield Alternative("ramps_exchanged", exchanged(predicted))
    if predicted.preload_Nm:
        yield Alternative("preload_gone", _less_preload(predicted, GONE, GONE_SD))
        yield Alternative("plates_worn", _less_preload(predicted, WORN, WORN_SD))
    if predicted.preload_Nm or predicted.drive_slope or predicted.coast_slope:
        yield Alternative("plates_glazed", _less_friction(predicted, by_bench=setup.breakaway is not None))
    if predicted.drive_ring_hold_Nm or predicted.coast_ring_hold_Nm:
        yield Alternative("ring_springs_left_out", predicted.moved(holds=0.0))
    for kind, step in (("ramps_steeper", -RAMP_STEP_DEG), ("ramps_flatter", RAMP_STEP_DEG)):
        drive, coast = (_thrust_ratio(setup, side, step) for side in ("drive", "coast"))
        if drive is not None and coast is not None and (drive, coast) != (1.0, 1.0):
            yield Alternative(kind, predicted.moved(drive_thrust=drive, coast_thrust=coast))
    if predicted.preload_Nm:
        yield Alternative("preload_step_up", predicted.moved(preload=PRELOAD_STEP))
        yield Alternative("preload_step_down", predicted.moved(preload=1 / PRELOAD_STEP))


def _less_preload(curve: PredictedLockCurve, factor: float, sd: float) -> PredictedLockCurve:
    source = math.hypot(curve.spread.preload_source, sd)
    return replace(curve.moved(preload=factor), spread=replace(curve.spread, preload_source=source))


def _less_friction(curve: PredictedLockCurve, *, by_bench: bool) -> PredictedLockCurve:
    """With glazed plates; a bench reading has their friction in it already."""
    spread = replace(curve.spread, slope_friction=math.hypot(curve.spread.slope_friction, GLAZED_SD))
    if by_bench:
        return replace(curve.moved(slopes=GLAZED), spread=spread)
    spread = replace(spread, preload_friction=math.hypot(spread.preload_friction, GLAZED_SD))
    return replace(curve.moved(preload=GLAZED, slopes=GLAZED), spread=spread)


def _thrust_ratio(setup: Setup, side: str, step_deg: float) -> float | None:
    """Ramp thrust over the file's with the ramp of a side `step_deg` flatter; 1 of a flat ramp, None where there is no
    such ramp or the file does not state angles."""
    if setup.drive_ramp_angle_deg is None:
        return None
    angle = setup.parts.drive_ramp_angle_rad if side == "drive" else setup.parts.coast_ramp_angle_rad
    changed = angle + math.radians(step_deg)
    if math.cos(angle) < 1e-9:
        return 1.0
    if not math.radians(SMALLEST_FACE_ANGLE_DEG) <= changed < math.pi / 2:
        return None
    return math.tan(angle) / math.tan(changed)
