"""The result of `analyze` as plain data, by `result.schema.json`. What does not exist is None, never NaN."""

import dataclasses
import json
import math
from importlib import resources
from typing import Any

import numpy as np

from analyzer.agreement.verdict import Agreement
from analyzer.analysis import Analysis, PhaseResult
from analyzer.cautions import CAUTIONS
from analyzer.differential.result import lock_curve_result
from analyzer.findings.finding import Finding
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.logs.recording import Annotation

SCHEMA_VERSION = 1
PHASE_KEYS = tuple(f.name for f in dataclasses.fields(PhaseResult) if f.name not in ("lap", "corner", "direction"))


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the result."""
    return json.loads(resources.files("analyzer.report").joinpath("result.schema.json").read_text("utf-8"))


def to_json(analysis: Analysis) -> str:
    """The result as JSON text."""
    return json.dumps(to_result(analysis), indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def to_result(analysis: Analysis) -> dict[str, Any]:
    """The result as plain dicts, lists, strings and finite numbers."""
    signals, recording = analysis.signals, analysis.recording
    torques = np.array([p.input_torque_Nm for p in analysis.lock_curve.points])
    predicted = analysis.predicted
    return plain(
        {
            "schema": SCHEMA_VERSION,
            "log": {
                "file": recording.name,
                "duration_s": recording.time_s[-1] - recording.time_s[0],
                "sample_rate_hz": signals.rate_hz,
                "laps": len(analysis.laps.bounds),
                "lap_method": analysis.laps.method,
                "lap_length_m": analysis.laps.length_m,
                "position_source": signals.position_source,
            },
            "car": {"name": analysis.car.name},
            "quality": [_annotation(a) for a in analysis.quality],
            "calibration": [dataclasses.asdict(step) for step in signals.calibration],
            "tyre": {name: {"value": v, "standard_deviation": sd} for name, (v, sd) in analysis.tyre.items()},
            "corners": _corners(analysis.phase_results),
            "lock_curve": lock_curve(analysis.lock_curve),
            "predicted_lock_curve": None
            if predicted is None
            else lock_curve_result(predicted, input_torque_Nm=torques),
            "agreement": agreement(analysis.agreement),
            "findings": [finding(f) for f in analysis.findings],
            "chatter": None if analysis.chatter is None else dataclasses.asdict(analysis.chatter),
            "trend": None if analysis.trend is None else dataclasses.asdict(analysis.trend),
            "cautions": list(CAUTIONS),
        }
    )


def lock_curve(estimate: LockCurveEstimate) -> dict[str, Any]:
    """`lock_curve` of the result."""
    return plain(
        {
            "method": estimate.method,
            "supported": {"drive": estimate.drive_supported, "coast": estimate.coast_supported},
            **{name: dataclasses.asdict(interval) for name, interval in estimate.parameters.items()},
            "points": [dataclasses.asdict(p) for p in estimate.points],
            "budget": estimate.budget,
            "samples": {"slipping": estimate.slipping_count, "locked": estimate.locked_count},
        }
    )


def agreement(found: Agreement | None) -> dict[str, Any] | None:
    """`agreement` of the result: verdicts, then the diagnosis with its explanations beside it, best first."""
    if found is None:
        return None
    diagnosis = found.diagnosis
    return plain(
        {
            "verdict": found.verdict,
            "by_side": found.by_side,
            "sentences": found.sentences,
            "diagnosis": None
            if diagnosis is None
            else {"verdict": diagnosis.verdict, "tied": diagnosis.tied, "sentence": diagnosis.sentence},
            "explanations": [] if diagnosis is None else [dataclasses.asdict(x) for x in diagnosis.explanations],
        }
    )


def finding(found: Finding) -> dict[str, Any]:
    """One entry of `findings`."""
    fields = dataclasses.asdict(found)
    evidence = fields.pop("evidence")
    return plain({"kind": found.kind, **fields, "sentence": found.sentence, "evidence": evidence})


def _annotation(annotation: Annotation) -> dict[str, Any]:
    return {
        "code": annotation.code,
        "severity": annotation.severity,
        "channel": annotation.channel,
        "start_s": annotation.start_s,
        "end_s": annotation.end_s,
        "message": annotation.message,
        "excludes": annotation.excludes,
    }


def _corners(results: tuple[PhaseResult, ...]) -> list[dict[str, Any]]:
    passes: dict[tuple[int, int, str, float], dict[str, Any]] = {}
    key, last_end = None, None
    for r in results:
        # lap 0 may pass the same corner before the first and after the last whole lap: a gap makes a new pass
        if key is None or key[:3] != (r.lap, r.corner, r.direction) or r.start_s - last_end > 1.0:
            key = (r.lap, r.corner, r.direction, r.start_s)
            passes[key] = {"lap": r.lap, "corner": r.corner, "direction": r.direction, "phases": []}
        last_end = r.end_s
        passes[key]["phases"].append({name: getattr(r, name) for name in PHASE_KEYS})
    return list(passes.values())


def plain(value: Any) -> Any:
    """`value` with numpy scalars and arrays as Python's own, and what is not finite as None."""
    if isinstance(value, dict):
        return {str(k): plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
