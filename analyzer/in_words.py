"""How numbers are written wherever they are said: no sign on a zero, a dash where there is none, one lap, two laps."""

import math


def number(value: float | None, digits: int = 0) -> str:
    """`value` with `digits` decimals, a dash where there is none.

    Examples
    --------
    >>> number(-0.04, 1), number(None)
    ('0.0', '–')
    """
    if value is None or not math.isfinite(value):
        return "–"
    text = f"{value:.{digits}f}"
    return text.lstrip("-") if float(text) == 0 else text


def signed(value: float, digits: int = 0) -> str:
    """`value` with its sign and `digits` decimals; what rounds to zero has no sign.

    Examples
    --------
    >>> signed(12.3), signed(-0.004, 2)
    ('+12', '0.00')
    """
    text = f"{value:+.{digits}f}"
    return text[1:] if float(text) == 0 else text


def counted(count: float, one: str, more: str | None = None) -> str:
    """`count` things, named `one` when it is one and `more` (an s added where none is given) otherwise.

    Examples
    --------
    >>> counted(1, "lap"), counted(0, "lap"), counted(2, "line has", "lines have")
    ('1 lap', '0 laps', '2 lines have')
    """
    text = f"{count:.0f}"
    return f"{text} {one if text == '1' else more or one + 's'}"
