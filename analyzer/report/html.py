"""The report as one HTML file that needs no network: tables, charts and words of one analysis.

Text from logs and car files is escaped by the template (autoescape is on); charts carry numbers only.
"""

from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go

from analyzer.analysis import Analysis
from analyzer.files import write_atomic
from analyzer.findings.groups import grouped
from analyzer.findings.rear_axle import rear_axle
from analyzer.in_words import number, signed, when
from analyzer.phases.segments import Corner
from analyzer.report import page, words
from analyzer.report.corner_table import corner_rows
from analyzer.report.evidence import evidence_rows
from analyzer.report.figures import corner_traces, lock_plot, path_map, trend_plot
from analyzer.report.fitted import fitted_rows

MOST_TRACES = 4


def write_html(analysis: Analysis, path: Path | str) -> None:
    """Write the report to `path`.

    Raises
    ------
    InputError : the file cannot be written.
    """
    write_atomic(path, render(analysis))


def render(analysis: Analysis) -> str:
    """The report as HTML text."""
    figures: dict[str, go.Figure] = {
        "path-map": path_map.path_map(analysis),
        "lock-plot": lock_plot.lock_plot(analysis),
    }
    if analysis.trend is not None and analysis.trend.windows:
        figures["trend-plot"] = trend_plot.trend_plot(analysis.trend)
    traces = []
    for corner in worst_corners(analysis):
        div = f"traces-lap{corner.lap}-corner{corner.number}-{corner.start}"
        figures[div] = corner_traces.corner_traces(analysis, corner)
        traces.append({"div": div, "corner": corner, "findings": _findings_in(analysis, corner)})
    environment = page.environment("analyzer.report")
    environment.filters.update(number=number, signed=signed, percent=_percent, evidence=evidence_rows)
    return environment.get_template("report.html").render(
        analysis=analysis,
        answer=words.answer_parts(analysis),
        groups=grouped(analysis.findings),
        words=words,
        when=when,
        parameters=_parameters(analysis),
        fitted=fitted_rows(analysis),
        rows=corner_rows(analysis.phase_results),
        traces=traces,
        **page.drawn(figures),
        read={"map": path_map.READ, "traces": corner_traces.READ, "lock": lock_plot.READ, "trend": trend_plot.READ},
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


def _findings_in(analysis: Analysis, corner: Corner) -> list[Any]:
    return [f for f in analysis.findings if (f.corner, f.lap) == (corner.number, corner.lap)]


def _parameters(analysis: Analysis) -> list[tuple[str, str, str, str]]:
    rows = []
    for name, (value, span) in words.parameter_cells(analysis.lock_curve.parameters).items():
        label, digits = words.PARAMETER_NAMES[name]
        parts = None if analysis.predicted is None else getattr(analysis.predicted, name)
        rows.append((label, value, span, number(parts, digits)))
    return rows


def _percent(value: float | None, digits: int = 0) -> str:
    return number(None if value is None else 100 * value, digits)
