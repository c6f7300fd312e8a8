"""What contradicts the setup file: agreement by side, and what would explain a disagreement."""

from dash import html

from analyzer.agreement.diagnose import agree_and_diagnose
from analyzer.agreement.steady_samples import steady_samples
from analyzer.agreement.verdict import Agreement, Diagnosis
from analyzer.analysis import Analysis
from analyzer.differential.predicted import PredictedLockCurve
from analyzer.differential.setup import Setup
from analyzer.in_words import listed
from analyzer.presentation.agreement_words import side_sentence
from analyzer.presentation.words import HOW_TO_READ_EXPLANATIONS, VERDICT_WORDS, explanation_cells
from dashboards.pages.parts import table

MARKS = {"agrees": "✓", "stronger": "▲", "weaker": "▼", "cannot_tell": "?"}
SHORT = {"agrees": "agrees", "stronger": "locks more", "weaker": "locks less", "cannot_tell": "cannot be told"}


def agreed(analysis: Analysis, curve: PredictedLockCurve, setup: Setup) -> Agreement:
    """Of the setup being typed, not of the one that the run was analysed with."""
    samples = steady_samples(analysis.signals, analysis.corners, analysis.axle)
    return agree_and_diagnose(samples, analysis.lock_curve, curve, setup, analysis.car)


def in_short(found: Agreement) -> list:
    """One line that stays in view while typing, and the way to the reasons below the form."""
    alike = {v: [side for side, own in found.by_side.items() if own == v] for v in found.by_side.values()}
    sides = "; ".join(f"{SHORT[verdict]}: {listed(sides)}" for verdict, sides in alike.items())
    return [f"Measured against this file: {sides}. ", html.A("Why, and what would explain it", href="#against-panel")]


def contradictions(found: Agreement) -> list:
    """By side, and what would explain a disagreement."""
    rows = [
        [side, f"{MARKS[one.verdict]} {VERDICT_WORDS[one.verdict]}", side_sentence(side, one)]
        for side, one in found.sides.items()
    ]
    return [
        html.P(f"Overall: {VERDICT_WORDS[found.verdict]}.", className="verdict"),
        table(["side", "verdict", "why"], rows, words=3),
        *_diagnosis(found.diagnosis),
    ]


def _diagnosis(found: Diagnosis | None) -> list:
    if found is None:
        return []
    parts = [html.H3("What would explain it"), html.P(found.sentence)]
    if found.explanations:
        rows = [list(explanation_cells(x)) for x in found.explanations]
        parts.append(table(["explanation", "how much better than the file", "figure it needs"], rows, words=(0,)))
        parts.append(html.P(HOW_TO_READ_EXPLANATIONS, className="read"))
    return parts
