"""Phases of a corner over laps: one row per corner and phase, medians of the laps."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.analysis import PhaseResult
from analyzer.phases.segments import PHASES

COLUMNS = (
    "inside_slip",
    "outside_slip",
    "kinematic_lock",
    "input_torque_Nm",
    "transfer_torque_Nm",
    "transfer_torque_sd_Nm",
    "predicted_locking_torque_Nm",
    "locked_fraction",
)


@dataclass(frozen=True)
class CornerRow:
    """Medians over laps; None where no lap has a value. `laps` counts the passes."""

    corner: int
    direction: str
    phase: str
    laps: int
    inside_slip: float | None
    outside_slip: float | None
    kinematic_lock: float | None
    input_torque_Nm: float | None
    transfer_torque_Nm: float | None
    transfer_torque_sd_Nm: float | None
    predicted_locking_torque_Nm: float | None
    locked_fraction: float | None


def corner_rows(results: tuple[PhaseResult, ...]) -> tuple[CornerRow, ...]:
    """Rows in the order of the track."""
    groups: dict[tuple[int, str, str], list[PhaseResult]] = {}
    for result in results:
        groups.setdefault((result.corner, result.direction, result.phase), []).append(result)
    ordered = sorted(groups, key=lambda key: (key[0], key[1], PHASES.index(key[2])))
    rows = []
    for key in ordered:
        means: dict[str, Any] = {c: _median([getattr(r, c) for r in groups[key]]) for c in COLUMNS}
        rows.append(CornerRow(*key, len(groups[key]), **means))
    return tuple(rows)


def _median(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None and np.isfinite(v)]
    return float(np.median(known)) if known else None
