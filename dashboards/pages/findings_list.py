"""The list of findings on the run page, and the sentence on what is picked."""

from dash import html

from analyzer.analysis import Analysis
from analyzer.findings.finding import Finding
from analyzer.presentation.words import KIND_NAMES, SEVERITY_WORDS, foot_or_car, place_words
from dashboards.pages.picking import Picked

MOST_LISTED = 50  # findings at once; with thousands of buttons the browser stands still


def listed(
    analysis: Analysis,
    *,
    kind: str | None = None,
    corner: int | None = None,
    lap: int | None = None,
    order: str = "worst",
) -> list[list]:
    """[index, start (s)] of the findings that pass the filters, in the order chosen (a key of `run_panels.SORTS`)."""
    kept = [
        (k, f)
        for k, f in enumerate(analysis.findings)
        if kind in (None, f.kind) and corner in (None, f.corner) and lap in (None, f.lap)
    ]
    keys = {
        "worst": lambda item: item[0],
        "time": lambda item: item[1].start_s,
        "corner": lambda item: (item[1].corner or 0, item[1].lap or 0),
        "confidence": lambda item: -item[1].confidence,
    }
    return [[k, f.start_s] for k, f in sorted(kept, key=keys[order])]


def finding_rows(analysis: Analysis, indices: list[int], chosen: int | None) -> dict:
    """What `assets/lists.js` draws: the first of the listed findings, what was picked elsewhere among them if it is
    listed at all, and a note on those left out."""
    shown = indices[:MOST_LISTED]
    shown += [k for k in indices[MOST_LISTED:] if k == chosen]
    more, note = len(indices) - len(shown), ""
    if not indices:
        note = "Nothing found" + (" with these filters." if analysis.findings else " in this log.")
    elif more:
        note = f"and {more} more; narrow them down by kind, corner or lap."
    sentence = "" if chosen is None else analysis.findings[chosen].sentence
    rows = [_row(k, analysis.findings[k]) for k in shown]
    return {"rows": rows, "chosen": chosen, "sentence": sentence, "note": note}


def told(pick: Picked) -> list:
    """What is picked, in a sentence."""
    if pick.finding is not None:
        return [
            html.P(pick.finding.sentence, className="answer"),
            html.P(f"Sure to {100 * pick.finding.confidence:.0f} %.", className="hint"),
        ]
    if pick.corner is not None:
        where = f"Corner {pick.corner.number} ({pick.corner.direction}), lap {pick.corner.lap}"
        return [html.P(f"{where}: nothing to report.")]
    if pick.window is not None:
        return [html.P(f"Between corners, around {sum(pick.window) / 2:.1f} s: nothing to report.")]
    return [html.P("Click the map or the lock plot to go to a corner.", className="hint")]


def _row(index: int, found: Finding) -> dict:
    kind, badge = KIND_NAMES.get(found.kind, found.kind), SEVERITY_WORDS[found.severity]
    if found.kind == "inside_wheel_spin":
        kind += f": {foot_or_car((found,))}"
    return {"index": index, "kind": kind, "where": place_words(found), "severity": found.severity, "badge": badge}
