"""Words that terminal, report and page share for a comparison."""

from analyzer.comparison.compared_runs import Conditions
from analyzer.comparison.comparison import Comparison
from analyzer.comparison.laps_needed import MOST_LAPS, PlannedChange
from analyzer.comparison.sides import SURE, AnyChange, SideChange
from analyzer.in_words import counted, listed, number, signed
from analyzer.lockcurve.estimate import Interval

VERDICT_WORDS = {
    "as_predicted": "changed as the parts predict",
    "stronger": "locks more",
    "weaker": "locks less",
    "no_change": "no meaningful change",
    "cannot_tell": "not clear from these logs",
}
AGAINST_PARTS_WORDS = VERDICT_WORDS | {
    "stronger": "locks more than the parts predict",
    "weaker": "locks less than the parts predict",
}
PARAMETER_ROWS = {
    "preload_Nm": ("preload, N.m", 0),
    "drive_slope": ("drive slope, N.m per N.m", 3),
    "drive_hold_Nm": ("drive ramps start to clamp at, N.m", 0),
    "coast_slope": ("coast slope, N.m per N.m", 3),
}
EVENT_WORDS = {
    "inside_wheel_spin": "inside rear spins",
    "coast_understeer": "off-throttle understeer",
    "chatter": "chatter in slow corners",
}
EVENT_VERDICT_WORDS = {
    "more": "more than before",
    "fewer": "fewer than before",
    "none": "none on either side, so nothing to compare",
    "cannot_tell": "not clear whether more or fewer",
}
MOST_COMPARISONS = 1000
# what laps do not average out, by the budget group of what errs
FLOOR_WORDS = {
    "radius": "how the rolling radius falls with load errs in every lap; roll the car out with and without ballast",
    "sensor_pose": "the accelerometer's place and lean err in every lap; state them in the car file",
    "car": "errors of the car file are the same in every lap; measure the figure, or state it with closer limits",
    "tyre": "the tyre is not known better from more of the same laps; more variety of corners and throttle tells",
    "acceleration": "the accelerometers' offset is the same through a whole run; several runs a side average it",
    "wheel_calibration": "the wheels' calibration errs the same through a whole run; several runs a side average it",
    "plates": "how much harder plates stick than slip errs in every lap; more time with the packs slipping tells",
    "yaw_rate": "the gyro error is the same through a whole run; several runs a side average it",
    "hold-off": "the ramps may begin to clamp elsewhere after the change; passes on light throttle would tell",
    "tyre form": "a tyre unlike the fitted curve makes the change itself uncertain by a share of it",
}
SIDE_WORDS = {"preload": "Preload", "drive": "What the ramps add on drive", "coast": "What the ramps add on coast"}
HOW_TO_READ_COMPARISON = (
    "Both sides are fitted with one car and one tyre, so errors common to both runs cancel. Preload is the locking "
    "torque at zero input torque. Drive and coast are what the ramps add to it, averaged over the input torques at "
    "which both sides slipped. 'No meaningful change' is a result of its own: the change lies inside the margin, at "
    "95 % confidence to either side. The margin is 20 % of the level before, but at least what takes 0.6 % of the "
    "front tyres' side force at 1 g, a few tenths of a degree at the steering wheel. If the logs can't show it, the "
    "answer is 'not clear'. The ramps are taken to start to clamp where they did before, unless the setup files say "
    "otherwise (on the command line: --ring-springs-changed). The logs alone can't separate other ring springs from "
    "less preload and less on drive. Spins may differ by a few from each run's own report, because the tyre is then "
    "fitted to that run alone."
)


def warnings(seen: Conditions) -> tuple[str, ...]:
    """Limits of a comparison, one or two sentences each."""
    told = []
    if seen.grip_differs:
        told.append(
            f"The friction used changed by {100 * seen.grip_change:+.0f} %: other tyres, or a wetter or drier track. "
            "Each side is fitted with its own tyre, which widens the intervals."
        )
    if seen.other_circuit:
        told.append(
            "The corners of the runs can't be matched (no laps found, or another circuit). Nothing is compared corner "
            "by corner, and errors of single corners do not cancel."
        )
    if seen.speed_apart is not None:
        between, within = seen.speed_apart
        told.append(
            f"Speed along the lap differs by {100 * between:.1f} % between the sides and by {100 * within:.1f} % from "
            "lap to lap: another driver, traffic or other intent. Corners of each side count by themselves, which "
            "widens the intervals, and changes at matched speed and throttle are less certain."
        )
    if seen.throttle is not None:
        before, after = seen.throttle
        told.append(
            f"Mean throttle changed from {100 * before:.0f} to {100 * after:.0f} %: another driver, other intent or "
            "traffic. Compare the lock curves, not the corner times."
        )
    if not seen.every_gyro:
        told.append("Not every run has a yaw-rate channel; without it the change is far less certain.")
    if seen.sensor_change:
        told.append(
            f"Lateral acceleration over speed times yaw rate reads {100 * seen.sensor_change:+.1f} % after the change: "
            "another sensor, mounting or scale. Each side gets its own yaw-rate scale, which widens the intervals. Log "
            "both sides with the same sensors."
        )
    return tuple(told)


