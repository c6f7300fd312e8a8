"""`halfshaft predict SETUP`: the lock curve that the fitted parts should give."""

import argparse
import math
from typing import TYPE_CHECKING, Any

from analyzer.cli.options import add_json

if TYPE_CHECKING:
    from rich.console import Console

    from analyzer.differential.predicted import PredictedLockCurve

DEFAULT_LARGEST_TORQUE_NM = 2000.0


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument(
        "setup", metavar="SETUP", help="setup file (TOML); sample_logs/baseline.setup.toml is one to copy"
    )
    add_json(parser)
    parser.add_argument(
        "--max-torque",
        metavar="N.m",
        type=float,
        default=DEFAULT_LARGEST_TORQUE_NM,
        help="largest input torque of table and JSON, at the wheels (default %(default)g)",
    )


def run(arguments: argparse.Namespace) -> int:
    """Predict, print, write. Returns the exit status.

    Raises
    ------
    InputError : the setup file or --max-torque is wrong, or the JSON cannot be written.
    """
    from pathlib import Path

    from analyzer.cli.options import wrote_json
    from analyzer.differential.predicted import predict_lock_curve
    from analyzer.differential.setup import load_setup
    from analyzer.errors import InputError
    from analyzer.in_words import CAUTIONS
    from analyzer.presentation.prediction_words import input_torque_grid_Nm, lock_curve_result

    largest = arguments.max_torque
    if not (math.isfinite(largest) and 1 <= largest <= 50000):
        raise InputError(
            f"--max-torque is {largest:g}; allowed: 1 to 50000 N.m (both rear wheels together). Correct it."
        )
    setup = load_setup(arguments.setup)
    curve = predict_lock_curve(setup)

    def result() -> dict[str, Any]:
        grid = input_torque_grid_Nm(curve, largest_Nm=largest)
        return {
            "schema": 1,
            "setup": {"file": Path(arguments.setup).name, "name": setup.name, "type": setup.type},
            "predicted_lock_curve": lock_curve_result(curve, input_torque_Nm=grid),
            "cautions": list(CAUTIONS),
        }

    if wrote_json(arguments, result):
        return 0
    _print(curve, title=f"{setup.name} ({Path(arguments.setup).name})", largest_Nm=largest)
    return 0


def _print(curve: "PredictedLockCurve", *, title: str, largest_Nm: float) -> None:
    from rich.text import Text

    from analyzer.cli.options import terminal
    from analyzer.differential.predicted import ways
    from analyzer.presentation.prediction_words import note_words
    from analyzer.presentation.terminal import print_ending

    console = terminal()
    place = {"outside_packs": "outside the packs", "between_rings": "between the rings", None: "in a place not stated"}
    kind: str = curve.kind
    if curve.kind == "plate":
        kind = f"plate differential, {ways(curve)}, preload springs {place[curve.spring_position]}"
    console.print(Text.assemble(("Predicted lock curve: ", "bold"), title))  # Text: a name may hold [brackets]
    console.print(kind + "\n")
    if curve.kind == "plate":
        _print_parameters(console, curve)
        _print_points(console, curve, largest_Nm=largest_Nm)
        console.print(
            "Torques are at the wheels; drive is positive. The locking torque is what the slower wheel gets more "
            "than the faster one while the packs slip; below it the wheels turn as one. Locking value S is locking "
            "torque over input torque, bias ratio is (1+S)/(1-S): S 0.60 is an 80/20 split. At S 1 or more all the "
            "torque can go to one wheel, and the bias ratio has no number. Assumed: two equal packs, one "
            "friction coefficient, side gears that do not press on the packs (where they do, expect more lock)."
        )
    elif curve.kind == "open":
        console.print("An open differential has no plates: the locking torque is zero at every input torque.")
    for note in curve.notes:
        console.print(Text("Note: " + note_words(note)))
    print_ending(console)


def _print_parameters(console: "Console", curve: "PredictedLockCurve") -> None:
    import numpy as np

    from analyzer.presentation.prediction_words import lock_curve_result
    from analyzer.presentation.terminal import terminal_table

    result = lock_curve_result(curve, input_torque_Nm=np.array([]))
    table = terminal_table("What the parts should give")
    table.add_column("")
    table.add_column("predicted", justify="right")
    table.add_column("95 % interval", justify="right")
    for key, label, digits in (
        ("preload_Nm", "preload (locking torque at zero input torque), N.m", 0),
        ("drive_slope", "drive slope, N.m per N.m", 3),
        ("drive_hold_Nm", "drive ramps start to clamp at, N.m", 0),
        ("coast_slope", "coast slope, N.m per N.m", 3),
        ("coast_hold_Nm", "coast ramps start to clamp at, N.m", 0),
    ):
        interval = result[key]
        if interval["value"] is None:
            table.add_row(label, "never", "")
        elif interval["lower"] == interval["upper"]:
            table.add_row(label, f"{interval['value']:.{digits}f}", "")
        else:
            low, high = (f"{interval[end]:.{digits}f}" for end in ("lower", "upper"))
            table.add_row(label, f"{interval['value']:.{digits}f}", f"{low} to {high}")
    console.print(table)


def _print_points(console: "Console", curve: "PredictedLockCurve", *, largest_Nm: float) -> None:
    import numpy as np

    from analyzer.presentation.prediction_words import COAST_SHARE, lock_curve_points
    from analyzer.presentation.terminal import terminal_table

    drive = largest_Nm * np.array([0.05, 0.125, 0.25, 0.5, 0.75, 1.0])
    coast = -COAST_SHARE * largest_Nm * np.array([1.0, 2 / 3, 1 / 3])
    table = terminal_table("Locking torque against input torque")
    for heading in (
        "input torque\nN.m",
        "locking torque\nN.m",
        "95 % interval\nN.m",
        "locking\nvalue S",
        "torque\nbias ratio",
    ):
        table.add_column(heading, justify="right")
    for torques, side in ((coast, "coast"), (np.zeros(1), ""), (drive, "drive")):
        for point in lock_curve_points(curve, input_torque_Nm=torques):
            s, ratio = point["locking_value"], point["torque_bias_ratio"]
            table.add_row(
                f"{side} {point['input_torque_Nm']:.0f}".strip(),
                f"{point['locking_torque_Nm']:.0f}",
                f"{point['lower_Nm']:.0f} to {point['upper_Nm']:.0f}",
                "–" if s is None else f"{s:.2f}",
                "–" if s is None else ("infinite" if ratio is None else f"{ratio:.2f}"),
            )
        table.add_section()
    console.print(table)
