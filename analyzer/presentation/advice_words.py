"""An advice in words: the answer, why a build, what it costs, what the result depends on, what is assumed."""

import numpy as np

from analyzer.advice import choice as choose
from analyzer.advice.calibration import SideCalibration
from analyzer.advice.choice import CURES, Advice, Cause, EntryCause, Option, SpinCause
from analyzer.advice.evaluate import NAMES
from analyzer.advice.replay import USUAL_RATIO
from analyzer.in_words import capitalised, listed, number
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval

GOES_UP = 1.05  # a lock curve that changes by less than a twentieth on a side has not changed there
# read by advice.html
OUTCOME_WORDS = {
    "inside_spin_s": ("inside rear spins, s", 1),
    "both_spin_s": ("both rears spin, s", 1),
    "coast_moment_Nm": ("off-throttle moment against the turn, N.m", 0),
    "entry_share": ("its share of the front tyres' side force, %", 1),
    "snap_Nm_s": ("rise of the moment as the throttle opens, N.m/s", -2),
}
CAUSE_WORDS = {
    "differential": "the differential",
    "not_the_differential": "not the differential",
    "nothing_to_cure": "nothing to cure",
    "cannot_tell": "not clear from this log",
}
CURE_WORDS = {"spin": "spin under power", "entry": "off-throttle entry"}
AIMS = {"spin": "the spin", "entry": "the off-throttle moment against the turn"}
SIDE_WORDS = {
    "preload": "preload",
    "drive": "what the ramps add on drive",
    "coast": "what the ramps add on coast",
}
HOW_TO_READ_ADVICE = (
    "How to read it: the logged laps are replayed in simulation with each build's lock curve. Path, speed, steer and "
    "throttle stay as logged. Times are over all laps given. Intervals are 95 %: they cover tyre, car, engine, "
    "friction and parts, and, for spin times, how far a driver's reaction put simulated pairs of runs off."
)


def advice_answer(advice: Advice) -> str:
    """What to fit next, or why nothing, in a sentence or two."""
    if not advice.cures:
        return "No part is advised. " + " ".join(cause_sentence(advice.causes[c]) for c in advice.asked or CURES)
    aim = " and ".join(AIMS[c] for c in advice.cures)
    if not advice.top:
        return _nothing_helps(advice, aim)
    first = advice.top[0]
    return f"To reduce {aim}, fit {first.build.label}. {change_words(first, advice.fitted)}."


def _nothing_helps(advice: Advice, aim: str) -> str:
    """Why no build is advised, and the nearest."""
    table = np.array([[o.outcome[name].value for name in NAMES] for o in advice.options], float)
    cuts = np.array([choose.cut(c, table) for c in advice.cures])
    best = int(np.argmax(cuts.sum(axis=0)))
    if len(advice.cures) > 1 and (cuts >= choose.LEAST_CUT).any():
        return f"No build reduces {aim} without adding to the other. Ask for one of them to see what it costs."
    if best == 0:
        return f"No part on the shelf reduces {aim}: every other build adds to it."
    short = "by a fifth, the least a driver feels" if cuts[:, best].max() < choose.LEAST_CUT else "for certain"
    nearest = advice.options[best]
    change = change_words(nearest, advice.fitted)
    return f"No part on the shelf reduces {aim} {short}. The nearest is {nearest.build.label}. {change}."


def cause_sentence(cause: Cause) -> str:
    """Is the differential the thing to change, and why."""
    return _spin(cause) if isinstance(cause, SpinCause) else _entry(cause)


def _spin(cause: SpinCause) -> str:
    inside, share = f"The inside rear spins for {cause.inside_spin_s:.1f} s", f"{100 * (cause.share or 0.0):.0f} %"
    return {
        "no_spin": "No rear wheel spins under power in these laps for long enough to cure.",
        "both_spin": f"Both rear wheels spin for {cause.both_spin_s:.1f} s, the inside one alone for "
        f"{cause.inside_spin_s:.1f} s: that is more torque than both tyres can hold. Throttle, tyres and pressures "
        "come first; more lock would not cure it.",
        "asked_too_much": f"{inside}, but for {share} of that time the outside tyre had no grip left to use. You asked "
        "for more than the tyres had; more lock would spin both.",
        "wheel_hangs": f"{inside}, and carries only {share} of its static load there: the wheel hangs. Springs, bars "
        "and droop come first; more lock only hides it. Read the builds below with that in mind.",
        "outside_near_limit": f"{inside}, mostly with the outside tyre near its own limit. This log can't show whether "
        "more lock has grip to use. Read the builds below with that in mind.",
        "outside_has_grip": f"{inside} under power while the outside rear has grip left: the differential let the "
        "inside wheel go.",
    }[cause.reason]


