"""An advice on the terminal, readable at 80 columns."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from analyzer.advice.options import Advice
from analyzer.presentation.advice_words import (
    CAUSE_WORDS,
    CURE_WORDS,
    HOW_TO_READ,
    answer,
    assumptions,
    cause_sentence,
    depends_on,
    logged_words,
    outcome_words,
    shown,
    sure_words,
    why,
)
from analyzer.presentation.terminal import print_ending, terminal_table

HEADINGS = {"spin_s": "either rear spins, s", "coast_moment_Nm": "off-throttle moment, N.m"}
HEADING_DIGITS = {"spin_s": 1, "coast_moment_Nm": 0}


def print_advice(advice: Advice, console: Console) -> None:
    """Answer, causes, the advised builds with why, the table of the front, what it depends on, cautions."""
    said = answer(advice)
    say = lambda text: console.print(text, markup=False)  # noqa: E731
    console.print(Text(f"{said}\n", style="bold"))
    for cure, cause in advice.causes.items():
        say(f"{CURE_WORDS[cure]}: {CAUSE_WORDS[cause.verdict]}. {cause_sentence(cause)}")
    for option in advice.top:
        console.print(Text(f"\n{option.rank}. {option.build.label}", style="bold"))
        for words in (why(option, advice), sure_words(option), f"It depends on {depends_on(option, advice)}"):
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
    for assumption in assumptions(advice):
        console.print(Padding(Text(assumption), (0, 0, 0, 2), expand=False))
    if advice.refused:
        say(f"\nLeft out, because it can't be built or calculated ({len(advice.refused)}): {advice.refused[0]}")
    say(f"\n{HOW_TO_READ}")
    print_ending(console, answer=said)
