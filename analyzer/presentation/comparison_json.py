"""The JSON of `compare`, by the contract; what does not exist is None, with a `reason` beside it where there is one.

schema                 1
before, after          {logs, lock_curve (as in `analyze`, from the joint
                       fit, with `points`), runs: list of {log, laps (null: all)}}
change                 preload_Nm, drive_slope, drive_hold_Nm, coast_slope: {value, lower, upper, reason}, after
                       minus before
predicted_change       the same four, from the setup files, or null
verdict                preload, drive, coast: as_predicted | stronger | weaker | no_change | cannot_tell
answer                 the two sentences that the terminal begins with
sides                  preload, drive, coast: {verdict, change_Nm {value, lower, upper, reason}, before_Nm,
                       predicted_change_Nm, margin_Nm (a change smaller than this does not matter), sentence,
                       input_torque_Nm {from, to}}
locking_torque_change  change of locking torque at matched input torque, list of {input_torque_Nm, change_Nm,
                       lower_Nm, upper_Nm, predicted_change_Nm}
phase_changes          list of {phase, corner (null: all matched corners), direction, passes_before, passes_after,
                       speed_ratio, throttle_change, kinematic_lock, transfer_torque_Nm, inside_slip: {value, lower,
                       upper, reason}}, at matched speed and throttle
events                 list of {kind, count_before, count_after, laps_before, laps_after, rate_ratio {value, lower,
                       upper, reason}, verdict: more | fewer | none | cannot_tell}
conditions             {hold_off_tie_sd_Nm ([drive, coast]; null: left free), one_tyre}: what was taken as common
warnings               list of sentences
"""

import dataclasses
from typing import Any

import numpy as np

from analyzer.comparison.comparison import Comparison
from analyzer.comparison.sides import SideChange
from analyzer.presentation.comparison_words import answer
from analyzer.presentation.result_json import lock_curve, plain


def comparison_result(comparison: Comparison) -> dict[str, Any]:
    """Schema 1 of the comparison."""
    change = comparison.expected_locking_change_Nm
    expected = [None] * len(comparison.torque_Nm) if change is None else change
    return plain(
        {
            "schema": 1,
            "before": _side(comparison, 0),
            "after": _side(comparison, 1),
            "change": {name: dataclasses.asdict(i) for name, i in comparison.change.items()},
            "predicted_change": comparison.predicted_change,
            "verdict": {side: c.verdict for side, c in comparison.sides.items()},
            "answer": list(answer(comparison)),
            "sides": {side: _side_change(c) for side, c in comparison.sides.items()},
            "locking_torque_change": [
                {"input_torque_Nm": t, "change_Nm": v, "lower_Nm": a, "upper_Nm": b, "predicted_change_Nm": e}
                for t, (v, a, b), e in zip(comparison.torque_Nm, comparison.locking_change_Nm.T, expected, strict=True)
            ],
            "phase_changes": [dataclasses.asdict(p) for p in comparison.phases],
            "events": [dataclasses.asdict(e) for e in comparison.events],
            "conditions": {"hold_off_tie_sd_Nm": comparison.joint.tie_sd_Nm, "one_tyre": comparison.one_tyre},
            "warnings": list(comparison.warnings),
        }
    )


def _side(comparison: Comparison, side: int) -> dict[str, Any]:
    runs = comparison.of_side(side)
    return {
        "logs": [r.analysis.recording.name for r in runs],
        "runs": [{"log": r.analysis.recording.name, "laps": r.laps} for r in runs],
        "lock_curve": lock_curve(comparison.curves[side]),
    }


def _side_change(change: SideChange) -> dict[str, Any]:
    torque = change.torque_Nm
    return {
        "verdict": change.verdict,
        "change_Nm": dataclasses.asdict(change.change_Nm),
        "before_Nm": change.before_Nm,
        "predicted_change_Nm": change.expected_Nm,
        "margin_Nm": change.margin_Nm,
        "sentence": change.sentence,
        "input_torque_Nm": {"from": np.min(torque, initial=0.0), "to": np.max(torque, initial=0.0)},
    }
