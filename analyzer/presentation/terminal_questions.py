"""The other answers on a terminal of 80 columns: a comparison, how many laps it needs, an advice, a plan."""

import dataclasses
from typing import Any

from rich.console import Console
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from analyzer.advice.choice import Advice
from analyzer.comparison.compared_runs import Run
from analyzer.comparison.comparison import Comparison
from analyzer.comparison.laps_needed import SHOWN_LAPS, PlannedChange
from analyzer.in_words import counted, signed
from analyzer.planning.next_test import Plan
from analyzer.presentation import plan_words
from analyzer.presentation.advice_words import (
    CAUSE_WORDS,
    CURE_WORDS,
    HOW_TO_READ_ADVICE,
    advice_answer,
    assumptions,
    cause_sentence,
    depends_on,
    logged_words,
    outcome_words,
    shown,
    sure_words,
    why,
)
from analyzer.presentation.comparison_words import (
    EVENT_VERDICT_WORDS,
    EVENT_WORDS,
    HOW_TO_READ_COMPARISON,
    PARAMETER_ROWS,
    change_cells,
    change_words,
    comparison_answer,
    rate_cells,
    side_sentence,
    verdict_words,
    warnings,
    whole,
    why_not_planned,
)
from analyzer.presentation.result_json import plain
from analyzer.presentation.terminal import print_ending, terminal_table
from analyzer.presentation.words import PHASE_NAMES

HALF_WIDTH = 1.96  # 95 %, in standard errors
SOURCE_WORDS = {
    "acceleration: long_bias": "offset of the longitudinal acceleration",
    "acceleration: lat_bias": "offset of the lateral acceleration",
    "acceleration: steer_offset": "offset of the steer",
    "wheel_calibration: rear_left_right_scale": "left against right rear wheel speed",
    "wheel_calibration: front_left_right_scale": "left against right front wheel speed",
    "wheel_calibration: rear_front_scale": "rear against front wheel speed",
    "wheel_calibration: log_speed_scale": "ground speed against wheel speeds",
    "wheel_calibration: log_front_track": "front track against rear track",
    "radius: radius_fall": "rolling radius under load (car file)",
    "radius: radius_bend": "rolling radius of a light wheel",
    "sensor_pose: sensor_x_m": "place of the accelerometer along the car",
    "sensor_pose: sensor_y_m": "place of the accelerometer across the car",
    "sensor_pose: sensor_turned": "accelerometer turned in its mounting",
    "sensor_pose: lat_gain": "lean and scale of the lateral accelerometer",
    "sensor_pose: change_gain": "scale of the change of speed, by clock and wheels",
    "sensor_pose: long_gain": "lean and scale of the longitudinal accelerometer",
    "sensor_pose: over the whole session": "lateral acceleration against speed times yaw rate",
    "yaw_rate: yaw_bias": "offset of the yaw rate",
    "yaw_rate: log_yaw_scale": "scale of the yaw rate",
    "car: log_load_transfer": "rear share of the load transfer (car file)",
    "car: log_cg_height": "height of the centre of gravity (car file)",
    "car: cross_weight": "weight on front right and rear left (corner weights)",
    "car: log_mass": "mass (car file)",
    "plates: log_static_ratio": "how much harder the plates stick than slip",
    "hold-off": "where the ramps start to clamp",
    "tyre form": "shape of the tyre curve",
}
READ = (
    "The laps are needed before the change and as many after it, driven as in these logs. To see the change: its 95 % "
    "interval excludes zero in four tries of five. To show no change: in four tries of five, if nothing changed, the "
    "change is shown to be inside the margin. Both are for one run a side. Errors that last through a run, such as a "
    "sensor's offset, are included and do not shrink with laps."
)
HEADINGS = {"spin_s": "either rear spins, s", "coast_moment_Nm": "off-throttle moment, N.m"}
HEADING_DIGITS = {"spin_s": 1, "coast_moment_Nm": 0}