def _entry(cause: EntryCause) -> str:
    if cause.reason == "no_coasting":
        return "There is too little coasting in corners to see what the differential does."
    holds = (
        f"in the replay it resists the turn with {number(cause.moment_Nm)} N.m on average off the throttle, "
        f"{number(100 * cause.front_share, 1)} % of the front tyres' side force, or at least "
        f"{number(cause.steering_wheel_deg, 1)} degrees of steering wheel"
        if cause.moment_Nm > 0
        else "in the replay it does not resist the turn off the throttle"
    )
    return {
        "of_the_differential": f"The differential makes the car understeer off the throttle: {holds}.",
        "of_the_car": f"The car understeers off the throttle, but not because of the differential: {holds}. Balance, "
        "brakes and line come first.",
        "no_understeer": f"No off-throttle understeer was found; {holds}.",
    }[cause.reason]


def change_words(option: Option, fitted: Option) -> str:
    """Spin and moment before and after, with the interval of what is predicted."""
    parts = []
    for name, words, unit, digits in (
        ("inside_spin_s", "inside spin", "s", 1),
        ("both_spin_s", "both-wheel spin", "s", 1),
        ("coast_moment_Nm", "off-throttle moment against the turn", "N.m", 0),
        ("snap_Nm_s", "rise of the moment as the throttle opens", "N.m/s", -2),
    ):
        now, then = fitted.outcome[name], option.outcome[name]
        none = 0.5 * 10.0**-digits
        if now.value is None or then.value is None or (name == "both_spin_s" and max(now.value, then.value) < none):
            continue
        if max(now.value, then.value) < none:
            risk = then.upper is not None and then.upper >= none
            parts.append(f"no {words}, now or then" + (f" (at most {number(then.upper, digits)} {unit})" * risk))
            continue
        span = "" if then.lower is None else f" ({number(then.lower, digits)} to {number(then.upper, digits)})"
        was, is_then = number(now.value, digits), number(then.value, digits)
        change = f"still {was}" if was == is_then else f"from {was} to {is_then}"
        parts.append(f"{words} {change} {unit}{span}")
    return capitalised(", ".join(parts))


def why(option: Option, advice: Advice) -> str:
    """What the build changes at usual input torques, and what comes of it."""
    return " ".join(filter(None, (holds(option, advice), f"{change_words(option, advice.fitted)}.", costs(option))))


def holds(option: Option, advice: Advice) -> str:
    """What the build holds at usual input torques, and what is fitted now."""
    drive, coast = advice.usual_torques_Nm
    at = np.array([drive, coast])
    new, old = (model.locking_torque_Nm(o.lock_curve, at) for o in (option, advice.fitted))
    on_drive, on_coast = (_in_place_of(*pair) for pair in zip(new, old, strict=True))
    return (
        f"At {number(drive, -1)} N.m of input torque, usual here under power, it can hold {on_drive}; coasting at "
        f"{number(coast, -1)} N.m, {on_coast}."
    )


def _in_place_of(new_Nm: float, old_Nm: float) -> str:
    new, old = number(new_Nm), number(old_Nm)
    return f"{new} N.m, as now" if new == old else f"{new} N.m instead of {old}"


def costs(option: Option) -> str:
    """What it costs elsewhere, where that is more than a tenth and surely more than none."""
    found = [
        words
        for name, words in (
            ("both_spin_s", "Both wheels spin longer."),
            ("coast_moment_Nm", "It costs entry: the car resists turning in more."),
            ("snap_Nm_s", "The lock comes on faster as the throttle opens: expect to feel it."),
        )
        if (option.change[name].lower or 0.0) > choose.KEEPS * (option.outcome[name].value or 0.0)
    ]
    spin, change = option.outcome["inside_spin_s"], option.change["inside_spin_s"]
    if (
        spin.upper is not None
        and (spin.value or 0.0) + choose.KEEPS_SPIN_S < spin.upper
        and (change.upper or 0.0) > choose.KEEPS_SPIN_S
    ):
        found.append(f"It may spin the inside wheel, for up to {spin.upper:.1f} s in these laps.")
    return " ".join(found)


