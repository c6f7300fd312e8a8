"""Reports of an analysis, a comparison, an advice and a plan, each one HTML file that needs no network.

Text from logs and car files is escaped by the template (autoescape is on); charts carry numbers only.
"""

import json
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import plotly.io
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from analyzer import __version__
from analyzer.advice.choice import Advice
from analyzer.analysis import Analysis
from analyzer.comparison.comparison import Comparison
from analyzer.files import write_atomic
from analyzer.findings.finding import Finding, grouped
from analyzer.findings.rear_axle import rear_axle
from analyzer.in_words import CAUTIONS, counted, number, printable, signed, when
from analyzer.log_check import first_few
from analyzer.phases.phases import PHASES, Corner
from analyzer.planning.next_test import Plan
from analyzer.presentation import advice_words, agreement_words, comparison_words, finding_words, plan_words, words
from analyzer.presentation.figures import lap_figures, lock_plot
from analyzer.presentation.figures.changes import READ, READ_CHANGE, READ_PHASES, change_plot, phase_plot, trade_off
from analyzer.presentation.figures.theme import CONFIG, repaint
from analyzer.presentation.knowledge_words import used_sentences
from analyzer.presentation.lap_grid import lap_grid
from analyzer.presentation.prediction_words import note_words
from analyzer.presentation.tables import corner_rows, evidence_rows, fitted_rows
from analyzer.presentation.words import PARAMETER_NAMES, PHASE_NAMES, interval_words

MOST_TRACES = 4


def write_html(analysis: Analysis, path: Path | str) -> None:
    """Write the report to `path`.

    Raises
    ------
    InputError : the file cannot be written.
    """
    write_atomic(path, analysis_report(analysis))


def analysis_report(analysis: Analysis) -> str:
    """The report of an analysis as HTML text."""
    figures: dict[str, go.Figure] = {
        "lock-plot": lock_plot.lock_plot(analysis),
        "path-map": lap_figures.path_map(analysis),
    }
    if analysis.trend is not None and analysis.trend.windows:
        figures["trend-plot"] = lock_plot.trend_plot(analysis.trend)
    traces, drawn_at = [], {}
    for corner in worst_corners(analysis):
        div = f"traces-lap{corner.lap}-corner{corner.number}-{corner.start}"
        figures[div] = lap_figures.corner_traces(analysis, corner)
        drawn_at[corner.number, corner.lap] = div
        traces.append({"div": div, "corner": corner, "findings": _findings_in(analysis, corner)})
    environment = _environment()
    environment.filters.update(
        number=number, signed=signed, percent=_percent, evidence=evidence_rows, note_words=note_words
    )
    return environment.get_template("report.html").render(
        analysis=analysis,
        quality=first_few(analysis.quality),
        answer=words.answer_parts(analysis),
        groups=grouped(analysis.findings),
        laps=lap_grid(analysis),
        words=words,
        finding_words=finding_words,
        agreement_words=agreement_words,
        when=when,
        parameters=_parameters(analysis),
        anchored=_anchored(analysis),
        knowledge=() if analysis.knowledge is None else used_sentences(analysis.knowledge),
        fitted=fitted_rows(analysis),
        rows=corner_rows(analysis.phase_results),
        traces=traces,
        drawn_at=drawn_at,
        **_drawn(figures),
        read={
            "map": lap_figures.READ_MAP,
            "traces": lap_figures.READ_TRACES,
            "lock": lock_plot.how_to_read(analysis),
            "trend": lock_plot.READ_TREND,
        },
        duration_s=float(analysis.recording.time_s[-1] - analysis.recording.time_s[0]),
    )


def worst_corners(analysis: Analysis) -> tuple[Corner, ...]:
    """Corner passes worth a closer look: those of the worst findings, else the one with the largest slip difference."""
    passes = analysis.corners
    chosen: list[Corner] = []
    for group in grouped(analysis.findings):
        found = group.worst
        chosen += [
            c
            for c in passes
            if (c.number, c.lap) == (found.corner, found.lap)
            and analysis.signals.time_s[c.start] <= found.end_s
            and analysis.signals.time_s[c.stop - 1] >= found.start_s
            and c not in chosen
        ]
    if not chosen and passes:
        rear = rear_axle(analysis.signals, analysis.axle, analysis.car)
        apart = np.nan_to_num(np.where(rear.cornering, rear.inside_slip - rear.outside_slip, 0.0))
        chosen = [max(passes, key=lambda c: float(apart[c.start : c.stop].max(initial=0.0)))]
    return tuple(chosen[:MOST_TRACES])


def _findings_in(analysis: Analysis, corner: Corner) -> list[Finding]:
    return [f for f in analysis.findings if (f.corner, f.lap) == (corner.number, corner.lap)]


