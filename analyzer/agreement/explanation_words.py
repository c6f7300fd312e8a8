"""Explanations in plain words."""

from collections.abc import Sequence

from analyzer.agreement.causes import STIFFEST
from analyzer.agreement.verdict import Explanation
from analyzer.in_words import capitalised, listed

NAMES = {
    "as_the_file_says": "the parts are as the setup file says",
    "ramps_exchanged": "drive and coast ramps are exchanged",
    "preload_soft": "the preload has gone soft",
    "preload_up": "there is more preload than in the file",
    "ring_springs": "the ring springs are not the file's",
    "friction": "the plate friction is not the file's",
    "other_angle_reference": "the ramp angles are quoted from the other reference",
    "other_spring_position": "the preload springs sit in the other place than the file says",
}
MOST_TIMES = 1000.0


def sentence(kind: str, value: float | None, lower: float | None, upper: float | None) -> str:
    """What one explanation would mean in the workshop."""
    name = capitalised(NAMES[kind])
    if kind == "ring_springs":
        return (
            f"{name}: they would hold back {value:.0f} N.m of locking torque on either side "
            f"({lower:.0f} to {upper:.0f}). Check which springs are fitted, how many, and their length."
        )
    factor = "" if value is None else f"{value:.2f} times the file's ({lower:.2f} to {upper:.2f})"
    if at_the_end(kind, upper):
        factor = f"at least {lower:.2f} times the file's"
    return {
        "as_the_file_says": f"{name}.",
        "ramps_exchanged": f"{name}: check which way round the rings sit.",
        "preload_soft": f"{name}, to {factor}: check cone springs, shims and plate wear.",
        "preload_up": f"{name}, {factor}: check cone springs, shims and the bench reading.",
        "friction": f"{name}, {factor}, on preload and ramps: worn, glazed or treated plates, "
        "another oil, or another number of faces. Other preload and other ramps together would look the same.",
        "other_angle_reference": f"{name}: try ramp_angle_reference the other way in the setup file.",
        "other_spring_position": f"{name}: look whether they press between pack and case end (outside_packs) or spread "
        "the rings (between_rings), and correct cone_spring_position.",
    }[kind]


def at_the_end(kind: str, upper: float | None) -> bool:
    """Whether an interval ends where the search for a preload does, so that its end is no upper limit."""
    return kind == "preload_up" and upper is not None and upper > 0.99 * STIFFEST


def times_words(times: float) -> str:
    """How much better, in words that do not pretend to more than they know."""
    if times >= MOST_TIMES:
        return "more than 1000 times better"
    return f"{times:.0f} times better" if times >= 2 else "no better"


def conclusion(verdict: str, kinds: Sequence[str], ranked: Sequence[Explanation]) -> str:
    """The whole diagnosis in one or two sentences."""
    by_kind = {x.kind: x for x in ranked}
    if verdict == "as_the_file_says":
        text = "Nothing explains the log clearly better than the setup file as it is"
        open_ = [NAMES[k] for k in kinds[1:]]
        return text + (f"; it is also possible that {listed(open_, 'or')}." if open_ else ".")
    others = [k for k in kinds if k != "as_the_file_says"]
    lead = by_kind[others[0]]
    if verdict == "explained":
        text = f"{lead.sentence} That explains the log {times_words(lead.times_better)} than the file as it is."
    elif "as_the_file_says" in kinds:
        text = (
            f"Not clear: the file may be right, or {listed([NAMES[k] for k in others], 'or')} "
            f"({times_words(lead.times_better)}, which is not enough to decide)."
        )
    else:
        text = (
            f"The file as it is does not explain the log; {listed([NAMES[k] for k in kinds], 'or')} would, up to "
            f"{times_words(lead.times_better)}, and this log can't separate them."
        )
    if not lead.fits:
        text += " Even so the fit is poor: more than one thing may differ, or something that is not on this list."
    return text
