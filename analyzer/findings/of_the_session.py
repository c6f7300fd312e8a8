"""Findings that concern the session as a whole: lock that fades within it, and a setup file that it contradicts."""

from typing import Any

from analyzer.agreement.verdict import Agreement
from analyzer.findings.confidence import above, confidence
from analyzer.findings.finding import Finding
from analyzer.signals.session import Signals
from analyzer.trends.lock_trend import TEN_MINUTES_S, LockTrend

ACT_SHARE = 0.25  # of the lock lost within a run: another differential at its end than at its start


def find_of_the_session(signals: Signals, trend: LockTrend | None, agreement: Agreement | None) -> tuple[Finding, ...]:
    """Fading or growing lock, and what the setup file gets wrong; each only where it is sure."""
    found = []
    if trend is not None and trend.verdict in ("fading", "rising"):
        found.append(_trend(signals, trend))
    if agreement is not None and agreement.diagnosis is not None:
        diagnosis = agreement.diagnosis
        if diagnosis.verdict != "cannot_tell" and "as_the_file_says" not in diagnosis.tied:
            found.append(_contradicted(signals, agreement))
    return tuple(found)


def _whole(signals: Signals, **what: Any) -> Finding:
    return Finding(lap=None, corner=None, start_s=float(signals.time_s[0]), end_s=float(signals.time_s[-1]), **what)


def _trend(signals: Signals, trend: LockTrend) -> Finding:
    change = trend.relative_per_10_min
    over_run = abs(change.value) * trend.span_s / TEN_MINUTES_S
    sd = (change.upper - change.lower) / (2 * 1.96)
    return _whole(
        signals,
        kind="lock_trend",
        severity="act" if over_run >= ACT_SHARE else "caution",
        confidence=confidence(above(abs(change.value), sd)),
        sentence=trend.sentence,
        evidence={
            "verdict": trend.verdict,
            "change_over_run": change.value * trend.span_s / TEN_MINUTES_S,
            "lower_over_run": change.lower * trend.span_s / TEN_MINUTES_S,
            "upper_over_run": change.upper * trend.span_s / TEN_MINUTES_S,
            "change_per_10_min": change.value,
            "lower_per_10_min": change.lower,
            "upper_per_10_min": change.upper,
            "span_s": trend.span_s,
        },
    )


def _contradicted(signals: Signals, agreement: Agreement) -> Finding:
    diagnosis = agreement.diagnosis
    best = diagnosis.explanations[0]
    return _whole(
        signals,
        kind="setup_contradicted",
        severity="caution",
        # against the file alone, both as likely beforehand
        confidence=confidence(best.times_better / (1 + best.times_better)),
        sentence=diagnosis.sentence,
        evidence={
            "explanations": ", ".join(diagnosis.tied),
            "times_better_than_file": best.times_better,
            "value": best.value,
            "lower": best.lower,
            "upper": best.upper,
            "unit": best.unit,
            "fits": best.fits,
        },
    )
