"""The JSON of `compare`, by the contract; what does not exist is None."""

from typing import Any

from analyzer.analysis import Analysis
from analyzer.comparison.compare import Comparison
from analyzer.lockcurve.estimate import Interval
from analyzer.report.result_json import to_result


def comparison_result(comparison: Comparison) -> dict[str, Any]:
    """Schema 1 of the comparison."""
    return {
        "schema": 1,
        "before": _runs(comparison.before),
        "after": _runs(comparison.after),
        "change": {name: _triple(i) for name, i in comparison.change.items()},
        "predicted_change": comparison.predicted_change,
        "verdict": {side: c.verdict for side, c in comparison.sides.items()},
        "sides": {
            side: {"change_Nm": _triple(c.change_Nm), "predicted_change_Nm": c.expected_Nm, "sentence": c.sentence}
            for side, c in comparison.sides.items()
        },
        "locking_torque_change": [
            {"input_torque_Nm": float(t), "change_Nm": float(v), "lower_Nm": float(a), "upper_Nm": float(b)}
            for t, (v, a, b) in zip(comparison.torque_Nm, comparison.locking_change_Nm.T, strict=True)
        ],
        "warnings": list(comparison.warnings),
    }


def _runs(runs: tuple[Analysis, ...]) -> dict[str, Any]:
    return {"logs": [r.recording.name for r in runs], "lock_curve": to_result(runs[0])["lock_curve"]}


def _triple(interval: Interval) -> dict[str, float | None]:
    return {"value": interval.value, "lower": interval.lower, "upper": interval.upper}
