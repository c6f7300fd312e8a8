"""`halfshaft batch FOLDER --car CAR`: every log of a folder, and the season table of them."""

import argparse

from analyzer.cli.options import add_channels, add_json


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument(
        "folder",
        metavar="FOLDER",
        help="folder of logs, with the folders in it; or an address such as sftp://... (fsspec)",
    )
    parser.add_argument("--car", metavar="CAR", required=True, help="car file, one for all logs")
    parser.add_argument("--setup", metavar="SETUP", help="setup file, one for all logs")
    add_channels(parser, ", one for all logs")
    parser.add_argument(
        "--runs",
        metavar="RUNS",
        help='which logs are one run, fitted together (TOML): a table [[run]] with logs = ["laps.csv", "circles.csv"] '
        "each; the others are a run each",
    )
    parser.add_argument(
        "--out",
        metavar="DIR",
        default="halfshaft-batch",
        help="folder for season table and results (default ./%(default)s); the same again goes on where it stopped",
    )
    parser.add_argument("--processes", metavar="N", type=int, help="processes on this machine (default: its cores)")
    parser.add_argument(
        "--scheduler", metavar="ADDRESS", help="run on a Dask distributed cluster, such as tcp://127.0.0.1:8786"
    )
    add_json(parser, "what was done and what failed")


def run(arguments: argparse.Namespace) -> int:
    """Analyse all, print, write. Returns 0, or 3 when some logs are not in the table.

    Raises
    ------
    InputError : folder, settings files, output or scheduler are wrong.
    """
    import sys
    from pathlib import Path

    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    from analyzer.batch.progress import Parts
    from analyzer.batch.run import run_batch
    from analyzer.cli.options import terminal, wrote_json
    from analyzer.errors import CannotTell, InputError
    from analyzer.in_words import counted, printable

    if arguments.processes is not None and not 1 <= arguments.processes <= 256:
        raise InputError(f"--processes is {arguments.processes}; allowed: 1 to 256. Choose another number.")
    if arguments.json and Parts(Path(arguments.out)).keeps(arguments.json):
        raise InputError(f"--json {arguments.json}: is among the files of --out {arguments.out}; name another.")
    console = terminal(stderr=True)
    columns = (BarColumn(), MofNCompleteColumn(), TimeRemainingColumn(), TextColumn("{task.description}", markup=False))
    try:
        with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as bar:
            line = bar.add_task("looking at what is done", total=None)
            report = run_batch(
                folder=arguments.folder,
                car_path=arguments.car,
                setup_path=arguments.setup,
                channels_path=arguments.channels,
                runs_path=arguments.runs,
                out=arguments.out,
                processes=arguments.processes,
                scheduler=arguments.scheduler,
                outputs=arguments.outputs,
                progress=lambda over, total, name: bar.update(line, completed=over, total=total, description=name),
            )
    except KeyboardInterrupt:
        print("halfshaft batch: stopped. What is done is kept; the same command goes on from there.", file=sys.stderr)
        return 130
    told = {
        "season": str(report.season),
        "rows": report.rows,
        "analysed": [printable(name) for name in report.analysed],
        "done_before": [printable(name) for name in report.before],
        "failed": [{"log": printable(name), "reason": printable(reason)} for name, reason in report.failed.items()],
    }
    if not wrote_json(arguments, lambda: told):
        print(
            f"{counted(len(report.analysed), 'log')} analysed, {len(report.before)} done before, "
            f"{len(report.failed)} failed.\n"
            f"Season table: {report.season} ({counted(report.rows, 'row')}, one a corner phase)"
            if report.rows
            else "No log could be analysed; no season table was written."
        )
    if report.failed:
        print("\nNot in the table:", file=sys.stderr)
        for reason in report.failed.values():
            print(f"  {reason}", file=sys.stderr)
        return CannotTell.exit_status
    return 0