def depends_on(option: Option, advice: Advice) -> str:
    """The assumption that a wrong answer would most likely come from."""
    fitted, drive_Nm = advice.fitted, advice.usual_torques_Nm[0]
    if not advice.peak_seen:
        new, old = (model.locking_torque_Nm(o.lock_curve, np.array([drive_Nm]))[0] for o in (option, fitted))
        if new < old / GOES_UP:
            return (
                "how much grip the inside tyre has left: these laps hardly took it over its peak, so the spin that "
                "less lock brings may read too low."
            )
    both, both_now = option.outcome["both_spin_s"].value, fitted.outcome["both_spin_s"].value
    if (both or 0.0) > (both_now or 0.0) + choose.KEEPS_SPIN_S:
        return "you opening the throttle as in these laps: locked, the axle takes both tyres over their grip."
    changed = [
        side
        for side, i in (("preload", 0), ("drive", 1), ("coast", 3))
        if not _same(option.lock_curve[i], fitted.lock_curve[i])
    ]
    unsure = [side for side in changed if advice.calibration[side].source is None]
    if unsure:
        return (
            f"the setup file's plate friction and the parts' figures: the log could not check them on {listed(unsure)}."
        )
    if changed:
        return f"the new parts being off their figures on {listed(changed)} as much as the fitted ones are."
    return "the ring springs' force: a log hardly shows where the ramps start to clamp."


def _same(a: float, b: float) -> bool:
    return max(a, b) <= GOES_UP * max(min(a, b), 1e-9)


def assumptions(advice: Advice) -> tuple[str, ...]:
    """What the whole advice rests on, one sentence each."""
    told = [
        "You drive the same: path, speed, steer and throttle as logged. A driver with more grip uses more throttle.",
        "The tyre is the one fitted on these laps; past its peak it is least certain.",
        *(f"Calibration of {calibration_sentence(side, c)}" for side, c in advice.calibration.items()),
        f"Engine and gears as the wheels feel them: {number(_engine_inertia(advice), 2)} kg m2 at the crankshaft "
        + (
            "through the logged ratio."
            if advice.engine_speed_logged
            else f"through a ratio of {USUAL_RATIO:.0f}, because not every log has the engine speed."
        ),
        "The torque at which the ramps start to clamp comes from the ring springs' figures.",
    ]
    if not advice.peak_seen:
        told.append(
            "The rear wheels hardly went over their peak under power, so the peak is known only roughly: the spin that "
            "less lock would bring may read too low."
        )
    if advice.coasting_braked:
        told.append(
            "There is little coasting off the brakes, so trail braking counts as coasting; left and right brakes are "
            "taken to be equal."
        )
    return tuple(told)


def _engine_inertia(advice: Advice) -> float:
    """At the crankshaft (kg m2), as the replay takes it: the car file's, or the usual of a car of its mass."""
    return advice.analyses[0].car.engine_inertia(ratio_logged=advice.engine_speed_logged)[0]


def calibration_sentence(side: str, found: SideCalibration) -> str:
    """How much of a side's figures is used, and where that comes from."""
    ratio = found.ratio
    span = f"{number(ratio.value, 2)} ({number(ratio.lower, 2)} to {number(ratio.upper, 2)})"
    if found.source is None:
        text = f"{span} times the setup file's figures; the log can't measure it well enough, so they nearly stand"
    elif found.source == "bench":
        text = f"{span} times what the springs predict, from the bench reading and little from the log"
    elif found.contradicted:
        text = f"{span} times the setup file's figures; the log contradicts them, so they count less"
    else:
        text = f"{span} times what the parts predict, from the log"
    return f"{SIDE_WORDS[side]}: {text}. Every build is taken to be off by the same factor."


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
    spin = "spin {} s in the log, {} s in the replay".format(
        *(number(found["spin_s"], 1) for found in (advice.logged, advice.replayed))
    )
    checked = f"To check the replay, what is fitted now: {spin}; times are tied to the log's"
    if advice.logged_moment.value is None:
        return f"{checked}."
    moments = [
        outcome_words(i, 0).replace(" (", " N.m (", 1)
        for i in (advice.logged_moment, advice.fitted.outcome["coast_moment_Nm"])
    ]
    return (
        f"{checked}. Off-throttle moment against the turn: {moments[0]} in the log, {moments[1]} in the replay, which "
        "weighs the log with the parts' figures."
    )


def sure_words(option: Option) -> str:
    """How sure, in a sentence."""
    return f"About {number(100 * (option.sure or 0.0))} % sure to take away a fifth or more, if the assumptions hold."


def shown(advice: Advice) -> list[tuple[str, Option]]:
    """Mark and build of what tables and picture name: what is fitted, the advised by number, and the rest of the best
    trade-offs by letter, from little spin to much."""
    rest = [o for o in advice.options[1:] if o.on_front and o.rank is None]
    rest.sort(key=lambda o: o.outcome["spin_s"].value or 0.0)
    letters = [chr(ord("A") + i % 26) * (1 + i // 26) for i in range(len(rest))]
    numbered = [(str(o.rank), o) for o in advice.top]
    return [("", advice.fitted), *numbered, *zip(letters, rest, strict=True)]
