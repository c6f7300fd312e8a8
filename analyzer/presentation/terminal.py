"""The summary on a terminal, readable at 80 columns: the answer first, then what it rests on."""

from typing import Any, Literal

from rich import box
from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analyzer.agreement.verdict import Diagnosis, Odds
from analyzer.analysis import Analysis
from analyzer.findings.finding import grouped
from analyzer.in_words import CAUTIONS, counted, listed, number, when
from analyzer.lockcurve.estimate import LockCurveEstimate
from analyzer.log_check import first_few
from analyzer.presentation import agreement_words
from analyzer.presentation.agreement_words import diagnosis_sentence, side_sentence
from analyzer.presentation.finding_words import finding_sentence, group_advice, trend_sentence
from analyzer.presentation.knowledge_words import used_sentences
from analyzer.presentation.tables import corner_rows
from analyzer.presentation.words import (
    HOW_TO_READ,
    KIND_NAMES,
    PARAMETER_NAMES,
    PHASE_NAMES,
    POINT_WORDS,
    SEVERITY_WORDS,
    VERDICT_WORDS,
    anchored_words,
    answer_parts,
    chatter_words,
    explanation_cells,
    group_where,
    parameter_cells,
    sure_words,
    trend_rows,
    whole_laps_words,
    why_not_measured,
)

MOST_GROUPS = 8  # findings shown in full; the rest is in report and JSON
TABLE_TORQUES = 9
MOST_EXPLANATIONS = 4  # the best; all are in report and JSON
BAR_CELLS = 10  # to either side


def print_summary(analysis: Analysis, console: Console) -> None:
    """Print everything that a user needs to act; Text, never markup, for what came from files."""
    log = analysis.recording
    console.print(
        Text.assemble(
            (log.name, "bold"),
            f"  {analysis.car.name}, {log.time_s[-1] - log.time_s[0]:.0f} s, {whole_laps_words(analysis.laps)}",
        )
    )
    for other in analysis.others:
        log = other.recording
        length = f"{log.time_s[-1] - log.time_s[0]:.0f} s"
        console.print(Text.assemble("with ", (log.name, "bold"), f"  {length}, {whole_laps_words(other.laps)}"))
    console.print()
    asked, rest = answer_parts(analysis)
    console.print(Text.assemble((asked, "bold"), " ", rest))
    _print_findings(analysis, console)
    _print_lock_curve(analysis, console)
    _print_knowledge(analysis, console)
    _print_anchored(analysis, console)
    _print_trend(analysis, console)
    _print_agreement(analysis, console)
    _print_corners(analysis, console)
    _print_quality(analysis, console)
    console.print(Text("\nHow to read it", style="bold"))
    console.print(Text(HOW_TO_READ))
    print_ending(console, answer=asked)


def _print_findings(analysis: Analysis, console: Console) -> None:
    console.print(Text("\nFindings, worst first", style="bold"))
    groups = grouped(analysis.findings)
    if not groups:
        console.print("Nothing to report.")
    for group in groups[:MOST_GROUPS]:
        worst = group.worst
        style = {"act": "bold red", "caution": "yellow"}.get(worst.severity, "")
        console.print(
            Text.assemble(
                (f"[{SEVERITY_WORDS[worst.severity]}] {KIND_NAMES.get(worst.kind, worst.kind)}", style),
                group_where(group),
                f" ({sure_words(group)})",
            )
        )
        console.print(_indented(finding_sentence(worst)))
        if advice := group_advice(group):
            console.print(_indented(f"What to do: {advice}"))
    if len(groups) > MOST_GROUPS:
        console.print(Text(f"... and {counted(len(groups) - MOST_GROUPS, 'more finding')}: see --html or --json."))
    if analysis.chatter is not None:
        console.print(Text(chatter_words(analysis.chatter)))


def _indented(sentence: str) -> Padding:
    return Padding(Text(sentence), (0, 0, 0, 2), expand=False)


def _print_lock_curve(analysis: Analysis, console: Console) -> None:
    curve, predicted = analysis.lock_curve, analysis.predicted
    table = terminal_table("Measured lock curve")
    table.add_column("")
    for heading in ("measured", "95 % interval") + (("parts predict",) if predicted else ()):
        table.add_column(heading, justify="right")
    for name, cells in parameter_cells(curve.parameters).items():
        label, digits = PARAMETER_NAMES[name]
        table.add_row(label, *cells, *([number(getattr(predicted, name), digits)] if predicted else []))
    console.print()
    console.print(table)
    if reasons := why_not_measured(curve.parameters):
        console.print(Text("\n".join(reasons) + "\n"))
    console.print(_points_table(analysis, curve))
    console.print(
        Text(
            f"Method: {curve.method.rstrip('.')}. Samples: {curve.slipping_count} slipping (they measure), "
            f"{curve.locked_count} locked (they give lower limits)."
        )
    )


