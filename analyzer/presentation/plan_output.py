"""A plan as JSON and on the terminal."""

import dataclasses
from typing import Any

from rich.console import Console

from analyzer.comparison.planning import SHOWN_LAPS, PlannedChange
from analyzer.comparison.runs import Run
from analyzer.in_words import counted, signed
from analyzer.presentation.result_json import plain
from analyzer.presentation.terminal_ending import print_ending
from analyzer.presentation.terminal_table import terminal_table

HALF_WIDTH = 1.96  # 95 %, in standard errors
SOURCE_WORDS = {
    "acceleration: long_bias": "zero of the longitudinal acceleration",
    "acceleration: lat_bias": "zero of the lateral acceleration",
    "acceleration: steer_offset": "zero of the steer",
    "wheel_calibration: rear_left_right_scale": "left against right rear wheel speed",
    "wheel_calibration: front_left_right_scale": "left against right front wheel speed",
    "wheel_calibration: rear_front_scale": "rear against front wheel speed",
    "yaw_rate: yaw_bias": "zero of the yaw rate",
    "yaw_rate: log_yaw_scale": "scale of the yaw rate and track",
    "car: log_load_transfer": "rear share of the load transfer (car file)",
    "car: log_cg_height": "height of the centre of gravity (car file)",
    "car: log_mass": "mass (car file)",
    "hold-off": "where the ramps begin to clamp",
    "tyre form": "form of the tyre curve",
}
READ = (
    "Laps are needed before the change and as many after it, driven as in these logs. Told: the 95 % interval of "
    "the change excludes zero in four tries of five. No change: in four tries of five, if nothing changed, the change "
    "is shown to be smaller than the margin. Both suppose one run a side; what errs alike through a run, such as a "
    "sensor's zero, is in the numbers and does not shrink with laps."
)


def plan_result(runs: list[Run], planned: tuple[PlannedChange, ...]) -> dict[str, Any]:
    """Schema 1 of a plan: `logs`, and `changes`, the fields of `planning.PlannedChange`."""
    return plain(
        {
            "schema": 1,
            "logs": [r.analysis.recording.name for r in runs],
            "changes": [dataclasses.asdict(p) for p in planned],
        }
    )


def print_plan(planned: tuple[PlannedChange, ...], console: Console) -> None:
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
            console.print(f"{_what(change)}: what many laps leave is {words}.", markup=False)
    console.print(f"\nHow to read it: {READ}", markup=False)
    print_ending(console)


def _what(change: PlannedChange) -> str:
    return f"{change.parameter.replace('_', ' ')} {change.size}"


def _line(change: PlannedChange) -> str:
    what = _what(change)
    if change.change_Nm is None:
        return f"{what}: cannot be planned, {change.reason}."
    what += f" ({signed(change.change_Nm)} N.m): "
    if change.laps is None:
        what += f"no number of laps is enough, because {change.reason}."
    else:
        passes = counted(change.passes, "corner pass", "corner passes")
        what += f"to be told it takes {counted(change.laps, 'lap')} a side ({passes})."
    if abs(change.change_Nm) < change.margin_Nm:
        what += f" It is below the {change.margin_Nm:.0f} N.m under which a change does not matter."
    if change.no_change_laps is None:
        return what + " 'No change' could not be shown."
    return what + f" To show 'no change' takes {counted(change.no_change_laps, 'lap')} a side."
