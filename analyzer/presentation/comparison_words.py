"""Words that terminal, report and page share for a comparison."""

from analyzer.comparison.comparison import Comparison
from analyzer.comparison.sides import SideChange
from analyzer.in_words import counted, listed, number, signed
from analyzer.lockcurve.estimate import Interval

VERDICT_WORDS = {
    "as_predicted": "changed as the parts say",
    "stronger": "locks more",
    "weaker": "locks less",
    "no_change": "no change that matters",
    "cannot_tell": "cannot be told",
}
AGAINST_PARTS_WORDS = VERDICT_WORDS | {
    "stronger": "locks more than the parts say",
    "weaker": "locks less than the parts say",
}
PARAMETER_ROWS = {
    "preload_Nm": ("preload, N.m", 0),
    "drive_slope": ("drive slope, N.m per N.m", 3),
    "drive_hold_Nm": ("drive ramps start to clamp at, N.m", 0),
    "coast_slope": ("coast slope, N.m per N.m", 3),
}
EVENT_WORDS = {
    "inside_wheel_spin": "inside rear spins",
    "coast_understeer": "understeer off the throttle",
    "chatter": "chatter in slow corners",
}
EVENT_VERDICT_WORDS = {
    "more": "more than before",
    "fewer": "fewer than before",
    "none": "none on either side, so nothing to compare",
    "cannot_tell": "more or fewer cannot be told",
}
HOW_TO_READ = (
    "Both sides are fitted with one car and one tyre, so what is wrong with those is wrong alike in both and leaves "
    "the change alone. Preload is the locking torque at no input torque; drive and coast are what the ramps add to it, "
    "mean over the input torques at which both sides slipped. 'No change that matters' is said only when the change "
    "lies, with 95 % confidence to either side, within the margin: 20 % of the level before, but at least what takes "
    "0.6 % of the front tyres' side force at 1 g, a few tenths of a degree at the steering wheel; when the logs "
    "cannot say so, it 'cannot be told'. "
    "The ramps are taken to begin to clamp where they did before, unless the setup files say otherwise "
    "(or, on the command line, --ring-springs-changed): the logs alone cannot tell another ring spring from less "
    "preload and less on drive."
)


def verdict_words(change: SideChange) -> str:
    """The verdict of a side, against the parts where they say something."""
    return (VERDICT_WORDS if change.expected_Nm is None else AGAINST_PARTS_WORDS)[change.verdict]


def change_cells(interval: Interval, digits: int) -> tuple[str, str]:
    """A change and its interval, a dash and the reason where there is none."""
    if interval.value is None:
        return "–", interval.reason or "–"
    return signed(interval.value, digits), f"{signed(interval.lower, digits)} to {signed(interval.upper, digits)}"


def change_words(interval: Interval, digits: int = 0, factor: float = 1.0) -> str:
    """A change with its interval in one cell, a dash where there is none."""
    if interval.value is None:
        return "–"
    text = signed(factor * interval.value, digits)
    if interval.lower is not None and interval.upper is not None:
        text += f" ({signed(factor * interval.lower, digits)} to {signed(factor * interval.upper, digits)})"
    return text


def rate_cells(ratio: Interval) -> tuple[str, str]:
    """How many times as often as before, and its interval; dashes where there were none at all."""
    if ratio.value == 0:
        return "–", "none after" if ratio.upper is None else f"none after; at most {number(ratio.upper, 1)}"
    if ratio.value is not None:
        return number(ratio.value, 1), f"{number(ratio.lower, 1)} to {number(ratio.upper, 1)}"
    if ratio.lower is not None:
        return "–", f"{ratio.reason}; at least {number(ratio.lower, 1)}"
    return "–", "–"


def answer(comparison: Comparison) -> tuple[str, str]:
    """Did it take, and how sure: a line each, of about 80 characters."""
    sides = comparison.sides
    against_parts = any(c.expected_Nm is not None for c in sides.values())
    first = _against_parts(sides) if against_parts else _against_nothing(sides)
    spans = [
        f"{side} {signed(c.change_Nm.lower)} to {signed(c.change_Nm.upper)}"
        for side, c in sides.items()
        if c.change_Nm.value is not None
    ]
    laps = [sum(r.lap_count for r in comparison.of_side(side)) for side in (0, 1)]
    return first, f"95 %: {', '.join(spans)} N.m; {number(laps[0])} and {counted(laps[1], 'lap')}."


def _against_nothing(sides: dict[str, SideChange]) -> str:
    changed = [
        f"{side} {signed(c.change_Nm.value)}" for side, c in sides.items() if c.verdict in ("stronger", "weaker")
    ]
    rest = _rest(sides, changed=bool(changed))
    if changed:
        return f"It changed: {', '.join(changed)} N.m{rest}."
    if all(c.verdict == "no_change" for c in sides.values()):
        return "Nothing changed that matters: not preload, not drive, not coast."
    if any(c.verdict == "no_change" for c in sides.values()):
        return f"No change was found{rest}."
    return "It cannot be told from these logs whether anything changed."


def _against_parts(sides: dict[str, SideChange]) -> str:
    meant = {side: c for side, c in sides.items() if c.expected_Nm is not None and abs(c.expected_Nm) >= c.margin_Nm}
    off = [
        f"{side} {signed(c.change_Nm.value)} N.m where the parts say {signed(c.expected_Nm or 0.0)}"
        for side, c in sides.items()
        if c.verdict in ("stronger", "weaker")
    ]
    took = [f"{side} {signed(c.change_Nm.value)}" for side, c in meant.items() if c.verdict == "as_predicted"]
    open_sides = [side for side, c in meant.items() if c.verdict == "cannot_tell"]
    if off:
        return f"Not as the parts say: {'; '.join(off)}."
    if not meant and all(c.verdict == "no_change" for c in sides.values()):
        return "Nothing changed that matters, as the parts say: not preload, not drive, not coast."
    if not meant:
        return f"By the parts nothing changes that matters; on track {_rest(sides, changed=False).removeprefix('; ')}."
    if open_sides and not took:
        return f"It cannot be told whether it took ({listed(open_sides)})."
    rest = _rest({side: c for side, c in sides.items() if c.verdict != "as_predicted"}, changed=True)
    return f"It took, as the parts say: {', '.join(took)} N.m{rest}."


def _rest(sides: dict[str, SideChange], *, changed: bool) -> str:
    same = [side for side, c in sides.items() if c.verdict == "no_change"]
    unknown = [side for side, c in sides.items() if c.verdict == "cannot_tell"]
    text = f"; {listed(same)} the same" if same else ""
    return text + (f"; {listed(unknown)} cannot be told" if unknown else "")
