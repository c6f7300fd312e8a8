"""Results as plain data: of `analyze` by `result.schema.json`, of `compare` and of `advise`. What does not exist is
None, never NaN, with a `reason` beside it where there is one."""

import dataclasses
import json
import math
from collections.abc import Mapping
from importlib import resources
from typing import Any, TypeVar

import numpy as np

from analyzer.advice.choice import Advice, Option
from analyzer.agreement.anchored import AnchoredEstimate
from analyzer.agreement.verdict import Agreement, Odds
from analyzer.analysis import Analysis, PhaseResult
from analyzer.comparison.comparison import Comparison
from analyzer.comparison.sides import SideChange
from analyzer.findings.evidence import Evidence, SetupContradicted, TrendInRun
from analyzer.findings.finding import Finding
from analyzer.findings.lock_trend import LockTrend
from analyzer.in_words import CAUTIONS
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval, LockCurveEstimate
from analyzer.logs.recording import Annotation
from analyzer.presentation import advice_words, agreement_words, comparison_words
from analyzer.presentation.agreement_words import diagnosis_sentence, explanation_sentence, side_sentence
from analyzer.presentation.finding_words import finding_sentence, trend_sentence
from analyzer.presentation.knowledge_words import knowledge_json
from analyzer.presentation.prediction_words import lock_curve_result

Record = TypeVar("Record", bound=Mapping[str, object])
SCHEMA_VERSION = 1
PHASE_KEYS = tuple(f.name for f in dataclasses.fields(PhaseResult) if f.name not in ("lap", "corner", "direction"))


def schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of the result."""
    text = resources.files("analyzer.presentation").joinpath("result.schema.json").read_text("utf-8")
    found: dict[str, Any] = json.loads(text)
    return found


def to_json(analysis: Analysis) -> str:
    """The result of `analyze` as JSON text."""
    return json_text(to_result(analysis))


def json_text(result: dict[str, Any]) -> str:
    """A result as JSON text (RFC 8259)."""
    return json.dumps(result, indent=1, allow_nan=False, ensure_ascii=False) + "\n"


def to_result(analysis: Analysis) -> dict[str, Any]:
    """The result as plain dicts, lists, strings and finite numbers."""
    signals, together = analysis.signals, (analysis, *analysis.others)
    torques = np.array([p.input_torque_Nm for p in analysis.lock_curve.points])
    predicted = analysis.predicted
    return plain(
        {
            "schema": SCHEMA_VERSION,
            "log": _log(analysis),
            "logs": [_log(one) for one in together],
            "car": {"name": analysis.car.name},
            "quality": [_annotation(a) | _of_log(one, analysis) for one in together for a in one.quality],
            "calibration": [dataclasses.asdict(step) for step in signals.calibration],
            "tyre": {name: {"value": v, "standard_deviation": sd} for name, (v, sd) in analysis.tyre.items()},
            "corners": [c | _of_log(one, analysis) for one in together for c in _corners(one.phase_results)],
            "lock_curve": lock_curve(analysis.lock_curve),
            "anchored_lock_curve": anchored_lock_curve(analysis.anchored),
            "knowledge": _knowledge(analysis),
            "predicted_lock_curve": None
            if predicted is None
            else lock_curve_result(predicted, input_torque_Nm=torques),
            "agreement": agreement(analysis.agreement),
            "findings": [finding(f) | _of_log(one, analysis) for one in together for f in one.findings],
            "chatter": None if analysis.chatter is None else dataclasses.asdict(analysis.chatter),
            "trend": None if analysis.trend is None else _trend(analysis.trend),
            "cautions": list(CAUTIONS),
        }
    )


def _log(analysis: Analysis) -> dict[str, Any]:
    recording, signals = analysis.recording, analysis.signals
    return {
        "file": recording.name,
        "duration_s": recording.time_s[-1] - recording.time_s[0],
        "sample_rate_hz": signals.rate_hz,
        "laps": len(analysis.laps.bounds),
        "lap_method": analysis.laps.method,
        "lap_length_m": analysis.laps.length_m,
        "position_source": signals.position_source,
    }


def _of_log(one: Analysis, first: Analysis) -> dict[str, Any]:
    """Which of several logs something is of; nothing where there is one."""
    return {"log": one.recording.name} if first.others else {}


def anchored_lock_curve(found: AnchoredEstimate | None) -> dict[str, Any] | None:
    """`anchored_lock_curve` of the result: as `lock_curve`, and what was taken from the setup file."""
    if found is None:
        return None
    anchors = [
        {"source": a.source, "label": a.label, "value": a.value, "standard_deviation": a.sd} for a in found.anchors
    ]
    misfit = {"probability": found.probability, "contradicted": found.contradicted}
    return lock_curve(found.lock_curve) | plain({"anchors": anchors, "misfit": misfit})


def _knowledge(analysis: Analysis) -> dict[str, Any] | None:
    used = analysis.knowledge
    return None if used is None else knowledge_json(used, lock_curve(used.alone))


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
            "sentences": {side: side_sentence(side, judged) for side, judged in found.sides.items()},
            "diagnosis": None
            if diagnosis is None
            else {"verdict": diagnosis.verdict, "tied": diagnosis.tied, "sentence": diagnosis_sentence(diagnosis)},
            "explanations": []
            if diagnosis is None
            else [dataclasses.asdict(x) | {"sentence": explanation_sentence(x)} for x in diagnosis.explanations],
            "odds": None if found.odds is None else _odds(found.odds, found.verdict),
        }
    )


def _odds(found: Odds, verdict: str) -> dict[str, Any]:
    return {
        "sentence": agreement_words.headline(found, verdict),
        "against": [
            {
                "kind": one.kind,
                "name": agreement_words.NAMES[one.kind],
                "for_the_file": one.for_the_file,
                "words": agreement_words.odds_words(one),
            }
            for one in found.against
        ],
    }


def finding(found: Finding) -> dict[str, Any]:
    """One entry of `findings`."""
    fields = {f.name: getattr(found, f.name) for f in dataclasses.fields(found) if f.name != "evidence"}
    sentence = finding_sentence(found)
    evidence = _evidence(found.evidence, sentence)
    return plain({"kind": found.kind, **fields, "sentence": sentence, "evidence": evidence})


def _evidence(found: Evidence, sentence: str) -> dict[str, Any]:
    """One `evidence`, flat; of what concerns the session the sentence stands in it as well, as `said`."""
    evidence = dataclasses.asdict(found)
    if isinstance(found, SetupContradicted):
        evidence["explanations"] = ", ".join(found.explanations)
    return evidence | ({"said": sentence} if isinstance(found, SetupContradicted | TrendInRun) else {})


def _trend(found: LockTrend) -> dict[str, Any]:
    return dataclasses.asdict(found) | {"sentence": trend_sentence(found)}


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
    key, last_end = None, 0.0
    for r in results:
        # lap 0 may pass the same corner before the first and after the last whole lap: a gap makes a new pass
        if key is None or key[:3] != (r.lap, r.corner, r.direction) or r.start_s - last_end > 1.0:
            key = (r.lap, r.corner, r.direction, r.start_s)
            passes[key] = {"lap": r.lap, "corner": r.corner, "direction": r.direction, "phases": []}
        last_end = r.end_s
        passes[key]["phases"].append({name: getattr(r, name) for name in PHASE_KEYS})
    return list(passes.values())


def plain(record: Record) -> Record:
    """`record` with numpy scalars and arrays as Python's own, and what is not finite as None."""
    found: Record = _plain(record)
    return found


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def comparison_result(comparison: Comparison) -> dict[str, Any]:
    """The result of `compare`, schema 1.

    Notes
    -----
    before, after : {logs, lock_curve (as in `analyze`, from the joint fit, with `points`), runs: list of {log, laps
        (null: all)}}.
    change : preload_Nm, drive_slope, drive_hold_Nm, coast_slope: {value, lower, upper, reason}, after minus before.
    predicted_change : the same four, from the setup files, or null.
    any_change : did anything change, all of the lock curve tested at once: {verdict (yes, no, cannot_tell),
        probability (of a difference as large between runs of one setup), sides (that it is about), sentence}.
    verdict : preload, drive, coast: as_predicted, stronger, weaker, no_change or cannot_tell.
    answer : the two sentences that the terminal begins with.
    sides : preload, drive, coast: {verdict, change_Nm, before_Nm, predicted_change_Nm, margin_Nm (a smaller change is
        too small to matter), sentence, input_torque_Nm {from, to}}.
    locking_torque_change : at matched input torque, list of {input_torque_Nm, change_Nm, lower_Nm, upper_Nm,
        predicted_change_Nm}.
    phase_changes : list of {phase, corner (null: all matched corners), direction, passes_before, passes_after,
        speed_ratio, throttle_change, kinematic_lock, transfer_torque_Nm, inside_slip}, at matched speed and throttle.
    events : list of {kind, count_before, count_after, laps_before, laps_after, rate_ratio, verdict: more, fewer, none
        or cannot_tell}.
    conditions : {hold_off_tie_sd_Nm ([drive, coast]; null: left free), one_tyre}: what both runs were taken to share.
    warnings : list of sentences.
    """
    change = comparison.expected_locking_change_Nm
    expected = [None] * len(comparison.torque_Nm) if change is None else change
    return plain(
        {
            "schema": 1,
            "before": _side(comparison, 0),
            "after": _side(comparison, 1),
            "change": {name: dataclasses.asdict(i) for name, i in comparison.change.items()},
            "predicted_change": comparison.predicted_change,
            "any_change": {
                "verdict": comparison.any_change.verdict,
                "probability": comparison.any_change.probability,
                "sides": comparison.any_change.sides,
                "sentence": comparison_words.whole(comparison.any_change),
            },
            "verdict": {side: c.verdict for side, c in comparison.sides.items()},
            "answer": list(comparison_words.comparison_answer(comparison)),
            "sides": {side: _side_change(side, c) for side, c in comparison.sides.items()},
            "locking_torque_change": [
                {"input_torque_Nm": t, "change_Nm": v, "lower_Nm": a, "upper_Nm": b, "predicted_change_Nm": e}
                for t, (v, a, b), e in zip(comparison.torque_Nm, comparison.locking_change_Nm.T, expected, strict=True)
            ],
            "phase_changes": [dataclasses.asdict(p) for p in comparison.phases],
            "events": [dataclasses.asdict(e) for e in comparison.events],
            "conditions": {"hold_off_tie_sd_Nm": comparison.joint.tie_sd_Nm, "one_tyre": comparison.one_tyre},
            "warnings": list(comparison_words.warnings(comparison.conditions)),
        }
    )


