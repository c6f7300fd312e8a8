"""`halfshaft compare --before LOG ... --after LOG ... --car CAR`: did the change take."""

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("--before", metavar="LOG", nargs="+", required=True, help="logs from before the change")
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
    parser.add_argument("--channels", metavar="MAP", help="channel map (TOML), one for all logs")
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - is standard output")
    parser.add_argument("--html", metavar="FILE", help="write the report as one HTML file")


def run(arguments: argparse.Namespace) -> int:
    """Compare, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong, or only one setup file or no second side is given.
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
    if arguments.after is None and None in (arguments.before_laps, arguments.after_laps):
        raise InputError("there is nothing to compare with; give --after, or --before-laps and --after-laps.")
    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=terminal, transient=True, disable=not terminal.is_terminal) as bar:
        task = bar.add_task("reading", total=1.0)
        comparison = compare(
            before=arguments.before,
            after=arguments.after or arguments.before,
            car_path=arguments.car,
            before_laps=arguments.before_laps,
            after_laps=arguments.after_laps,
            before_setup=arguments.before_setup,
            after_setup=arguments.after_setup,
            channels_path=arguments.channels,
            progress=lambda step, share: bar.update(task, description=step, completed=share),
        )
    if arguments.html:
        from analyzer.comparison.html import write_html  # plotly takes a while to import

        write_html(comparison, arguments.html)
    if arguments.json:
        text = json.dumps(comparison_result(comparison), indent=1, allow_nan=False, ensure_ascii=False) + "\n"
        if arguments.json == "-":
            print(text, end="")
            return 0
        write_atomic(arguments.json, text)
    console = Console(highlight=False)
    print_comparison(comparison, console)
    if arguments.html:
        console.print(f"\nReport: {arguments.html}", markup=False, soft_wrap=True)
    return 0
