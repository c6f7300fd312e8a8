"""What one might have fitted instead of what the setup file says: each a predicted curve of its own."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from analyzer.agreement.causes import exchanged, slopes_differ
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.differential.setup import SMALLEST_FACE_ANGLE_DEG, Setup

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
class Alternative:
    """One thing that may be in the car, with the lock curve it would have."""

    kind: str
    curve: PredictedLockCurve


def alternatives(predicted: PredictedLockCurve, setup: Setup) -> tuple[Alternative, ...]:
    """The file as it is first, then what else might be fitted in its place; only the file where nothing might."""
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
    angle = getattr(setup, f"{side}_ramp_angle_rad")
    changed = angle + math.radians(step_deg)
    if math.cos(angle) < 1e-9:
        return 1.0
    if not math.radians(SMALLEST_FACE_ANGLE_DEG) <= changed < math.pi / 2:
        return None
    return math.tan(angle) / math.tan(changed)
