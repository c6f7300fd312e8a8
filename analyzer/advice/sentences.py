"""The sentences of an advice: why a build, what it costs, what it hangs on, what is assumed."""

import numpy as np

from analyzer.advice import options as choose
from analyzer.advice.calibration import SideCalibration
from analyzer.advice.evaluate import Session, peak_seen
from analyzer.advice.options import Cure, Option
from analyzer.in_words import listed, number
from analyzer.lockcurve import model

GOES_UP = 1.05  # a lock curve that changes by less than a twentieth on a side has not changed there


def nothing_helps(cures: tuple[Cure, ...], words: str, table: np.ndarray, options: list[Option]) -> str:
    """Why no build is advised, and the nearest; `words` name what was to be lessened."""
    cuts = np.array([choose.cut(c, table) for c in cures])
    best = int(np.argmax(cuts.sum(axis=0)))
    if len(cures) > 1 and (cuts >= choose.LEAST_CUT).any():
        return f"No build lessens {words} without adding to the other. Ask for one of them to see what it costs."
    if best == 0:
        return f"Nothing on the shelf lessens {words}: every other build adds to it."
    short = "by a fifth, which is the least that is felt" if cuts[:, best].max() < choose.LEAST_CUT else "for certain"
    change = change_words(options[best], options[0])
    return f"Nothing on the shelf lessens {words} {short}. The nearest is {options[best].build.label}. {change}."


def change_words(option: Option, fitted: Option) -> str:
    """Spin and moment before and after, with the interval of what is predicted."""
    parts = []
    for name, words, unit, digits in (
        ("inside_spin_s", "inside spin", "s", 1),
        ("both_spin_s", "both-wheel spin", "s", 1),
        ("coast_moment_Nm", "moment against the turn off the throttle", "N.m", 0),
        ("snap_Nm_s", "its rise as the throttle opens", "N.m/s", -2),
    ):
        now, then = fitted.outcome[name], option.outcome[name]
        none = 0.5 * 10.0**-digits
        if now.value is None or (name == "both_spin_s" and max(now.value, then.value) < none):
            continue
        if max(now.value, then.value) < none:
            risk = then.upper is not None and then.upper >= none
            parts.append(f"no {words}, now or then" + (f" (at most {number(then.upper, digits)} {unit})" * risk))
            continue
        span = "" if then.lower is None else f" ({number(then.lower, digits)} to {number(then.upper, digits)})"
        was, is_then = number(now.value, digits), number(then.value, digits)
        change = f"still {was}" if was == is_then else f"from {was} to {is_then}"
        parts.append(f"{words} {change}{span} {unit}")
    text = ", ".join(parts)
    return text[:1].upper() + text[1:]


def why(option: Option, fitted: Option, typical: tuple[float, float]) -> str:
    """What the build changes at usual input torques (N.m, under power and coasting), and what comes of it."""
    drive, coast = typical
    at = np.array([drive, coast])
    new, old = (model.locking_torque_Nm(o.lock_curve, at) for o in (option, fitted))
    on_drive, on_coast = (_in_place_of(*pair) for pair in zip(new, old, strict=True))
    return (
        f"At {number(drive, -1)} N.m of input torque, usual here under power, it can move {on_drive}; coasting at "
        f"{number(coast, -1)} N.m, {on_coast}. {change_words(option, fitted)}.{_cost_words(option)}"
    )


def _in_place_of(new_Nm: float, old_Nm: float) -> str:
    new, old = number(new_Nm), number(old_Nm)
    return f"{new} N.m across, as now" if new == old else f"{new} N.m across in place of {old}"


def _cost_words(option: Option) -> str:
    """What it costs elsewhere, where that is more than a tenth and surely more than none."""
    costs = [
        words
        for name, words in (
            ("both_spin_s", "Both wheels spin longer."),
            ("coast_moment_Nm", "It costs the entry: the car resists turning in more."),
            ("snap_Nm_s", "The lock comes on faster as the throttle opens: expect to feel it."),
        )
        if (option.change[name].lower or 0.0) > choose.KEEPS * (option.outcome[name].value or 0.0)
    ]
    spin = option.outcome["inside_spin_s"]
    if (
        spin.upper is not None
        and spin.value + choose.KEEPS_SPIN_S < spin.upper
        and option.change["inside_spin_s"].upper > choose.KEEPS_SPIN_S
    ):
        costs.append(f"It may spin the inside wheel, for up to {spin.upper:.1f} s in these laps.")
    return "".join(f" {words}" for words in costs)


def hangs_on(
    option: Option, fitted: Option, calibration: dict[str, SideCalibration], unseen_at_Nm: float | None
) -> str:
    """The assumption that a wrong answer would most likely come from.

    `unseen_at_Nm` is a usual input torque under power of laps with next to no spin, None where the laps show enough.
    """
    if unseen_at_Nm is not None:
        new, old = (model.locking_torque_Nm(o.lock_curve, np.array([unseen_at_Nm]))[0] for o in (option, fitted))
        if new < old / GOES_UP:
            return (
                "how much grip the inside tyre has left: these laps hardly took it over its peak, so the spin that "
                "less lock brings can be read too low."
            )
    if option.outcome["both_spin_s"].value > fitted.outcome["both_spin_s"].value + choose.KEEPS_SPIN_S:
        return "that the driver opens the throttle as in these laps: locked, the axle takes both tyres over their grip."
    new, old = option.lock_curve, fitted.lock_curve
    changed = [s for s, i in (("preload", 0), ("drive", 1), ("coast", 3)) if not _alike(new[i], old[i])]
    unsure = [s for s in changed if calibration[s].source is None]
    if unsure:
        return (
            "the setup file's plate friction and the parts' figures: the log could not check what is fitted on "
            f"{listed(unsure)}."
        )
    if changed:
        return f"that the new parts are off their figures on {listed(changed)} as the fitted ones are."
    return "the ring springs' force: from when the ramps clamp is hardly seen in a log."


def _alike(a: float, b: float) -> bool:
    return max(a, b) <= GOES_UP * max(min(a, b), 1e-9)


def assumptions(sessions: list[Session], calibration: dict[str, SideCalibration]) -> tuple[str, ...]:
    """What the whole advice rests on, one sentence each."""
    told = [
        "The driver drives the same: path, speed, steer and throttle as logged. Who gets more grip uses more throttle.",
        "The tyre is the one fitted on these laps; past its peak it is known least.",
        *(f"Calibration of {c.sentence}" for c in calibration.values()),
        "Engine and gears as the wheels feel them: "
        + (
            "0.13 kg m2 at the crankshaft through the logged ratio."
            if all("engine_speed" in s.analysis.recording.channels for s in sessions)
            else "0.13 kg m2 at the crankshaft through a ratio of 8, because not every log has the engine speed."
        ),
        "The torque at which the ramps begin to clamp is taken from the ring springs' figures.",
    ]
    if not any(peak_seen(s) for s in sessions):
        told.append(
            "The rear wheels hardly went over their peak under power, so where it lies is known only roughly: the spin "
            "that less lock would bring can be read too low."
        )
    if any(s.rows.coasting_braked for s in sessions):
        told.append(
            "Little coasting off the brakes: trail braking counts as coasting, with left and right brakes alike."
        )
    return tuple(told)
