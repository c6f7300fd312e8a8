"""How numbers and names are written wherever they are said, and the cautions that every result carries.

No sign on a zero, a dash where there is none, one lap, two laps, and nothing in a name that a terminal would obey.
"""

import math
import re
from collections.abc import Sequence

CAUTIONS = (
    "Estimates, not measurements: confirm on the bench before and after a change.",
    "A change to a differential changes stability at the limit: try it on a closed course, progressively.",
    "For rotating and sprung parts, lifting and torque figures follow the maker's manual and use qualified people.",
    "Event rules and local law come first.",
)


# control characters but tab and line feed (ECMA-48: C0, delete, C1), and bytes of a file name that are no UTF-8
# and marks that turn the order of letters (Unicode Standard Annex 9, 2.1 to 2.4), which show another name than there is
_NOT_PRINTABLE = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff]")
LONGEST_SHOWN = 60  # letters of a name


def printable(text: str) -> str:
    r"""`text` with a mark in the place of each character that a terminal would obey or that cannot be written.

    Examples
    --------
    >>> printable("run\x1b[2J.csv")
    'run�[2J.csv'
    """
    return _NOT_PRINTABLE.sub("\ufffd", text)


def shown_name(name: str) -> str:
    """A name of a file or a column as a person is told it: what is longer than a line is cut."""
    return name if len(name) <= LONGEST_SHOWN else f"{name[:LONGEST_SHOWN]}..."


def number(value: float | None, digits: int = 0) -> str:
    """`value` with `digits` decimals, a dash where there is none; -2 digits round to hundreds.

    Examples
    --------
    >>> number(-0.04, 1), number(None), number(1816.2, -2)
    ('0.0', '–', '1800')
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{round(value, digits):.{max(digits, 0)}f}"
    return text.lstrip("-") if float(text) == 0 else text


def signed(value: float | None, digits: int = 0) -> str:
    """`value` with its sign and `digits` decimals, a dash where there is none; what rounds to zero has no sign.

    Examples
    --------
    >>> signed(12.3), signed(-0.004, 2)
    ('+12', '0.00')
    """
    if value is None:
        return "–"
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def span(lowest: float | None, highest: float | None) -> tuple[str, str]:
    """Both ends to the third figure of what is between them, for a position moves in its fifth decimal only; whole
    numbers stay whole.

    Examples
    --------
    >>> span(43.99999, 44.00373), span(1, 4), span(None, None)
    (('43.99999', '44.00373'), ('1', '4'), ('–', '–'))
    """
    if lowest is None or highest is None:
        return number(None), number(None)
    apart = highest - lowest or abs(highest) or 1.0
    whole = float(lowest).is_integer() and float(highest).is_integer()
    digits = 0 if whole else max(0, 2 - math.floor(math.log10(apart)))
    return number(lowest, digits), number(highest, digits)


def counted(count: float, one: str, more: str | None = None) -> str:
    """`count` things, named `one` when it is one and `more` (an s added where none is given) otherwise.

    Examples
    --------
    >>> counted(1, "lap"), counted(0, "lap"), counted(2, "line has", "lines have")
    ('1 lap', '0 laps', '2 lines have')
    """
    text = f"{count:.0f}"
    return f"{text} {one if text == '1' else more or one + 's'}"


def capitalised(text: str) -> str:
    """A text as a sentence begins; abbreviations in it stay as they are.

    Examples
    --------
    >>> capitalised("rear left wheel speed"), capitalised("GPS speed")
    ('Rear left wheel speed', 'GPS speed')
    """
    return text[:1].upper() + text[1:]


def listed(words: Sequence[str], last: str = "and") -> str:
    """Words one after the other, `last` before the last of them.

    Examples
    --------
    >>> listed(["preload"]), listed(["preload", "drive", "coast"])
    ('preload', 'preload, drive and coast')
    """
    return f"{', '.join(words[:-1])} {last} {words[-1]}" if len(words) > 1 else "".join(words)


def when(start_s: float | None, end_s: float | None) -> str:
    """A stretch of the log, a moment where it has no length; nothing where it is the whole log.

    Examples
    --------
    >>> when(12.3, 15.62), when(12.3, 12.3), when(None, None)
    ('12.30 to 15.62 s', '12.30 s', '')
    """
    if start_s is None or end_s is None:
        return ""
    start = number(start_s, 2)
    return f"{start} s" if end_s - start_s < 0.005 else f"{start} to {number(end_s, 2)} s"
