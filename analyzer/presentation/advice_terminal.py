"""An advice on the terminal, readable at 80 columns."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from analyzer.advice.option import Advice
from analyzer.presentation.advice_words import (
    CAUSE_WORDS,
    CURE_WORDS,
    HOW_TO_READ,
    logged_words,
    outcome_words,
    shown,
    sure_words,
)
from analyzer.presentation.terminal_ending import print_ending
from analyzer.presentation.terminal_table import terminal_table

HEADINGS = {"spin_s": "either rear spins, s", "coast_moment_Nm": "against the turn, N.m"}
HEADING_DIGITS = {"spin_s": 1, "coast_moment_Nm": 0}


def print_advice(advice: Advice, console: Console) -> None:
    """Answer, causes, the advised builds with why, the table of the front, what it hangs on, cautions."""
    say = lambda text: console.print(text, markup=False)  # noqa: E731
    console.print(Text(f"{advice.answer}\n", style="bold"))
    for cure, cause in advice.causes.items():
        say(f"{CURE_WORDS[cure]}: {CAUSE_WORDS[cause.verdict]}. {cause.sentence}")
    for option in advice.top:
        console.print(Text(f"\n{option.rank}. {option.build.label}", style="bold"))
        for words in (option.why, sure_words(option), f"It hangs on this: {option.hangs_on}"):
            console.print(Padding(Text(words), (0, 0, 0, 3), expand=False))
    table = terminal_table("What is fitted, what is advised, and the best trade-offs")
    table.add_column("build")
    for name in HEADINGS:
        table.add_column(HEADINGS[name], justify="right")
    for mark, option in shown(advice):
        cells = [outcome_words(option.outcome[name], HEADING_DIGITS[name]) for name in HEADINGS]
        table.add_row(f"{mark} {option.build.label}".strip(), *cells)
    console.print()
    console.print(table)
    say(logged_words(advice))
    console.print(Text("\nAssumed", style="bold"))
    for assumption in advice.assumptions:
        console.print(Padding(Text(assumption), (0, 0, 0, 2), expand=False))
    if advice.refused:
        say(f"\nLeft out, because it cannot be built or reckoned ({len(advice.refused)}): {advice.refused[0]}")
    say(f"\n{HOW_TO_READ}")
    print_ending(console, answer=advice.answer)