def _side(comparison: Comparison, side: int) -> dict[str, Any]:
    runs = comparison.of_side(side)
    return {
        "logs": [r.analysis.recording.name for r in runs],
        "runs": [{"log": r.analysis.recording.name, "laps": r.laps} for r in runs],
        "lock_curve": lock_curve(comparison.curves[side]),
    }


def _side_change(side: str, change: SideChange) -> dict[str, Any]:
    torque = change.torque_Nm
    return {
        "verdict": change.verdict,
        "change_Nm": dataclasses.asdict(change.change_Nm),
        "before_Nm": change.before_Nm,
        "predicted_change_Nm": change.expected_Nm,
        "margin_Nm": change.margin_Nm,
        "sentence": comparison_words.side_sentence(side, change),
        "input_torque_Nm": {"from": np.min(torque, initial=0.0), "to": np.max(torque, initial=0.0)},
    }


def advice_result(advice: Advice) -> dict[str, Any]:
    """Schema 1 of the advice."""
    return {
        "schema": 1,
        "logs": [a.recording.name for a in advice.analyses],
        "setup": advice.setup_name,
        "parts": advice.parts_name,
        "asked": list(advice.asked),
        "cures": list(advice.cures),
        "answer": advice_words.advice_answer(advice),
        "causes": {
            c: {"verdict": cause.verdict, "sentence": advice_words.cause_sentence(cause)}
            for c, cause in advice.causes.items()
        },
        "logged": advice.logged,
        "logged_moment_Nm": _triple(advice.logged_moment),
        "replayed": advice.replayed,
        "replay_checked": advice_words.logged_words(advice),
        "advised": [_option(o, advice) for o in advice.top],
        "options": [_option(o, advice) for o in advice.options],
        "calibration": {
            side: {
                "ratio": _triple(c.ratio),
                "source": c.source,
                "sentence": advice_words.calibration_sentence(side, c),
            }
            for side, c in advice.calibration.items()
        },
        "assumptions": list(advice_words.assumptions(advice)),
        "refused": list(advice.refused),
        "cautions": list(CAUTIONS),
    }


def _option(option: Option, advice: Advice) -> dict[str, Any]:
    return {
        "label": option.build.label,
        "changes": option.build.changes,
        "rank": option.rank,
        "on_front": option.on_front,
        "sure": option.sure,
        "why": None if option.rank is None else advice_words.why(option, advice),
        "holds": advice_words.holds(option, advice),
        "costs": advice_words.costs(option),
        "hangs_on": None if option.rank is None else advice_words.depends_on(option, advice),
        "lock_curve": {name: float(v) for name, v in zip(model.NAMES, option.lock_curve, strict=True)},
        "outcome": {name: _triple(i) for name, i in option.outcome.items()},
        "change": {name: _triple(i) for name, i in option.change.items()},
    }


def _triple(interval: Interval) -> dict[str, Any]:
    return {"value": interval.value, "lower": interval.lower, "upper": interval.upper, "reason": interval.reason}