def print_comparison(comparison: Comparison, console: Console) -> None:
    """Did it take and how sure, in two lines; then sides, parameters, phases, events, warnings, cautions."""
    said, sure = comparison_answer(comparison)
    console.print(Text(said, style="bold"))
    console.print(Text(whole(comparison.any_change)))
    console.print(Text(sure))
    for words, number in (("before", 0), ("after", 1)):
        console.print(f"{words + ':':8}" + "; ".join(r.name for r in comparison.of_side(number)), markup=False)
    for warning in warnings(comparison.conditions):
        console.print(f"Warning: {warning}", markup=False)
    console.print()
    for side, change in comparison.sides.items():
        console.print(
            f"{side}: {verdict_words(change)}. {side_sentence(side, change)} "
            f"A change under {change.margin_Nm:.0f} N.m is too small to matter.",
            markup=False,
        )
    for table in (_parameters(comparison), _phases(comparison)):
        console.print()
        console.print(table)
    console.print()
    for event in comparison.events:
        if event.verdict == "none":
            console.print(f"{EVENT_WORDS[event.kind]}: {EVENT_VERDICT_WORDS['none']}.", markup=False)
            continue
        times, span = rate_cells(event.rate_ratio)
        often = "" if times == "–" else f", {times} times as often a lap ({span})"
        console.print(
            f"{EVENT_WORDS[event.kind]}: {event.count_before} in {counted(event.laps_before, 'lap')} before, "
            f"{event.count_after} in {counted(event.laps_after, 'lap')} after{often}: "
            f"{EVENT_VERDICT_WORDS[event.verdict]}.",
            markup=False,
        )
    console.print(f"\nHow to read it: {HOW_TO_READ_COMPARISON}", markup=False)
    print_ending(console, answer=said)


def _parameters(comparison: Comparison) -> Table:
    table = terminal_table("Change of the lock curve, after minus before")
    for heading in ("", "change", "95 % interval", "parts predict"):
        table.add_column(heading, justify="left" if not heading else "right")
    for name, (words, digits) in PARAMETER_ROWS.items():
        interval, predicted = comparison.change[name], comparison.predicted_change[name]
        table.add_row(
            words,
            *change_cells(interval, digits),
            "–" if predicted is None else signed(predicted, digits),
        )
    return table


def _phases(comparison: Comparison) -> Table:
    title = "Change by phase, all corners, at matched speed and throttle"
    table = terminal_table(title, padding=0)  # 80 columns
    for heading in ("phase", "kinematic lock", "transfer torque, N.m", "inside slip, %"):
        table.add_column(heading, justify="left" if heading == "phase" else "right")
    for change in comparison.phases:
        if change.corner is None:
            table.add_row(
                PHASE_NAMES[change.phase],
                change_words(change.kinematic_lock, 2),
                change_words(change.transfer_torque_Nm),
                change_words(change.inside_slip, 1, 100.0),
            )
    return table


def laps_needed_result(runs: list[Run], planned: tuple[PlannedChange, ...]) -> dict[str, Any]:
    """Schema 1 of a plan: `logs`, and `changes`, the fields of `PlannedChange` with a `reason` for `held_by`."""
    return plain(
        {
            "schema": 1,
            "logs": [r.analysis.recording.name for r in runs],
            "changes": [_planned(p) for p in planned],
        }
    )


def _planned(change: PlannedChange) -> dict[str, Any]:
    """The fields of a planned change, `reason` in the place of what holds it."""
    fields = dataclasses.asdict(change)
    return {("reason" if key == "held_by" else key): value for key, value in fields.items()} | {
        "reason": why_not_planned(change)
    }


def print_laps_needed(planned: tuple[PlannedChange, ...], console: Console) -> None:
    """One line a change, then how the interval narrows with laps."""
    for change in planned:
        console.print(_line(change), markup=False)
    table = terminal_table("Change known to ± N.m, by laps a side")
    table.add_column("")
    for laps in SHOWN_LAPS:
        table.add_column(str(laps), justify="right")
    for change in planned:
        if change.standard_error_Nm:
            widths = [f"{HALF_WIDTH * change.standard_error_Nm[n]:.0f}" for n in SHOWN_LAPS]
            table.add_row(_what(change), *widths)
    console.print()
    console.print(table)
    for change in planned:
        if change.sources:
            largest = list(change.sources.items())[:3]
            words = ", ".join(
                f"{SOURCE_WORDS.get(name, name.replace('_', ' '))} {100 * share:.0f} %" for name, share in largest
            )
            console.print(f"{_what(change)}: what remains after many laps: {words}.", markup=False)
    console.print(f"\nHow to read it: {READ}", markup=False)
    print_ending(console)


