"""A comparison on the terminal, readable at 80 columns."""

from rich.console import Console
from rich.table import Table

from analyzer.cautions import CAUTIONS
from analyzer.comparison.compare import Comparison

VERDICT_WORDS = {
    "as_predicted": "changed as the parts say",
    "stronger": "locks more than expected",
    "weaker": "locks less than expected",
    "no_change": "no change",
    "cannot_tell": "cannot be told",
}
ROWS = {
    "preload_Nm": ("preload, N.m", "{:+.0f}"),
    "drive_slope": ("drive slope, N.m per N.m", "{:+.3f}"),
    "drive_hold_Nm": ("drive ramps start to clamp at, N.m", "{:+.0f}"),
    "coast_slope": ("coast slope, N.m per N.m", "{:+.3f}"),
}


def print_comparison(comparison: Comparison, console: Console) -> None:
    """What changed, by side, with intervals; then the parameters, warnings, cautions."""
    against = "the setup files" if any(c.expected_Nm is not None for c in comparison.sides.values()) else "no change"
    names = [", ".join(r.recording.name for r in runs) for runs in (comparison.before, comparison.after)]
    console.print(f"before: {names[0]}\nafter:  {names[1]}\nexpected: {against}\n", markup=False)
    for side, change in comparison.sides.items():
        console.print(f"{side}: {VERDICT_WORDS[change.verdict]}. {change.sentence}", markup=False)
    table = Table(title="Change of the lock curve, after minus before", title_justify="left")
    for heading in ("", "change", "95 % interval", "parts say"):
        table.add_column(heading, justify="left" if not heading else "right")
    for name, (words, form) in ROWS.items():
        interval, predicted = comparison.change[name], comparison.predicted_change[name]
        table.add_row(
            words,
            form.format(interval.value),
            f"{form.format(interval.lower)} to {form.format(interval.upper)}",
            "–" if predicted is None else form.format(predicted),
        )
    console.print()
    console.print(table)
    for warning in comparison.warnings:
        console.print(f"Warning: {warning}", markup=False)
    console.print(
        "\nHow to read it: both sides are fitted with one car and one tyre, so what is wrong with those is wrong alike "
        "in both and leaves the change alone. An interval that holds zero cannot rule out that nothing changed.",
        markup=False,
    )
    console.print("\nCautions: " + " ".join(CAUTIONS), markup=False)
