"""Rows of tables: corner phases as medians over laps, what the fit found besides the lock curve, and what a finding
rests on, each figure with its name, unit and sensible digits.
"""

import math
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from analyzer.analysis import Analysis, PhaseResult
from analyzer.findings.evidence import OpenBecause
from analyzer.findings.finding import Finding
from analyzer.findings.lock_trend import TEN_MINUTES_S
from analyzer.in_words import number, signed
from analyzer.phases.phases import PHASES
from analyzer.presentation.agreement_words import EXPLANATION_NAMES
from analyzer.presentation.finding_words import CAUSE_WORDS
from analyzer.presentation.words import PHASE_NAMES, needed_figure

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
    "cross_weight": ("weight on front right and rear left, over a half", "%", 100.0),
    "log_drag": ("drag, against the car file", "%", "change"),
    "log_downforce": ("downforce, against the car file", "%", "change"),
    "log_wheel_inertia": ("wheel inertia, against the car file", "%", "change"),
    "log_rolling_resistance": ("rolling resistance, against the car file", "%", "change"),
    "log_static_ratio": ("friction of sticking plates over slipping ones", "%", "change"),
}
# key -> (words with the unit, factor from the evidence's unit, decimals)
FIGURES: dict[str, tuple[str, float, int]] = {
    "asked_force_N": ("force that the throttle asked for, N", 1.0, -2),
    "asked_share": ("asked for, % of what both rear tyres could take", 100.0, 0),
    "asked_share_lower": ("at least, %", 100.0, 0),
    "asked_share_upper": ("at most, %", 100.0, 0),
    "background_rad_s": ("the logger's own noise, rad/s", 1.0, 2),
    "band_high_Hz": ("looked for up to, Hz", 1.0, 0),
    "band_low_Hz": ("looked for from, Hz", 1.0, 0),
    "chance_of_equal_sides": ("chance of such a difference between equal sides, %", 100.0, 1),
    "duration_s": ("duration, s", 1.0, 2),
    "engine_error_share": ("of the doubt in what was asked for, the engine's inertia, %", 100.0, 0),
    "energy_J": ("energy that the slide cost, kJ", 1e-3, 1),
    "explained_steer_deg": ("steering wheel that the differential accounts for, deg", 1.0, 1),
    "explained_steer_sd_deg": ("its standard deviation, deg", 1.0, 1),
    "extra_road_wheel_deg": ("the same at the road wheel, deg", 1.0, 2),
    "extra_steer_deg": ("steering wheel beyond the car's own balance, deg", 1.0, 1),
    "frequency_Hz": ("frequency, Hz", 1.0, 0),
    "front_side_force_share": ("share of the front tyres' side force, %", 100.0, 1),
    "held_by_file_N": ("force that it would hold with the setup file's lock, N", 1.0, -2),
    "held_force_N": ("force that the axle holds as it is, N", 1.0, -2),
    "input_torque_Nm": ("input torque, N.m", 1.0, 0),
    "left_passes": ("passes of left corners", 1.0, 0),
    "less_throttle": ("less throttle that would have held, %", 100.0, 0),
    "lock_Nm": ("locking torque there, N.m", 1.0, -1),
    "needed_lock_Nm": ("locking torque that would have held, N.m", 1.0, -1),
    "level_Nm": ("locking torque in the mean, N.m", 1.0, 0),
    "locked_axle_force_N": ("force that the axle could have put down locked, N", 1.0, -2),
    "locked_fraction": ("locked, % of the time", 100.0, 0),
    "lost_force_N": ("force that it cost, N", 1.0, -2),
    "lost_m": ("distance that it cost by the next braking point, m", 1.0, 1),
    "lost_s": ("time that it cost by the next braking point, s", 1.0, 2),
    "outside_slip": ("slip of the outside rear, %", 100.0, 1),
    "outside_use": ("outside rear: slip over that at peak force", 1.0, 2),
    "packs_slipping_fraction": ("plates slipping, % of the time", 100.0, 0),
    "passes": ("passes of the corner", 1.0, 0),
    "passes_with_understeer": ("passes in which it happened", 1.0, 0),
    "passes_with_spin": ("of them with a spin", 1.0, 0),
    "peak_slip": ("largest slip, %", 100.0, 0),
    "peak_slip_of_tyre": ("slip at the tyre's peak force, %", 100.0, 1),
    "probability_car": ("chance that it was the differential, %", 100.0, 0),
    "peak_use": ("largest slip over that at peak force", 1.0, 1),
    "right_passes": ("passes of right corners", 1.0, 0),
    "rise_s": ("within, s", 1.0, 2),
    "rms_rad_s": ("tremble of the rear wheels against each other, rad/s", 1.0, 2),
    "sliding_distance_m": ("slid over, m", 1.0, 1),
    "slip_difference_sd": ("its standard deviation, %", 100.0, 1),
    "span_s": ("time over which the plates were seen slipping, s", 1.0, 0),
    "speed_m_s": ("ground speed, km/h", 3.6, 0),
    "steady_scatter_deg": ("scatter of the balance in steady corners, deg at the steering wheel", 1.0, 1),
    "throttle": ("throttle, %", 100.0, 0),
    "times_background": ("tremble over the logger's noise", 1.0, 1),
    "times_better_than_file": ("times better than the setup file as it is", 1.0, 0),
    "understeer_gradient_deg_per_g": ("the car's understeer gradient, deg per g at the road wheel", 1.0, 2),
    "yaw_acceleration_change_rad_s2": ("change of yaw acceleration that goes with it, rad/s2", 1.0, 2),
    "yaw_moment_Nm": ("yaw moment against the turn, N.m", 1.0, 0),
    "yaw_moment_change_Nm": ("rise of the yaw moment against the turn, N.m", 1.0, 0),
    "yaw_moment_sd_Nm": ("its standard deviation, N.m", 1.0, 0),
    "yaw_rate_deg_s": ("fastest turning, deg/s", 1.0, 0),
}
SIGNED: dict[str, tuple[str, float, int]] = {
    "change_over_run": ("change over the run, %", 100.0, 0),
    "change_per_10_min": ("change per 10 minutes, %", 100.0, 0),
    "left_minus_right_Nm": ("locking torque in left less in right corners, N.m", 1.0, 0),
    "lower_over_run": ("at least, over the run, %", 100.0, 0),
    "lower_per_10_min": ("at least, per 10 minutes, %", 100.0, 0),
    "slip_difference": ("inside less outside slip, %", 100.0, 1),
    "transfer_torque_Nm": ("transfer torque, N.m (positive against the turn)", 1.0, 0),
    "transfer_torque_after_Nm": ("transfer torque after, N.m (positive against the turn)", 1.0, 0),
    "transfer_torque_before_Nm": ("transfer torque before, N.m (positive against the turn)", 1.0, 0),
    "upper_over_run": ("at most, over the run, %", 100.0, 0),
    "upper_per_10_min": ("at most, per 10 minutes, %", 100.0, 0),
}
SAID: dict[str, tuple[str, dict[Any, str]]] = {
    "fits": ("it fits within what log and file are sure of", {True: "yes", False: "no"}),
    "foot_or_car": ("throttle or differential", CAUSE_WORDS),
    "laps": ("in laps", {}),
    "open_because": (
        "why it is not clear",
        {
            OpenBecause.NEAR: "asked for about what both tyres could take",
            OpenBecause.ENGINE: "the engine's inertia is not known well enough",
            OpenBecause.STOPPED: "the car stopped right after it",
            OpenBecause.BRAKED: "the brakes were on at the same time",
            OpenBecause.SLIP_UNKNOWN: "the log doesn't say how the tyres shared the drive",
            OpenBecause.NOT_REPLAYED: "the log is too short or too poor there",
        },
    ),
    "of_the_differential": ("the differential's", {True: "yes", False: "no"}),
    "phase": ("phase of the corner", PHASE_NAMES),
    "stopped": ("came to a stop", {True: "yes", False: "no"}),
    "stopped_after": ("the car stopped right after it", {True: "yes", False: "no"}),
    "verdict": ("the lock", {"fading": "fades", "rising": "grows"}),
    "wheel": ("wheel", {"left": "left rear", "right": "right rear"}),
    "yaw_against_side_force": ("the car was swinging back from a slide", {True: "yes", False: "no"}),
}


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
    # of a few laps, where numpy's takes longer to begin than to find it
    known = sorted(v for v in values if v is not None and math.isfinite(v))
    return (known[(len(known) - 1) // 2] + known[len(known) // 2]) / 2 if known else None


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


def evidence_rows(finding: Finding) -> list[tuple[str, str]]:
    """(what, how much) of a finding, beginning with when it was."""
    evidence = {key: value for key, value in asdict(finding.evidence).items() if value is not None}
    if not finding.differential_is_seen:
        evidence["passes_with_understeer"] = evidence.pop("passes")
    evidence = {key: value for key, value in evidence.items() if value != ""}
    rows = [("log time, s", f"{number(finding.start_s, 2)} to {number(finding.end_s, 2)}")]
    if finding.distance_m is not None:
        rows.append(("distance along the log, m", number(finding.distance_m, 0)))
    if finding.kind == "setup_contradicted":
        needed = needed_figure(*(evidence.pop(key, None) for key in ("value", "lower", "upper", "unit")))
        rows.append(("figure it needs", needed or "–"))
    if evidence.get("span_s", TEN_MINUTES_S) < TEN_MINUTES_S:  # of a shorter run nobody has seen ten minutes
        evidence = {key: value for key, value in evidence.items() if not key.endswith("_per_10_min")}
    return rows + [_evidence_row(key, value) for key, value in evidence.items()]


def _evidence_row(key: str, value: Any) -> tuple[str, str]:
    if key == "explanations":
        return "explained by", ", ".join(EXPLANATION_NAMES[kind] for kind in value)
    if key in SAID:
        label, words = SAID[key]
        return label, "–" if value is None else words.get(value, str(value))
    label, factor, digits = FIGURES.get(key) or SIGNED.get(key) or (key.replace("_", " "), 1.0, 2)
    if not isinstance(value, int | float):
        return label, "–" if value is None else str(value)
    return label, (signed if key in SIGNED else number)(factor * value, digits)
