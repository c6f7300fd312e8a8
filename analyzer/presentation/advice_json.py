"""The JSON of `advise`; what does not exist is None."""

from typing import Any

from analyzer.advice.option import Advice, Option
from analyzer.cautions import CAUTIONS
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval


def advice_result(advice: Advice) -> dict[str, Any]:
    """Schema 1 of the advice."""
    return {
        "schema": 1,
        "logs": [a.recording.name for a in advice.analyses],
        "setup": advice.setup_name,
        "parts": advice.parts_name,
        "asked": list(advice.asked),
        "cures": list(advice.cures),
        "answer": advice.answer,
        "causes": {c: {"verdict": cause.verdict, "sentence": cause.sentence} for c, cause in advice.causes.items()},
        "logged": advice.logged,
        "logged_moment_Nm": _triple(advice.logged_moment),
        "replayed": advice.replayed,
        "advised": [_option(o) for o in advice.top],
        "options": [_option(o) for o in advice.options],
        "calibration": {
            side: {"ratio": _triple(c.ratio), "source": c.source, "sentence": c.sentence}
            for side, c in advice.calibration.items()
        },
        "assumptions": list(advice.assumptions),
        "refused": list(advice.refused),
        "cautions": list(CAUTIONS),
    }


def _option(option: Option) -> dict[str, Any]:
    return {
        "label": option.build.label,
        "changes": option.build.changes,
        "rank": option.rank,
        "on_front": option.on_front,
        "sure": option.sure,
        "why": option.why,
        "hangs_on": option.hangs_on,
        "lock_curve": {name: float(v) for name, v in zip(model.NAMES, option.lock_curve, strict=True)},
        "outcome": {name: _triple(i) for name, i in option.outcome.items()},
        "change": {name: _triple(i) for name, i in option.change.items()},
    }


def _triple(interval: Interval) -> dict[str, Any]:
    return {"value": interval.value, "lower": interval.lower, "upper": interval.upper, "reason": interval.reason}
