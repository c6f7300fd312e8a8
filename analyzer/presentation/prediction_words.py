"""The predicted lock curve as plain numbers, for JSON and tables, and what to note of it in words. What does not exist
is None with a reason."""

import math
from typing import Any

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.differential.clamp import locking_value, torque_bias_ratio
from analyzer.differential.notes import (
    BenchOfStartingPlates,
    BenchStateOpen,
    CoastLocksHarder,
    KeptSentence,
    LockPercentages,
    MoreShim,
    NeverSlips,
    Note,
    PinFriction,
    PositionOpen,
    PreloadsDiffer,
    SelfLocking,
    ShimsLeftOut,
    SpringsOnTheSameRings,
)
from analyzer.differential.predicted import PredictedLockCurve, ways

# of parts: the same whatever the figures
PLAIN_NOTES: dict[type[Note], str] = {
    NeverSlips: "A spool never slips: the wheels turn as one and the tyres decide the torque split.",
    LockPercentages: "Lock percentages are taken as the ramps' share.",
    BenchStateOpen: "The setup file does not say whether the bench reading is of starting or turning plates, so its "
    "interval is wide. Add state to [differential.breakaway].",
    ShimsLeftOut: "The preload is the bench reading, so shims and wear do not enter: measure again after a change.",
    CoastLocksHarder: "The coast ramp locks harder than the drive ramp: check that the rings are not in the wrong way "
    "round.",
    SpringsOnTheSameRings: "Springs between the rings: if the preload springs push on the same rings that the ring "
    "springs pull together, give the difference as the preload springs' force and leave the ring springs out.",
    SelfLocking: "With this pin friction the ramp would not let go again (self-locking).",
}
COAST_SHARE = 0.3  # coast side of the grid over its drive side, as in the contract
POINTS = 53


def input_torque_grid_Nm(curve: PredictedLockCurve, *, largest_Nm: float) -> FloatArray:
    """(n,) input torques from -0.3 to +1 of `largest_Nm` (N.m), rising, with zero and the hold-offs among them.

    Parameters
    ----------
    largest_Nm : end of the drive side, above 0.
    """
    low = -COAST_SHARE * largest_Nm
    kinks = [0.0, curve.drive_hold_Nm or 0.0, -(curve.coast_hold_Nm or 0.0)]
    # rounded, so that a kink that falls on the even grid is not there twice
    grid = np.round(np.concatenate([np.linspace(low, largest_Nm, POINTS), kinks]), 6)
    return np.unique(grid[(grid >= low) & (grid <= largest_Nm)]) + 0.0  # -0.0 becomes 0.0


def lock_curve_result(curve: PredictedLockCurve, *, input_torque_Nm: FloatArray) -> dict[str, Any]:
    """`predicted_lock_curve` of the results: parameters with 95 % intervals, and points.

    Parameters
    ----------
    input_torque_Nm : (n,) torques of the points (N.m, at the wheels, drive positive).
    """
    result: dict[str, Any] = {
        "kind": curve.kind,
        "ways": ways(curve),
        "cone_spring_position": curve.spring_position,
        "preload_Nm": _interval(curve, "preload_Nm"),
        "drive_slope": _interval(curve, "drive_slope"),
        "drive_hold_Nm": _interval(curve, "drive_hold_Nm"),
        "coast_slope": _interval(curve, "coast_slope"),
        "coast_hold_Nm": _interval(curve, "coast_hold_Nm"),
        "points": lock_curve_points(curve, input_torque_Nm=input_torque_Nm),
        "notes": [note_words(note) for note in curve.notes],
    }
    if curve.kind == "spool":
        result["reason"] = "a spool has no lock curve: it never slips, whatever the torque"
    return result


def lock_curve_points(curve: PredictedLockCurve, *, input_torque_Nm: FloatArray) -> list[dict[str, float | None]]:
    """One dict for each input torque: locking torque with its 95 % band (N.m), locking value, torque bias ratio (1).

    Parameters
    ----------
    input_torque_Nm : (n,) at the wheels, drive positive.

    Notes
    -----
    The locking value is None at no input torque; the bias ratio is None there and where it is infinite (S >= 1). Of a
    spool all are None but the input torque.
    """
    locking = curve.locking_torque_Nm(input_torque_Nm)
    lower, upper = curve.band_Nm(input_torque_Nm)
    s = locking_value(locking_torque_Nm=locking, input_torque_Nm=input_torque_Nm)
    columns = {
        "input_torque_Nm": input_torque_Nm,
        "locking_torque_Nm": locking,
        "lower_Nm": lower,
        "upper_Nm": upper,
        "locking_value": s,
        "torque_bias_ratio": torque_bias_ratio(s),
    }
    return [
        {name: _finite(value) for name, value in zip(columns, row, strict=True)}
        for row in zip(*columns.values(), strict=True)
    ]


def _finite(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None


def _interval(curve: PredictedLockCurve, figure: str) -> dict[str, float | None]:
    value = getattr(curve, figure)
    if value is None:
        return {"value": None, "lower": None, "upper": None}
    lower, upper = (value, value) if curve.kind != "plate" else curve.interval_of(figure)
    return {"value": value, "lower": lower, "upper": upper}


def note_words(note: Note) -> str:
    """What a reader must know about a prediction, in one or two sentences."""
    match note:
        case PositionOpen(side, between, outside):
            return (
                "The setup file does not say where the preload springs sit, so the curve runs midway and the interval "
                f"spans both. Between the rings the {side} ramps add to the preload from {between:.0f} N.m of input "
                f"torque; outside the packs they take over from it at {outside:.0f} N.m. Add cone_spring_position."
            )
        case BenchOfStartingPlates(ratio):
            return (
                f"The bench reading is of starting plates; sliding ones hold {ratio:.2f} times less (1.1 to 1.4), and "
                "that is the preload here."
            )
        case PreloadsDiffer(bench, by_springs):
            return (
                f"The bench says {bench:.0f} N.m of preload, the springs {by_springs:.0f}: check the method of the "
                "breakaway test, the friction coefficient and the shims."
            )
        case MoreShim(per_tenth):
            return (
                f"0.1 mm more shim per pack changes the preload by {per_tenth:+.1f} N.m; plate wear does the opposite."
            )
        case PinFriction(coefficient, less, more):
            return (
                f"Pin friction of {coefficient:g} gives up to {100 * less:.0f} % less drive slope while the torque "
                f"rises and up to {100 * more:.0f} % more while it falls; the interval holds both."
            )
        case KeptSentence(text):
            return text
    return PLAIN_NOTES[type(note)]
