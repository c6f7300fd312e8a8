"""Rows of two tables: corner phases as medians over laps, and what the fit found besides the lock curve."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from analyzer.analysis import Analysis, PhaseResult
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


# name in the fit -> (words, unit, how it is shown). "figure": e to the fitted number. "change": per cent that the fit
# moved the car file's or the sensor's figure. A number: the fitted number times it. Decimals follow the deviation.
SHOWN: dict[str, tuple[str, str, str | float]] = {
    "log_slip_stiffness": ("tyre: longitudinal stiffness over load", "", "figure"),
    "log_cornering_ratio": ("tyre: cornering over longitudinal stiffness", "", "figure"),
    "log_friction": ("tyre: peak friction at static load", "", "figure"),
    "log_friction_ratio": ("tyre: friction across over along", "", "figure"),
    "friction_fall": ("tyre: friction lost when the load doubles", "%", 100.0),
    "stiffness_fall": ("tyre: stiffness lost when the load doubles", "%", 100.0),
    "shape": ("tyre: shape of the force curve (1: no fall past the peak)", "", 1.0),
    "combined_weight": ("tyre: weight of combined slip (1: full similarity)", "", 1.0),
    "radius_fall": ("rolling radius lost for each mean wheel load more (a quarter of the weight)", "%", 100.0),
    "radius_bend": ("how much of that is lost on a light wheel rather than evenly", "%", 100.0),
    "rear_front_scale": ("rear against front wheel speeds", "%", "change"),
    "rear_front_growth": ("the same, more at 40 m/s", "%", "change"),
    "rear_left_right_scale": ("left against right rear wheel speed, beyond the straights", "%", "change"),
    "front_left_right_scale": ("left against right front wheel speed, beyond the straights", "%", "change"),
    "yaw_bias": ("offset of the yaw rate, beyond the straights", "deg/s", float(np.degrees(1.0))),
    "log_yaw_scale": ("scale of the yaw rate", "%", "change"),
    "log_speed_scale": ("ground speed against wheel speeds", "%", "change"),
    "log_front_track": ("front track against rear track", "%", "change"),
    "sensor_x_m": ("accelerometer ahead of the centre of gravity", "m", 1.0),
    "sensor_y_m": ("accelerometer to the left of the centre of gravity", "m", 1.0),
    "sensor_turned": ("accelerometer turned in its mounting", "deg", float(np.degrees(1.0))),
    "lat_gain": ("lateral acceleration reads too much, by lean and scale", "%", 100.0),
    "change_gain": ("change of speed reads too much, by clock and wheel scale", "%", 100.0),
    "long_gain": ("longitudinal acceleration reads too much, by pitch and scale", "%", 100.0),
    "long_bias": ("offset of the longitudinal acceleration", "m/s2", 1.0),
    "lat_bias": ("offset of the lateral acceleration", "m/s2", 1.0),
    "steer_offset": ("steer when straight, at the road wheel", "deg", float(np.degrees(1.0))),
    "log_mass": ("mass, against the car file", "%", "change"),
    "log_cg_height": ("height of the centre of gravity, against the car file", "%", "change"),
    "log_load_transfer": ("rear's share of the load transfer, against the car file", "%", "change"),
    "log_drag": ("drag, against the car file", "%", "change"),
    "log_downforce": ("downforce, against the car file", "%", "change"),
    "log_wheel_inertia": ("wheel inertia, against the car file", "%", "change"),
    "log_rolling_resistance": ("rolling resistance, against the car file", "%", "change"),
}


def fitted_rows(analysis: Analysis) -> list[tuple[str, str, str, str]]:
    """(words, value, standard deviation, unit) of what the fit moved besides the lock curve."""
    return [_row(name, *fitted) for name, fitted in analysis.tyre.items()]


def _row(name: str, value: float, deviation: float) -> tuple[str, str, str, str]:
    words, unit, how = SHOWN.get(name, (name.replace("_", " "), "", 1.0))
    if how == "figure":
        value, deviation = float(np.exp(value)), float(np.exp(value)) * deviation
    elif how == "change":
        value, deviation = 100 * float(np.expm1(value)), 100 * deviation
    else:
        value, deviation = value * float(how), deviation * float(how)
    digits = 0 if deviation >= 3 else 1 if deviation >= 0.3 else 2 if deviation >= 0.03 else 3
    return words, _plain(f"{value:{'+' if how == 'change' else ''}.{digits}f}"), f"{deviation:.{digits}f}", unit


def _plain(text: str) -> str:
    """`text` without the sign of a zero."""
    return text.lstrip("+-") if float(text) == 0 else text
