"""How every summary on a terminal ends."""

from rich.console import Console
from rich.text import Text

from analyzer.cautions import CAUTIONS


def print_ending(console: Console, *, answer: str = "") -> None:
    """The cautions, and on a screen, whose first lines have gone by, the answer once more."""
    console.print(Text("\nCautions: " + " ".join(CAUTIONS), style="yellow"))
    if answer and console.is_terminal:
        console.print(Text.assemble("\nIn short: ", (answer, "bold"), " More above."))