def _anchored(analysis: Analysis) -> list[tuple[str, str, str]]:
    """(label, value, interval) of the anchored curve's parameters."""
    if analysis.anchored is None:
        return []
    cells = words.parameter_cells(analysis.anchored.lock_curve.parameters)
    return [(PARAMETER_NAMES[name][0], *both) for name, both in cells.items()]


def _parameters(analysis: Analysis) -> list[tuple[str, str, str, str]]:
    rows = []
    for name, (value, span) in words.parameter_cells(analysis.lock_curve.parameters).items():
        label, digits = words.PARAMETER_NAMES[name]
        parts = None if analysis.predicted is None else getattr(analysis.predicted, name)
        rows.append((label, value, span, number(parts, digits)))
    return rows


def _percent(value: float | None, digits: int = 0) -> str:
    return number(None if value is None else 100 * value, digits)


def comparison_report(comparison: Comparison) -> str:
    """The report of a comparison as HTML text."""
    figures = {"change-plot": change_plot(comparison)}
    if any(p.corner is not None and p.transfer_torque_Nm.value is not None for p in comparison.phases):
        figures["phase-plot"] = phase_plot(comparison)
    environment = _environment()
    environment.filters.update(number=number, counted=counted, change=comparison_words.change_words, signed=signed)
    return environment.get_template("comparison.html").render(
        comparison=comparison,
        rows=sorted(comparison.phases, key=lambda p: (p.corner or 0, p.direction or "", PHASES.index(p.phase))),
        answer=comparison_words.comparison_answer(comparison),
        words=comparison_words,
        phase_names=PHASE_NAMES,
        parameters=_changes(comparison),
        read={"change": READ_CHANGE, "phases": READ_PHASES},
        **_drawn(figures),
    )


LIBRARY_HERE = "/* the chart library stands here */"


def without_library(report: str) -> str:
    """A report without the chart library, for keeping: all reports have the same 5 MB of it."""
    return report.replace(get_plotlyjs(), LIBRARY_HERE, 1)


def with_library(report: str) -> str:
    """A report that was kept without the chart library, whole again."""
    return report.replace(LIBRARY_HERE, get_plotlyjs(), 1)


def _changes(comparison: Comparison) -> list[tuple[str, ...]]:
    """Rows of words: parameter, before, after, change, its interval, what the parts say."""
    rows = []
    for name, (label, digits) in PARAMETER_NAMES.items():
        if name in comparison.change:
            levels = [" (".join(interval_words(c.parameters[name], digits)) + ")" for c in comparison.curves]
            predicted = comparison.predicted_change[name]
            parts = "–" if predicted is None else signed(predicted, digits)
            rows.append((label, *levels, *comparison_words.change_cells(comparison.change[name], digits), parts))
    return rows


def advice_report(advice: Advice) -> str:
    """The report of an advice as HTML text; the picture is left out where the log holds no coasting, which it needs."""
    has_both = advice.fitted.outcome["coast_moment_Nm"].value is not None
    return (
        _environment()
        .get_template("advice.html")
        .render(
            advice=advice,
            words=advice_words,
            read=READ,
            **_drawn({"trade-off": trade_off(advice)} if has_both else {}),
        )
    )


def plan_report(plan: Plan) -> str:
    """The test card of a plan as HTML text, without charts."""
    drawn = _drawn({}) | {"plotly": ""}
    return _environment().get_template("plan.html").render(plan=plan, words=plan_words, **drawn)


def _environment() -> Environment:
    """Templates, which extend `page.html`; text is escaped, unknown names are errors."""
    return Environment(
        loader=PackageLoader("analyzer.presentation", "."),
        autoescape=select_autoescape(default=True, default_for_string=True),
        undefined=StrictUndefined,
        finalize=lambda shown: printable(shown) if type(shown) is str else shown,  # who prints a report on a terminal
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _drawn(figures: dict[str, go.Figure]) -> dict[str, Any]:
    """What `page.html` asks for: charts by the id of their element, how to repaint them, the library, cautions."""
    return {
        "charts": {div: _chart(figure, div) for div, figure in figures.items()},
        "repaint": _script({m: {d: repaint(f, m) for d, f in figures.items()} for m in ("light", "dark")}),
        "plotly": Markup(get_plotlyjs()),
        "cautions": CAUTIONS,
        "version": __version__,
    }


def _chart(figure: go.Figure, div: str) -> Markup:
    return Markup(plotly.io.to_html(figure, full_html=False, include_plotlyjs=False, div_id=div, config=CONFIG))


def _script(value: Any) -> Markup:
    """JSON that is safe inside a script element."""
    return Markup(json.dumps(value).replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026"))