def _print_knowledge(analysis: Analysis, console: Console) -> None:
    if analysis.knowledge is not None:
        console.print()
        console.print(Text(" ".join(used_sentences(analysis.knowledge))))


def _print_anchored(analysis: Analysis, console: Console) -> None:
    found = analysis.anchored
    if found is None:
        return
    table = terminal_table("Anchored lock curve: the same logs with what the setup file states")
    for heading in ("", "anchored", "95 % interval"):
        table.add_column(heading, justify="right" if heading else "left")
    for name, cells in parameter_cells(found.lock_curve.parameters).items():
        table.add_row(PARAMETER_NAMES[name][0], *cells)
    console.print()
    console.print(table)
    console.print(Text(anchored_words(found)))


def _points_table(analysis: Analysis, curve: LockCurveEstimate) -> Table:
    table = terminal_table("Locking torque against input torque, N.m")
    for heading in ("input torque", "locking torque", "95 % interval", "kind"):
        table.add_column(heading, justify="left" if heading == "kind" else "right")
    if analysis.predicted is not None:
        table.add_column("parts predict", justify="right")
    points = curve.points
    step = max(1, (len(points) - 1) // (TABLE_TORQUES - 1))
    for point in points[::step]:
        low, high = number(point.lower_Nm), number(point.upper_Nm)
        span = {"measured": f"{low} to {high}", "bound": f"at least {low}"}.get(point.kind, "–")
        row = [number(point.input_torque_Nm), number(point.locking_torque_Nm), span, POINT_WORDS[point.kind]]
        if analysis.predicted is not None:
            row.append(number(float(analysis.predicted.locking_torque_Nm([point.input_torque_Nm])[0])))
        table.add_row(*row)
    return table


def _print_trend(analysis: Analysis, console: Console) -> None:
    if analysis.trend is None:
        return
    console.print(Text("\nWithin the run", style="bold"))
    console.print(Text(trend_sentence(analysis.trend)))
    rows = trend_rows(analysis.trend)
    if not rows:
        return
    table = terminal_table()
    table.add_column("")
    for heading in ("early", "late", "change", "95 % interval"):
        table.add_column(heading, justify="right")
    for row in rows:
        table.add_row(*row)
    console.print(table)


def _print_agreement(analysis: Analysis, console: Console) -> None:
    agreement = analysis.agreement
    if agreement is None:
        return  # said in the answer
    console.print(Text("\nAgainst the setup file", style="bold"))
    console.print(Text(f"Overall: {VERDICT_WORDS[agreement.verdict]}."))
    sentences = (side_sentence(side, found) for side, found in agreement.sides.items())
    for sentence in dict.fromkeys(sentences):  # a spool's are the same
        console.print(_indented(sentence))
    if agreement.diagnosis is not None:
        console.print(Text("What would explain it: " + diagnosis_sentence(agreement.diagnosis)))
        if agreement.diagnosis.explanations:
            console.print(_explanations_table(agreement.diagnosis))
    if agreement.odds is not None:
        console.print(Text("Odds: " + agreement_words.headline(agreement.odds, agreement.verdict)))
        if any(map(agreement_words.bar, agreement.odds.against)):
            console.print(_odds_table(agreement.odds))
        if rest := [agreement_words.NAMES[o.kind] for o in agreement.odds.against if not agreement_words.bar(o)]:
            console.print(Text(f"Not separable from the file by this log: {listed(rest)}."))


def _odds_table(odds: Odds) -> Table:
    table = terminal_table()
    table.add_column("instead of the setup file")
    table.add_column("odds")
    table.add_column("against the file | for the file", justify="center", no_wrap=True)
    for one in filter(agreement_words.bar, odds.against):
        cells = round(BAR_CELLS * agreement_words.bar(one))
        left, right = "█" * max(-cells, 0), "█" * max(cells, 0)
        table.add_row(
            agreement_words.NAMES[one.kind],
            agreement_words.odds_words(one),
            f"{left:>{BAR_CELLS}}│{right:<{BAR_CELLS}}",
        )
    return table


def _explanations_table(diagnosis: Diagnosis) -> Table:
    table = terminal_table()
    table.add_column("explanation")
    table.add_column("how much better\nthan the file", justify="right")
    table.add_column("figure it needs", justify="right")
    for explanation in diagnosis.explanations[:MOST_EXPLANATIONS]:
        table.add_row(*explanation_cells(explanation))
    return table


def _print_corners(analysis: Analysis, console: Console) -> None:
    rows = corner_rows(analysis.phase_results)
    if not rows:
        console.print("\nNo corners were found.")
        return
    table = terminal_table("Corners, median over laps", padding=(0, 1, 0, 0))
    headings: tuple[tuple[str, Literal["left", "right"]], ...] = (
        ("corner", "left"),
        ("phase", "left"),
        ("inside\nslip %", "right"),
        ("outside\nslip %", "right"),
        ("kinem.\nlock", "right"),
        ("input\nN.m", "right"),
        ("transfer\nN.m", "right"),
        *((("parts\nN.m", "right"),) if analysis.predicted else ()),
        ("locked\n%", "right"),
    )
    for heading, justify in headings:
        table.add_column(heading, justify=justify)
    last = None
    for row in rows:
        sd, transfer = row.transfer_torque_sd_Nm, number(row.transfer_torque_Nm)
        if row.transfer_torque_Nm is not None and sd is not None:
            transfer += f"±{number(1.96 * sd)}"
        if last is not None and row.corner != last:
            table.add_section()
        table.add_row(
            f"{row.corner} {row.direction}" if row.corner != last else "",
            PHASE_NAMES[row.phase],
            number(_percent(row.inside_slip), 1),
            number(_percent(row.outside_slip), 1),
            number(row.kinematic_lock, 2),
            number(row.input_torque_Nm),
            transfer,
            *([number(row.predicted_locking_torque_Nm)] if analysis.predicted else []),
            number(_percent(row.locked_fraction)),
        )
        last = row.corner
    console.print()
    console.print(table)


def _percent(value: float | None) -> float | None:
    return None if value is None else 100 * value


def _print_quality(analysis: Analysis, console: Console) -> None:
    console.print(Text("\nLog quality and calibration", style="bold"))
    for annotation in first_few(analysis.quality):
        style = {"error": "red", "warning": "yellow"}.get(annotation.severity, "")
        told = ": ".join(filter(None, (when(annotation.start_s, annotation.end_s), annotation.message)))
        console.print(Text.assemble((f"[{annotation.severity}] ", style), told))
    for step in analysis.signals.calibration:
        console.print(Text("[calibration] " + step.message))
    if not analysis.quality and not analysis.signals.calibration:
        console.print("Nothing to report.")


SOURCE_WORDS = {
    "sampling": "scatter of the corner passes",
    "tyre": "tyre",
    "radius": "rolling radius under load",
    "wheel_calibration": "wheel-speed calibration",
    "sensor_pose": "place and lean of the accelerometers",
    "yaw_rate": "yaw rate",
    "acceleration": "offset of the accelerometers",
    "car": "car file's figures",
    "plates": "sticking plates over slipping ones",
    "bench": "bench reading",
    "knowledge": "what other runs know of the car",
    "hold_off": "where the ramps start to clamp",
    "tyre_model": "shape of the tyre curve",
}


def print_budget(curve: LockCurveEstimate, console: Console) -> None:
    """What the uncertainty of each parameter comes from, so that a user knows what to measure next."""
    sources = list(dict.fromkeys(s for shares in curve.budget.values() for s in shares))
    if not sources:
        console.print("No parameter was measured, so there is no uncertainty to share out.")
        return
    table = terminal_table("Where the uncertainty comes from, % of variance")
    table.add_column("source")
    for name in curve.budget:
        table.add_column(name.removesuffix("_Nm").replace("_", "\n"), justify="right")
    for source in sources:
        shares = [number(_percent(of_one.get(source))) for of_one in curve.budget.values()]
        table.add_row(Text(SOURCE_WORDS.get(source, source)), *shares)
    console.print()
    console.print(table)
    console.print(
        "Tackle the largest first: more laps for the scatter, more variety of corners and throttle for the tyre, a "
        "gyro for the yaw rate, weighing and measuring for the car file."
    )


def print_timings(timings_s: dict[str, float], console: Console) -> None:
    """Seconds per step."""
    table = terminal_table("Time taken, s")
    table.add_column("step")
    table.add_column("s", justify="right")
    for step, seconds in timings_s.items():
        table.add_row(Text(step), number(seconds, 2))
    table.add_row("sum", number(sum(timings_s.values()), 2))
    console.print()
    console.print(table)


def print_ending(console: Console, *, answer: str = "") -> None:
    """The cautions, and on a screen, whose first lines have gone by, the answer once more."""
    console.print(Text("\nCautions: " + " ".join(CAUTIONS), style="yellow"))
    if answer and console.is_terminal:
        console.print(Text.assemble("\nIn short: ", (answer, "bold"), " More above."))


def terminal_table(title: str | None = None, **look: Any) -> Table:
    """An empty table under a bold title; `look` as rich's Table takes it."""
    return Table(title=title, title_justify="left", title_style="bold", box=box.SIMPLE_HEAD, **look)
