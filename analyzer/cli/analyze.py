"""`halfshaft analyze LOG --car CAR`: what the differential did in a session."""

import argparse
from typing import TYPE_CHECKING

from analyzer.cli.options import add_car, add_channels, add_driven_with, add_html, add_json, driven_with

if TYPE_CHECKING:
    from analyzer.analysis import Analysis
    from analyzer.knowledge.known_car import Knowledge


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument(
        "log",
        metavar="LOG",
        nargs="+",
        help="log of the session: CSV, Parquet, Arrow or MDF 4, plain or packed; several are runs of one car "
        "with one differential (laps, slow circles, a slow lap), fitted together",
    )
    add_car(parser)
    parser.add_argument(
        "--setup", metavar="SETUP", help="setup file (TOML), to compare the log with what the parts predict"
    )
    add_channels(parser)
    parser.add_argument(
        "--knowledge",
        metavar="FILE",
        help="what other runs know of this car, from `halfshaft logbook car NAME --export FILE`",
    )
    add_driven_with(parser)
    add_json(parser)
    add_html(parser)
    parser.add_argument("--budget", action="store_true", help="show what the uncertainty comes from")
    parser.add_argument("--timings", action="store_true", help="show how long each step took")


def run(arguments: argparse.Namespace) -> int:
    """Analyse, print, write. Returns the exit status.

    Raises
    ------
    InputError : a file is wrong or cannot be written.
    CannotTell : the log cannot support the question.
    """
    import time

    from analyzer.cli.options import progress_bar, say_report, terminal, wrote_json
    from analyzer.files import is_own_html
    from analyzer.pipeline import analyze
    from analyzer.presentation.terminal import print_budget, print_summary, print_timings

    with progress_bar("reading") as progress:
        analysis = analyze(
            log_path=arguments.log,
            car_path=arguments.car,
            setup_path=arguments.setup,
            channels_path=arguments.channels,
            knowledge=_knowledge(arguments.knowledge),
            driven_with=driven_with(arguments),
            progress=progress,
        )
    timings = dict(analysis.timings_s)
    started = time.perf_counter()
    to_standard_output = wrote_json(arguments, lambda: _json(analysis))
    if arguments.html:
        from analyzer.presentation.html import analysis_report  # plotly takes a while to import

        arguments.outputs.write(arguments.html, analysis_report(analysis), is_own_html)
    timings["write JSON and HTML"] = time.perf_counter() - started
    # with JSON on standard output the tables go to standard error, and only those that were asked for
    console = terminal(stderr=to_standard_output)
    if not to_standard_output:
        print_summary(analysis, console)
    if arguments.budget:
        print_budget(analysis.lock_curve, console)
    if arguments.timings:
        print_timings(timings, console)
    if arguments.html and not to_standard_output:
        say_report(arguments.html, console)
    return 0


def _knowledge(path: str | None) -> "Knowledge | None":
    if path is None:
        return None
    from analyzer.knowledge.knowledge_file import load_knowledge

    return load_knowledge(path)


def _json(analysis: "Analysis") -> str:
    from analyzer.presentation.result_json import to_json  # has comparison and advice behind it

    return to_json(analysis)
