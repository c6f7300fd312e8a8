"""`halfshaft plan LOG ... --car CAR`: what to measure or drive next so that a question is decided."""

import argparse

from analyzer.cli.options import add_car, add_channels, add_html, add_json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("logs", metavar="LOG", nargs="+", help="logs of one car with one differential, fitted together")
    add_car(parser)
    parser.add_argument("--setup", metavar="SETUP", help="setup file (TOML) of what is fitted; what it states counts")
    parser.add_argument(
        "--question",
        metavar="QUESTION",
        help="what to decide: agrees (does it agree with the parts; the default with --setup), or a change to be seen: "
        "preload=30 (N.m), preload=20%%, drive_slope=20%%, coast_slope=0.1",
    )
    add_channels(parser, ", one for all logs")
    add_json(parser, "the plan")
    add_html(parser, "the test card as one HTML page to print")


def run(arguments: argparse.Namespace) -> int:
    """Analyse, plan, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file or the question is wrong.
    CannotTell : a log cannot support the question.
    """
    from analyzer.cli.options import deliver, progress_bar
    from analyzer.differential.setup import load_setup
    from analyzer.pipeline import analyze_with_fit
    from analyzer.planning.next_test import plan
    from analyzer.presentation.plan_json import plan_result
    from analyzer.presentation.terminal_questions import print_plan

    with progress_bar("reading") as progress:
        analysis, fitted = analyze_with_fit(
            log_path=arguments.logs,
            car_path=arguments.car,
            setup_path=arguments.setup,
            channels_path=arguments.channels,
            progress=lambda step, share: progress(step, 0.7 * share),
        )
        progress("planning", 0.7)
        setup = None if arguments.setup is None else load_setup(arguments.setup)
        planned = plan(fitted, analysis, setup=setup, question=arguments.question)

    def report() -> str:
        from analyzer.presentation.html import plan_report

        return plan_report(planned)

    deliver(
        arguments,
        report=report,
        result=lambda: plan_result(planned),
        show=lambda console: print_plan(planned, console),
    )
    return 0
