"""`halfshaft compare --before LOG ... --after LOG ... --car CAR`: did the change take."""

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("--before", metavar="LOG", nargs="+", required=True, help="logs from before the change")
    parser.add_argument("--after", metavar="LOG", nargs="+", required=True, help="logs from after the change")
    parser.add_argument("--car", metavar="CAR", required=True, help="car file, one for all runs")
    parser.add_argument(
        "--before-setup", metavar="SETUP", help="setup file before; with both, the verdict is against it"
    )
    parser.add_argument("--after-setup", metavar="SETUP", help="setup file after")
    parser.add_argument("--channels", metavar="MAP", help="channel map (TOML), one for all logs")
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - is standard output")


def run(arguments: argparse.Namespace) -> int:
    """Compare, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong, or only one setup file is given.
    CannotTell : a log cannot support the question.
    """
    import json

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    from analyzer.comparison.compare import compare
    from analyzer.comparison.result import comparison_result
    from analyzer.comparison.terminal import print_comparison
    from analyzer.errors import InputError
    from analyzer.files import write_atomic

    if (arguments.before_setup is None) != (arguments.after_setup is None):
        raise InputError("only one setup file was given; give both --before-setup and --after-setup, or neither.")
    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=terminal, transient=True, disable=not terminal.is_terminal) as bar:
        task = bar.add_task("reading", total=1.0)
        comparison = compare(
            before=arguments.before,
            after=arguments.after,
            car_path=arguments.car,
            before_setup=arguments.before_setup,
            after_setup=arguments.after_setup,
            channels_path=arguments.channels,
            progress=lambda step, share: bar.update(task, description=step, completed=share),
        )
    if arguments.json:
        text = json.dumps(comparison_result(comparison), indent=1, allow_nan=False) + "\n"
        if arguments.json == "-":
            print(text, end="")
            return 0
        write_atomic(arguments.json, text)
    print_comparison(comparison, Console(highlight=False))
    return 0
