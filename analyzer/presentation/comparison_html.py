"""The report of a comparison as one HTML file that needs no network."""

from analyzer.comparison.comparison import Comparison
from analyzer.in_words import counted, number, signed
from analyzer.phases.segments import PHASES
from analyzer.presentation import comparison_words as words
from analyzer.presentation import page
from analyzer.presentation.figures.comparison_plots import READ_CHANGE, READ_PHASES, change_plot, phase_plot
from analyzer.presentation.words import PARAMETER_NAMES, PHASE_NAMES, interval_words


def render(comparison: Comparison) -> str:
    """The report as HTML text."""
    figures = {"change-plot": change_plot(comparison)}
    if any(p.corner is not None and p.transfer_torque_Nm.value is not None for p in comparison.phases):
        figures["phase-plot"] = phase_plot(comparison)
    environment = page.environment("analyzer.presentation")
    environment.filters.update(number=number, counted=counted, change=words.change_words, signed=signed)
    return environment.get_template("comparison.html").render(
        comparison=comparison,
        rows=sorted(comparison.phases, key=lambda p: (p.corner or 0, p.direction or "", PHASES.index(p.phase))),
        answer=words.answer(comparison),
        words=words,
        phase_names=PHASE_NAMES,
        parameters=_parameters(comparison),
        read={"change": READ_CHANGE, "phases": READ_PHASES},
        **page.drawn(figures),
    )


def _parameters(comparison: Comparison) -> list[tuple[str, ...]]:
    """Rows of words: parameter, before, after, change, its interval, what the parts say."""
    rows = []
    for name, (label, digits) in PARAMETER_NAMES.items():
        if name in comparison.change:
            levels = [" (".join(interval_words(c.parameters[name], digits)) + ")" for c in comparison.curves]
            predicted = comparison.predicted_change[name]
            parts = "–" if predicted is None else signed(predicted, digits)
            rows.append((label, *levels, *words.change_cells(comparison.change[name], digits), parts))
    return rows
