"""An advice on the terminal at 80 columns, and the words that it shares with the report."""

from rich.console import Console
from rich.padding import Padding
from rich.text import Text

from analyzer.advice.options import Advice, Option
from analyzer.in_words import number
from analyzer.lockcurve.estimate import Interval
from analyzer.presentation.terminal import print_ending, terminal_table

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


# read by advice.html
OUTCOME_WORDS = {
    "inside_spin_s": ("inside rear spins, s", 1),
    "both_spin_s": ("both rears spin, s", 1),
    "coast_moment_Nm": ("moment against the turn off the throttle, N.m", 0),
    "entry_share": ("share of the front tyres' side force that it takes, %", 1),
    "snap_Nm_s": ("rise of that moment as the throttle opens, N.m/s", -2),
}
CAUSE_WORDS = {
    "differential": "the differential's",
    "not_the_differential": "not the differential's",
    "nothing_to_cure": "nothing to cure",
    "cannot_tell": "cannot be told",
}
CURE_WORDS = {"spin": "spin under power", "entry": "entry off the throttle"}
HOW_TO_READ = (
    "How to read it: the logged laps are driven again in the computer with each build's lock curve; path, speed, steer "
    "and throttle stay as logged. Times are over all laps given; intervals are 95 % and hold what is not sure of tyre, "
    "car, engine, friction and parts, and for spin times how far a driver's answer put simulated pairs of runs off."
)


def outcome_words(interval: Interval, digits: int, factor: float = 1.0) -> str:
    """Value times `factor` with its interval, a dash where there is none."""
    if interval.value is None:
        return "–"
    value = number(factor * interval.value, digits)
    if interval.lower is None or interval.upper is None or interval.lower == interval.upper:
        return value
    return f"{value} ({number(factor * interval.lower, digits)} to {number(factor * interval.upper, digits)})"


def logged_words(advice: Advice) -> str:
    """How near the replay of what is fitted comes to the log: the first thing to ask of a replay."""
    spin = "spin, {} s in the log, {} s in the replay".format(
        *(number(found["spin_s"], 1) for found in (advice.logged, advice.replayed))
    )
    checked = f"What is fitted, for a check: {spin}, and times are tied to the log's"
    if advice.logged_moment.value is None:
        return f"{checked}."
    moments = [outcome_words(i, 0) for i in (advice.logged_moment, advice.fitted.outcome["coast_moment_Nm"])]
    return (
        f"{checked}; moment against the turn off the throttle, {moments[0]} N.m in the log, {moments[1]} N.m in the "
        "replay, which weighs the log with the parts' figures."
    )


def sure_words(option: Option) -> str:
    """How sure, in a sentence."""
    return f"About {100 * option.sure:.0f} % sure to take away a fifth or more, if the assumptions hold."


def shown(advice: Advice) -> list[tuple[str, Option]]:
    """Mark and build of what tables and picture name: what is fitted, the advised by number, and the rest of the best
    trade-offs by letter, from little spin to much."""
    rest = [o for o in advice.options[1:] if o.on_front and o.rank is None]
    rest.sort(key=lambda o: o.outcome["spin_s"].value)
    letters = [chr(ord("A") + i % 26) * (1 + i // 26) for i in range(len(rest))]
    numbered = [(str(o.rank), o) for o in advice.top]
    return [("", advice.fitted), *numbered, *zip(letters, rest, strict=True)]
