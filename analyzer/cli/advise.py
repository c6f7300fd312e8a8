"""`halfshaft advise LOG ... --car CAR --setup SETUP --parts PARTS`: which parts would cure what was found."""

import argparse


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("logs", metavar="LOG", nargs="+", help="logs of one car with one setup")
    parser.add_argument("--car", metavar="CAR", required=True, help="car file (TOML, table [car])")
    parser.add_argument("--setup", metavar="SETUP", required=True, help="setup file of what is fitted")
    parser.add_argument("--parts", metavar="PARTS", required=True, help="parts file: what the shop has")
    parser.add_argument(
        "--cure",
        choices=("spin", "entry"),
        nargs="+",
        default=(),
        help="what to lessen: spin under power, or what holds against the turn off the throttle; default: what the "
        "log shows to be the differential's",
    )
    parser.add_argument("--channels", metavar="MAP", help="channel map (TOML), one for all logs")
    parser.add_argument("--json", metavar="FILE", help="write the result as JSON; - is standard output")
    parser.add_argument("--html", metavar="FILE", help="write a report with the trade-off as a picture")


def run(arguments: argparse.Namespace) -> int:
    """Replay, rank, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong.
    CannotTell : a log cannot support the question.
    """
    import json

    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    from analyzer.advice.advise import advise
    from analyzer.advice.result import advice_result
    from analyzer.advice.terminal import print_advice
    from analyzer.files import write_atomic

    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}"), BarColumn())
    with Progress(*columns, console=terminal, transient=True, disable=not terminal.is_terminal) as bar:
        task = bar.add_task("reading", total=1.0)
        advice = advise(
            log_paths=arguments.logs,
            car_path=arguments.car,
            setup_path=arguments.setup,
            parts_path=arguments.parts,
            cures=tuple(dict.fromkeys(arguments.cure)),
            channels_path=arguments.channels,
            progress=lambda step, share: bar.update(task, description=step, completed=share),
        )
    if arguments.html:
        from analyzer.advice.html import write_html  # plotly takes a while to import

        write_html(advice, arguments.html)
    if arguments.json:
        text = json.dumps(advice_result(advice), indent=1, allow_nan=False) + "\n"
        if arguments.json == "-":
            print(text, end="")
            return 0
        write_atomic(arguments.json, text)
    console = Console(highlight=False)
    print_advice(advice, console)
    if arguments.html:
        console.print(f"\nReport: {arguments.html}", markup=False, soft_wrap=True)
    return 0
