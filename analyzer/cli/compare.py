"""`halfshaft compare --before LOG ... --after LOG ... --car CAR`: did the change take; `--plan`: with how many laps."""

import argparse
from collections.abc import Callable

from analyzer.cli.options import add_channels, add_html, add_json

# options of a comparison that a plan has no use for
NOT_PLANNED = ("after", "before_laps", "after_laps", "before_setup", "after_setup", "ring_springs_changed", "html")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("--before", metavar="LOG", nargs="+", help="logs from before the change")
    parser.add_argument(
        "--after", metavar="LOG", nargs="+", help="logs from after the change; left out, laps of the logs before"
    )
    parser.add_argument("--before-laps", metavar="LAPS", help="laps that count before: odd, even, or such as 1-3,5")
    parser.add_argument("--after-laps", metavar="LAPS", help="laps that count after")
    parser.add_argument("--car", metavar="CAR", required=True, help="car file, one for all runs")
    parser.add_argument(
        "--before-setup", metavar="SETUP", help="setup file before; with both, the verdict is against it"
    )
    parser.add_argument("--after-setup", metavar="SETUP", help="setup file after")
    parser.add_argument(
        "--ring-springs-changed", action="store_true", help="the ramps may start to clamp elsewhere after the change"
    )
    add_channels(parser, ", one for all logs")
    parser.add_argument(
        "--plan",
        metavar="LOG",
        nargs="+",
        help="instead: how many laps it takes to see a change, from logs of the car as it is; `halfshaft plan` "
        "says what else would show it",
    )
    parser.add_argument(
        "--change",
        metavar="CHANGE",
        nargs="+",
        default=["preload=20%", "drive_slope=20%", "coast_slope=20%"],
        help="the change to plan for: preload=20%% or =25 (N.m), drive_slope=0.1, coast_slope=30%%",
    )
    add_json(parser)
    add_html(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compare or plan, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong, or only one setup file or no second side is given.
    CannotTell : a log cannot support the question.
    """
    from analyzer.cli.options import progress_bar
    from analyzer.errors import InputError

    if (arguments.plan is None) == (arguments.before is None):
        raise InputError("give --before and --after to compare runs, or --plan with logs to plan a comparison.")
    with progress_bar("reading") as progress:
        return _plan(arguments, progress) if arguments.plan else _compare(arguments, progress)


def _compare(arguments: argparse.Namespace, progress: Callable[[str, float], None]) -> int:
    from analyzer.cli.options import deliver
    from analyzer.comparison.comparison import compare
    from analyzer.errors import InputError
    from analyzer.presentation.result_json import comparison_result
    from analyzer.presentation.terminal_questions import print_comparison

    if (arguments.before_setup is None) != (arguments.after_setup is None):
        raise InputError("only one setup file was given; give both --before-setup and --after-setup, or neither.")
    if arguments.after is None and None in (arguments.before_laps, arguments.after_laps):
        raise InputError("there is nothing to compare with; give --after, or --before-laps and --after-laps.")
    comparison = compare(
        before=arguments.before,
        after=arguments.after or arguments.before,
        car_path=arguments.car,
        before_laps=arguments.before_laps,
        after_laps=arguments.after_laps,
        before_setup=arguments.before_setup,
        after_setup=arguments.after_setup,
        ring_springs_changed=arguments.ring_springs_changed,
        channels_path=arguments.channels,
        progress=progress,
    )

    def report() -> str:
        from analyzer.presentation.html import comparison_report  # plotly takes a while to import

        return comparison_report(comparison)

    deliver(
        arguments,
        report=report,
        result=lambda: comparison_result(comparison),
        show=lambda console: print_comparison(comparison, console),
    )
    return 0


def _plan(arguments: argparse.Namespace, progress: Callable[[str, float], None]) -> int:
    from analyzer.cli.options import terminal, wrote_json
    from analyzer.comparison.compared_runs import Run
    from analyzer.comparison.laps_needed import plan
    from analyzer.errors import InputError
    from analyzer.files import each_once
    from analyzer.pipeline import analyze
    from analyzer.presentation.terminal_questions import laps_needed_result, print_laps_needed

    unused = next((option for option in NOT_PLANNED if getattr(arguments, option)), None)
    if unused is not None:
        raise InputError(
            f"--{unused.replace('_', '-')} does not go with --plan, which writes no such thing; leave it out."
        )
    each_once(arguments.plan, option="--plan")
    runs = []
    for k, log in enumerate(arguments.plan):
        progress(f"analysing {log}", 0.8 * k / len(arguments.plan))
        analysis = analyze(log_path=log, car_path=arguments.car, channels_path=arguments.channels)
        runs.append(Run(analysis=analysis, side=0))
    progress("planning", 0.8)
    planned = plan(runs, arguments.change)
    if not wrote_json(arguments, lambda: laps_needed_result(runs, planned)):
        print_laps_needed(planned, terminal())
    return 0