def side_sentence(side: str, change: SideChange) -> str:
    """The change on one side (`preload`, `drive`, `coast`) with its interval, and what the parts predict."""
    found = change.change_Nm
    if found.value is None or found.lower is None or found.upper is None:
        return f"The runs do not both slip on {side}, so there is nothing to compare."
    surely = found.lower > 0 or found.upper < 0
    text = (
        f"{SIDE_WORDS[side]}{' changed by' if surely else ', as measured:'} {signed(found.value)} N.m "
        f"({signed(found.lower)} to {signed(found.upper)}), from {number(change.before_Nm)} N.m"
    )
    return text + ("." if change.expected_Nm is None else f"; the parts predict {signed(change.expected_Nm)}.")


def why_not_planned(change: PlannedChange) -> str | None:
    """Why no number of laps shows a change, or nothing can be planned for it; None where a number does."""
    if change.change_Nm is None:
        return f"the rear axle slips too little on {change.side} in these logs to plan for a change there"
    if change.held_by is None:
        return None
    group, _, name = change.held_by.partition(": ")
    if group not in FLOOR_WORDS:
        return f"corner passes scatter too much; more than {MOST_LAPS} laps a side would be needed"
    which = f" ({name.removeprefix('log_').replace('_', ' ')})" if group in ("car", "tyre") else ""
    return FLOOR_WORDS[group] + which


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


def whole(found: AnyChange) -> str:
    """Did anything change, yes or no, and how sure."""
    match found.verdict:
        case "yes":
            return f"Something changed: {_by_chance(found.probability)}."
        case "no":
            less = f" A smaller change is there: {_by_chance(found.probability)}." if found.probability < SURE else ""
            return f"Nothing changed that matters, neither in preload nor in what the ramps add.{less}"
        case _:
            return f"Not clear whether anything changed: {_by_chance(found.probability)}."


def _by_chance(probability: float) -> str:
    if probability < 1 / MOST_COMPARISONS:
        return f"chance makes such a difference in fewer than 1 of {MOST_COMPARISONS} comparisons of one setup"
    times = 1 / probability
    return f"chance makes such a difference in 1 of {number(times, 0 if times >= 2 else 1)} comparisons of one setup"


def comparison_answer(comparison: Comparison) -> tuple[str, str]:
    """Did it take, and how sure: a line each, of about 80 characters."""
    sides = comparison.sides
    against_parts = any(c.expected_Nm is not None for c in sides.values())
    first = _against_parts(sides) if against_parts else _against_nothing(sides)
    spans = [
        f"{side} {signed(c.change_Nm.lower)} to {signed(c.change_Nm.upper)}"
        for side, c in sides.items()
        if c.change_Nm.value is not None
    ]
    return first, f"95 %: {', '.join(spans)} N.m; {_driven(comparison)}."


def _driven(comparison: Comparison) -> str:
    """Laps of both sides, and on which circles were driven."""
    sides = [comparison.of_side(side) for side in (0, 1)]
    laps = [sum(r.lap_count for r in runs if r.on_circuit) for runs in sides]
    circles = [any(not r.on_circuit for r in runs) for runs in sides]
    words = f"{number(laps[0])} and {counted(laps[1], 'lap')}" if any(laps) else ""
    if any(circles):
        where = "both sides" if all(circles) else "one side only"
        words += f"{', ' if words else ''}circles on {where}"
    return words


def _against_nothing(sides: dict[str, SideChange]) -> str:
    changed = [
        f"{side} {signed(c.change_Nm.value)}" for side, c in sides.items() if c.verdict in ("stronger", "weaker")
    ]
    rest = _rest(sides)
    if changed:
        return f"It changed: {', '.join(changed)} N.m{rest}."
    if all(c.verdict == "no_change" for c in sides.values()):
        return "No meaningful change: not in preload, not on drive, not on coast."
    if any(c.verdict == "no_change" for c in sides.values()):
        return f"No change was found{rest}."
    return "It is not clear from these logs whether anything changed."


def _against_parts(sides: dict[str, SideChange]) -> str:
    meant = {side: c for side, c in sides.items() if c.expected_Nm is not None and abs(c.expected_Nm) >= c.margin_Nm}
    off = [
        f"{side} {signed(c.change_Nm.value)} N.m where the parts predict {signed(c.expected_Nm or 0.0)}"
        for side, c in sides.items()
        if c.verdict in ("stronger", "weaker")
    ]
    took = [f"{side} {signed(c.change_Nm.value)}" for side, c in meant.items() if c.verdict == "as_predicted"]
    open_sides = [side for side, c in meant.items() if c.verdict == "cannot_tell"]
    if off:
        return f"Not what the parts predict: {'; '.join(off)}."
    if not meant and all(c.verdict == "no_change" for c in sides.values()):
        return "No meaningful change, as the parts predict: not in preload, not on drive, not on coast."
    if not meant:
        return f"The parts predict no meaningful change; on track {_rest(sides).removeprefix('; ')}."
    if open_sides and not took:
        return f"It is not clear whether the change took ({listed(open_sides)})."
    rest = _rest({side: c for side, c in sides.items() if c.verdict != "as_predicted"})
    return f"It took, as the parts predict: {', '.join(took)} N.m{rest}."


def _rest(sides: dict[str, SideChange]) -> str:
    same = [side for side, c in sides.items() if c.verdict == "no_change"]
    unknown = [side for side, c in sides.items() if c.verdict == "cannot_tell"]
    text = f"; {listed(same)} the same" if same else ""
    return text + (f"; {listed(unknown)} not clear" if unknown else "")
