"""A comparison on the terminal, readable at 80 columns."""

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analyzer.comparison.comparison import Comparison
from analyzer.in_words import counted, signed
from analyzer.presentation.comparison_words import (
    EVENT_VERDICT_WORDS,
    EVENT_WORDS,
    HOW_TO_READ,
    PARAMETER_ROWS,
    answer,
    change_cells,
    change_words,
    rate_cells,
    verdict_words,
)
from analyzer.presentation.terminal_ending import print_ending
from analyzer.presentation.terminal_table import terminal_table
from analyzer.presentation.words import PHASE_NAMES


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Did it take and how sure, in two lines; then sides, parameters, phases, events, warnings, cautions."""
    said, sure = answer(comparison)
    console.print(Text(said, style="bold"))
    console.print(Text(sure))
    for words, number in (("before", 0), ("after", 1)):
        console.print(f"{words + ':':8}" + "; ".join(r.name for r in comparison.of_side(number)), markup=False)
    for warning in comparison.warnings:
        console.print(f"Warning: {warning}", markup=False)
    console.print()
    for side, change in comparison.sides.items():
        console.print(
            f"{side}: {verdict_words(change)}. {change.sentence} "
            f"A change under {change.margin_Nm:.0f} N.m is taken not to matter.",
            markup=False,
        )
    for table in (_parameters(comparison), _phases(comparison)):
        console.print()
        console.print(table)
    console.print()
    for event in comparison.events:
        if event.verdict == "none":
            console.print(f"{EVENT_WORDS[event.kind]}: {EVENT_VERDICT_WORDS['none']}.", markup=False)
            continue
        times, span = rate_cells(event.rate_ratio)
        often = "" if times == "–" else f", {times} times as often a lap ({span})"
        console.print(
            f"{EVENT_WORDS[event.kind]}: {event.count_before} in {counted(event.laps_before, 'lap')} before, "
            f"{event.count_after} in {counted(event.laps_after, 'lap')} after{often}: "
            f"{EVENT_VERDICT_WORDS[event.verdict]}.",
            markup=False,
        )
    console.print(f"\nHow to read it: {HOW_TO_READ}", markup=False)
    print_ending(console, answer=said)


def _parameters(comparison: Comparison) -> Table:
    table = terminal_table("Change of the lock curve, after minus before")
    for heading in ("", "change", "95 % interval", "parts say"):
        table.add_column(heading, justify="left" if not heading else "right")
    for name, (words, digits) in PARAMETER_ROWS.items():
        interval, predicted = comparison.change[name], comparison.predicted_change[name]
        table.add_row(
            words,
            *change_cells(interval, digits),
            "–" if predicted is None else signed(predicted, digits),
        )
    return table


def _phases(comparison: Comparison) -> Table:
    title = "Change by phase, all corners, at matched speed and throttle"
    table = terminal_table(title, padding=0)  # 80 columns
    for heading in ("phase", "kinematic lock", "transfer torque, N.m", "inside slip, %"):
        table.add_column(heading, justify="left" if heading == "phase" else "right")
    for change in comparison.phases:
        if change.corner is None:
            table.add_row(
                PHASE_NAMES[change.phase],
                change_words(change.kinematic_lock, 2),
                change_words(change.transfer_torque_Nm),
                change_words(change.inside_slip, 1, 100.0),
            )
    return table
