"""How measured and predicted lock curve compare, in sentences; what would explain a difference; and the odds against
other builds, in words and as bars.
"""

import math
from collections.abc import Sequence

from analyzer.agreement.alternatives import RAMP_STEP_DEG, STIFFEST
from analyzer.agreement.verdict import (
    CLOSE,
    FLOOR_NM,
    TELLING,
    Diagnosis,
    Explanation,
    FromBound,
    FromCurve,
    Odds,
    OddsAgainst,
    OfSpool,
    SideVerdict,
    Unmeasured,
)
from analyzer.in_words import capitalised, listed

SIDE_NAMES = {"preload": "Preload", "drive": "On drive", "coast": "On coast"}
EXPLANATION_NAMES = {
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
NAMES = {
    "ramps_exchanged": "drive and coast ramps exchanged",
    "preload_gone": "preload gone",
    "plates_worn": "plates worn thin, half the preload left",
    "plates_glazed": "plates glazed, 0.6 of the friction",
    "ring_springs_left_out": "ring springs left out",
    "ramps_steeper": f"ramps a step steeper ({RAMP_STEP_DEG:.0f} degrees)",
    "ramps_flatter": f"ramps a step flatter ({RAMP_STEP_DEG:.0f} degrees)",
    "preload_step_up": "preload a step up (a quarter more)",
    "preload_step_down": "preload a step down",
}
SILENT = 2.0
SURE = 10.0
# the calibration has too few cases beyond it to say more
MOST = 100.0
TIED = 3.0
HOW_TO_READ = (
    "Each bar is the setup file against one other build, both held equally likely before the log was read. To the "
    "right the log speaks for the file, to the left for the other build; a bar twice as long is the odds squared. "
    "Under 2 to 1 there is no bar: this log can't separate the two. In simulation at least nine in ten of what was "
    "said at 10 to 1 or more were right."
)


def side_sentence(side: str, found: SideVerdict) -> str:
    """What one side (`preload`, `drive`, `coast`) was judged by, and what to check where it is off."""
    match found:
        case FromCurve():
            return f"{SIDE_NAMES[side]}: {_from_curve(side, found)}"
        case FromBound():
            return f"{SIDE_NAMES[side]}: nothing slipped. {_from_bound(found)}"
        case Unmeasured():
            return f"{SIDE_NAMES[side]}: {found.reason or 'too few slipping samples here to measure it'}."
        case OfSpool():
            return _of_spool(found)


def _from_curve(side: str, found: FromCurve) -> str:
    numbers = (
        f"measured {found.measured_Nm:.0f} N.m ({found.lower_Nm:.0f} to {found.upper_Nm:.0f}), "
        f"predicted {found.predicted_Nm:.0f} N.m"
    )
    if side != "preload":
        numbers += f", mean over {found.from_Nm:.0f} to {found.to_Nm:.0f} N.m of input torque"
    if found.verdict == "agrees":
        return f"{numbers}. The log agrees with the setup file."
    if found.verdict == "cannot_tell":
        share = f" ({100 * TELLING:.0f} %)" if found.predicted_Nm >= FLOOR_NM else ""
        return f"{numbers}. The interval is too wide to show a difference of {found.telling_Nm:.0f} N.m{share}."
    return f"{numbers}. {_off(side, found)}"


def _from_bound(found: FromBound) -> str:
    least = f"The locking torque is at least {found.bound_Nm:.0f} N.m at {found.at_Nm:.0f} N.m of input torque"
    if found.verdict == "stronger":
        return f"{least}; the setup file allows {found.predicted_upper_Nm:.0f} N.m at most."
    return f"{least}, which the setup file meets. It may be more: the log gives no upper limit."


def _of_spool(found: OfSpool) -> str:
    if found.slipping_share is None:
        return "No sample of this log separates locked from slipping."
    if found.verdict == "agrees":
        return "The rear wheels turned as one throughout, as a spool makes them."
    return (
        f"A spool never slips, but the rear wheels turned apart in {100 * found.slipping_share:.0f} % of the samples."
    )


def _off(side: str, found: FromCurve) -> str:
    """What of the file the log contradicts: the level, and whether the ramps or the preload make the difference."""
    measured, predicted = found.measured_Nm, found.predicted_Nm
    if predicted < 1.0:
        return f"The setup file predicts no lock here; the log shows {measured:.0f} N.m."
    under, apart = "over" if measured > predicted else "under", abs(measured - predicted)
    in_torque = predicted < FLOOR_NM or apart > predicted  # a share of little says little
    size = f"{apart:.0f} N.m" if in_torque else f"{100 * apart / predicted:.0f} %"
    text = f"That is {size} {under} the setup file"
    if side == "preload":
        return f"{text}. Check cone springs, shims, plate wear and the bench reading."
    if found.slope is None or not found.predicted_slope:
        return f"{text}."
    change = found.slope / found.predicted_slope - 1
    if abs(change) <= CLOSE:
        return f"{text}. The slope is within 10 % of the file's, so the difference comes from preload or hold-off."
    way = "over" if change > 0 else "under"
    against = f"is {100 * abs(change):.0f} % {way} the file's" if change <= 1 else "compares with the file's"
    return (
        f"{text}. The measured {side} slope of {found.slope:.2f} {against} {found.predicted_slope:.2f}: check the ramp "
        "angles, which way round the rings sit, and the plate friction."
    )


def explanation_sentence(found: Explanation) -> str:
    """What one explanation would mean in the workshop."""
    name = capitalised(EXPLANATION_NAMES[found.kind])
    value, lower, upper = found.value, found.lower, found.upper
    if found.kind == "ring_springs":
        return (
            f"{name}: they would hold back {value:.0f} N.m of locking torque on either side "
            f"({lower:.0f} to {upper:.0f}). Check which springs are fitted, how many, and their length."
        )
    factor = "" if value is None else f"{value:.2f} times the file's ({lower:.2f} to {upper:.2f})"
    if at_the_end(found):
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
    }[found.kind]


