"""`halfshaft advise LOG ... --car CAR --setup SETUP --parts PARTS`: which parts would cure what was found."""

import argparse

from analyzer.cli.options import add_car, add_channels, add_html, add_json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("logs", metavar="LOG", nargs="+", help="logs of one car with one setup")
    add_car(parser)
    parser.add_argument("--setup", metavar="SETUP", required=True, help="setup file of what is fitted")
    parser.add_argument(
        "--parts",
        metavar="PARTS",
        required=True,
        help="parts file (TOML), what the shop has; sample_logs/shelf.parts.toml is one to copy",
    )
    parser.add_argument(
        "--cure",
        choices=("spin", "entry"),
        nargs="+",
        default=(),
        help="what to reduce: spin under power, or off-throttle understeer; default: whatever the log blames on the "
        "differential",
    )
    add_channels(parser, ", one for all logs")
    add_json(parser)
    add_html(parser, "a report with the trade-off as a picture")


def run(arguments: argparse.Namespace) -> int:
    """Replay, rank, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong.
    CannotTell : a log cannot support the question.
    """
    from analyzer.advice.advice import advise
    from analyzer.cli.options import deliver, progress_bar
    from analyzer.files import each_once
    from analyzer.presentation.result_json import advice_result
    from analyzer.presentation.terminal_questions import print_advice

    each_once(arguments.logs, option="advise")
    with progress_bar("reading") as progress:
        advice = advise(
            log_paths=arguments.logs,
            car_path=arguments.car,
            setup_path=arguments.setup,
            parts_path=arguments.parts,
            cures=tuple(dict.fromkeys(arguments.cure)),
            channels_path=arguments.channels,
            progress=progress,
        )

    def report() -> str:
        from analyzer.presentation.html import advice_report  # plotly takes a while to import

        return advice_report(advice)

    deliver(
        arguments,
        report=report,
        result=lambda: advice_result(advice),
        show=lambda console: print_advice(advice, console),
    )
    return 0
