"""The corner table: per corner and phase what the rear axle did."""

from analyzer.analysis import Analysis
from analyzer.in_words import number
from analyzer.presentation.result_tables import CornerRow, corner_rows
from analyzer.presentation.words import PHASE_NAMES

NORMAL_95 = 1.96
HEADINGS = [
    "corner",
    "phase",
    "inside slip, %",
    "outside slip, %",
    "kinematic lock",
    "input, N.m",
    "transfer, N.m",
    "95 % interval",
    "parts predict, N.m",
    "locked, %",
    "",
]
READ = (
    "Kinematic lock: 0 rolls free, 1 turns as one. Transfer torque: positive resists the turn, negative turns the "
    "car in. 'Parts predict' is the torque up to which the axle should stay locked. A dash means not clear from this "
    "log."
)


def corner_table(analysis: Analysis, lap: int | None) -> dict:
    """Medians over laps (`lap` None) or one lap, as `assets/lists.js` draws them."""
    results = analysis.phase_results if lap is None else tuple(r for r in analysis.phase_results if r.lap == lap)
    rows = [
        {"cells": _cells(r), "moment": _moment(analysis, r.corner, lap), "label": _label(r)}
        for r in corner_rows(results)
    ]
    return {"headings": HEADINGS, "rows": rows, "words": 2}


def _moment(analysis: Analysis, number: int, lap: int | None) -> float | None:
    """Log time (s) of the apex of the first pass that the row is about."""
    passes = (c for c in analysis.corners if c.number == number and lap in (None, c.lap) and c.lap > 0)
    first = next(passes, None)
    return None if first is None else float(analysis.signals.time_s[first.apex])


def _label(r: CornerRow) -> str:
    return f"show corner {r.corner}, {PHASE_NAMES[r.phase]}"


def _cells(r: CornerRow) -> list[str]:
    return [
        f"{r.corner} {r.direction}",
        PHASE_NAMES[r.phase],
        number(_times(r.inside_slip, 100), 1),
        number(_times(r.outside_slip, 100), 1),
        number(r.kinematic_lock, 2),
        number(r.input_torque_Nm),
        number(r.transfer_torque_Nm),
        _interval(r),
        number(r.predicted_locking_torque_Nm),
        number(_times(r.locked_fraction, 100)),
    ]


def _interval(r: CornerRow) -> str:
    if r.transfer_torque_Nm is None or r.transfer_torque_sd_Nm is None:
        return "–"
    half = NORMAL_95 * r.transfer_torque_sd_Nm
    return f"{number(r.transfer_torque_Nm - half)} to {number(r.transfer_torque_Nm + half)}"


def _times(value: float | None, factor: float) -> float | None:
    return None if value is None else factor * value