def at_the_end(found: Explanation) -> bool:
    """Whether its interval ends where the search for a preload does, so that its end is no upper limit."""
    return found.kind == "preload_up" and found.upper is not None and found.upper > 0.99 * STIFFEST


def times_words(times: float) -> str:
    """How much better, in words that do not pretend to more than they know."""
    if times >= MOST_TIMES:
        return "more than 1000 times better"
    return f"{times:.0f} times better" if times >= 2 else "no better"


def diagnosis_sentence(found: Diagnosis) -> str:
    """The whole diagnosis in one or two sentences."""
    if found.verdict == "cannot_tell":
        return "The log measures and bounds nothing to weigh explanations by."
    if found.verdict == "as_the_file_says":
        text = "Nothing explains the log clearly better than the setup file as it is"
        return text + (f"; it is also possible that {_either(found.tied[1:])}." if found.tied[1:] else ".")
    others = [kind for kind in found.tied if kind != "as_the_file_says"]
    lead = next(x for x in found.explanations if x.kind == others[0])
    better = times_words(lead.times_better)
    if found.verdict == "explained":
        text = f"{explanation_sentence(lead)} That explains the log {better} than the file as it is."
    elif "as_the_file_says" in found.tied:
        text = f"Not clear: the file may be right, or {_either(others)} ({better}, which is not enough to decide)."
    else:
        text = (
            f"The file as it is does not explain the log; {_either(others)} would, up to {better}, and this log can't "
            "separate them."
        )
    if not lead.fits:
        text += " Even so the fit is poor: more than one thing may differ, or something that is not on this list."
    return text


def _either(kinds: Sequence[str]) -> str:
    return listed([EXPLANATION_NAMES[kind] for kind in kinds], "or")


def odds_words(one: OddsAgainst) -> str:
    """The odds in words: for whom, or that nothing can be said."""
    times = max(one.for_the_file, 1 / one.for_the_file)
    if times < SILENT:
        return "not separable"
    more = "more than " if times > MOST else ""
    return f"{more}{_rounded(times)} to 1 {'for the file' if one.for_the_file > 1 else 'against the file'}"


def bar(one: OddsAgainst) -> float:
    """Length of the bar from -1 (against the file) to 1 (for it); 0 where nothing is said."""
    size = math.log(min(max(one.for_the_file, 1 / MOST), MOST)) / math.log(MOST)
    return 0.0 if abs(size) < math.log(SILENT) / math.log(MOST) else size


def headline(found: Odds, verdict: str) -> str:
    """The odds in one or two sentences; where log and file disagree (`verdict`), whether no build explains it."""
    text = _headline(found)
    explained = any(o.for_the_file <= 1 / SURE for o in found.against)
    if verdict in ("stronger", "weaker") and not explained:
        text += " The log contradicts the file, and none of these builds alone explains it."
    return text


def _headline(found: Odds) -> str:
    against = sorted((o for o in found.against if o.for_the_file <= 1 / SILENT), key=lambda o: o.for_the_file)
    beaten = [o for o in found.against if o.for_the_file >= SURE]
    if against:
        best = against[0]
        tied = [NAMES[o.kind] for o in against if o.for_the_file <= TIED * best.for_the_file]
        times = f"{_rounded(1 / best.for_the_file)} to 1"
        if best.for_the_file > 1 / SURE:
            return f"The log leans to {listed(tied, 'or')}: {times} against the setup file, too little to act on."
        more = "more than " if best.for_the_file < 1 / MOST else ""
        text = f"{capitalised(listed(tied, 'or'))} rather than the setup file: {more}{times}."
        return text + ("" if len(tied) == 1 else " This log can't separate these.")
    if not beaten:
        return "This log can't separate the setup file from any of these builds: no odds reach 10 to 1."
    least = min(o.for_the_file for o in beaten)
    size = f"{_rounded(least)} to 1 {'or more for the setup file' if len(beaten) > 1 else 'for the file'}"
    return f"{capitalised(size)} against {listed([NAMES[o.kind] for o in beaten], 'or')}."


def _rounded(times: float) -> str:
    """Rounded down, to no more than is known."""
    times = min(times, MOST)
    step = 10 if times >= 30 else 5 if times >= 10 else 1
    return f"{step * math.floor(times / step):.0f}"