def _what(change: PlannedChange) -> str:
    return f"{change.parameter.replace('_', ' ')} {change.size}"


def _line(change: PlannedChange) -> str:
    what = _what(change)
    if change.change_Nm is None:
        return f"{what}: can't be planned, {why_not_planned(change)}."
    what += f" ({signed(change.change_Nm)} N.m): "
    if change.laps is None:
        what += f"no number of laps is enough, because {why_not_planned(change)}."
    else:
        passes = counted(change.passes or 0, "corner pass", "corner passes")
        what += f"needs {counted(change.laps, 'lap')} a side to be seen ({passes})."
    if abs(change.change_Nm) < change.margin_Nm:
        what += f" It is below {change.margin_Nm:.0f} N.m, too small to matter."
    if change.no_change_laps is None:
        return what + " No number of laps could show 'no change'."
    return what + f" Showing 'no change' needs {counted(change.no_change_laps, 'lap')} a side."


def _say(console: Console, words: str) -> None:
    """Words as they are: brackets in them are no markup."""
    console.print(words, markup=False)


def print_advice(advice: Advice, console: Console) -> None:
    """Answer, causes, the advised builds with why, the table of the front, what it depends on, cautions."""
    said = advice_answer(advice)
    console.print(Text(f"{said}\n", style="bold"))
    for cure, cause in advice.causes.items():
        _say(console, f"{CURE_WORDS[cure]}: {CAUSE_WORDS[cause.verdict]}. {cause_sentence(cause)}")
    for option in advice.top:
        console.print(Text(f"\n{option.rank}. {option.build.label}", style="bold"))
        for words in (why(option, advice), sure_words(option), f"It depends on {depends_on(option, advice)}"):
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
    _say(console, logged_words(advice))
    console.print(Text("\nAssumed", style="bold"))
    for assumption in assumptions(advice):
        console.print(Padding(Text(assumption), (0, 0, 0, 2), expand=False))
    if advice.refused:
        _say(
            console, f"\nLeft out, because it can't be built or calculated ({len(advice.refused)}): {advice.refused[0]}"
        )
    _say(console, f"\n{HOW_TO_READ_ADVICE}")
    print_ending(console, answer=said)


def print_plan(plan: Plan, console: Console) -> None:
    """Answer, table of the options, cards of what to do, cautions."""
    said = plan_words.answer(plan)
    _say(console, plan_words.question(plan))
    console.print(Text(f"{said}\n", style="bold"))
    for words in filter(None, (plan_words.needed(plan), plan_words.stated(plan))):
        _say(console, words)
    table = terminal_table("What to do next, and the width it should leave, N.m")
    table.add_column("")
    for heading in ("takes", *plan_words.headings(plan)):
        table.add_column(heading, justify="right")
    table.add_column("decides")
    table.add_row("nothing more", "–", *plan_words.cells(plan.now), "yes" if plan.now.decides else "–")
    for option in plan.options:
        takes, widths = plan_words.minutes(option), plan_words.cells(option.then)
        table.add_row(plan_words.name(option), takes, *widths, plan_words.decides(option))
    console.print()
    console.print(table)
    for kind, option in plan_words.cards(plan).items():
        console.print(Text(f"\nTest card: {plan_words.NAMES[kind]}", style="bold"))
        lines = [
            f"Caution: {plan_words.CAUTIONS_OF[kind]}",
            *plan_words.steps(kind, option),
            f"Space: {plan_words.SPACE[kind]}.",
            f"Tools: {plan_words.TOOLS[kind]}.",
        ]
        for line in lines:
            console.print(Padding(Text(line), (0, 0, 0, 3), expand=False))
    _say(console, f"\nHow to read it: {plan_words.read(plan)}")
    print_ending(console, answer=said)
