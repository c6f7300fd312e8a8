"""`halfshaft demo`: analyses the shipped sample logs, so that a newcomer sees a report before having a log."""

import argparse
from typing import TYPE_CHECKING

from analyzer.cli.options import add_overwrite

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

LOG_SUFFIXES = (".parquet", ".csv.gz", ".csv")
CIRCLES = "_circles"
MOST_FINDINGS = 3


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument(
        "--out", metavar="DIR", default="halfshaft-demo", help="folder for reports and JSON (default ./%(default)s)"
    )
    add_overwrite(parser)


def run(arguments: argparse.Namespace) -> int:
    """Analyse every sample log, print its findings, write HTML and JSON. Returns the exit status.

    Raises
    ------
    InputError : the folder cannot be made or written, or the samples are not installed.
    """
    from importlib import resources
    from pathlib import Path

    from rich.text import Text

    from analyzer.cli.options import progress_bar, terminal
    from analyzer.errors import InputError
    from analyzer.files import is_own_html, is_own_json, json_text, require_outside_logbooks
    from analyzer.findings.finding import grouped
    from analyzer.pipeline import analyze
    from analyzer.presentation.html import analysis_report
    from analyzer.presentation.result_json import to_json
    from analyzer.presentation.terminal import print_ending
    from analyzer.presentation.words import KIND_NAMES, answer, group_where

    out = Path(arguments.out)
    require_outside_logbooks(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"--out {out}: the folder cannot be made ({error.strerror}); name another one.") from None
    console = terminal()
    reports = []
    try:
        installed = resources.files("sample_logs")
    except (ModuleNotFoundError, NotADirectoryError):
        raise InputError("sample_logs: the sample logs are not installed; install halfshaft again.") from None
    with resources.as_file(installed) as folder:
        samples = list(_samples(folder))
        if not samples:
            raise InputError("sample_logs: no sample log with a car file was found; install halfshaft again.")
        written = {logs: (out / f"{_stem(logs[-1])}.html", out / f"{_stem(logs[-1])}.json") for logs, *_ in samples}
        for html, json in written.values():
            arguments.outputs.require(html, is_own_html)
            arguments.outputs.require(json, is_own_json)
        console.print(
            "Sample logs of an invented car on an invented circuit: as delivered with all channels (baseline) and with "
            "the fewest (baseline_minimum), with slow circles and a bench reading added (baseline_circles), with "
            "other ramp rings (steeper_ramps) and with a stiffer cone spring (stiffer_cone). Each is held "
            "against its setup file."
        )
        for logs, car, setup in samples:
            with progress_bar(_stem(logs[-1])) as progress:
                analysis = analyze(log_path=logs, car_path=car, setup_path=setup, progress=progress)
            html, json = written[logs]
            arguments.outputs.write(html, analysis_report(analysis), is_own_html)
            arguments.outputs.write(json, json_text(to_json(analysis)), is_own_json)
            reports.append(html)
            console.print(Text("\n" + " and ".join(log.name for log in logs), style="bold"))
            console.print(Text(answer(analysis)))
            for group in grouped(analysis.findings)[:MOST_FINDINGS]:
                console.print(Text(f"  - {KIND_NAMES.get(group.kind, group.kind)}{group_where(group)}"))
    print_ending(console)
    console.print("\nReports (open them in a browser; JSON is beside each):")
    for html in reports:
        console.print(f"  {html}", markup=False, soft_wrap=True)
    console.print("\nThe same with map and traces to click through: halfshaft dashboard, then Try the sample run.")
    return 0


def _samples(folder: "Path") -> "Iterator[tuple[tuple[Path, ...], Path, Path | None]]":
    """(logs, car, setup) of each sample: the files of its own name, of a name that it begins with, or the only one.

    Circles come with the laps of the same build and with what the bench read.
    """
    found = sorted(p for p in folder.iterdir() if p.name.endswith(LOG_SUFFIXES) and ".truth." not in p.name)
    for log in found:
        car = _beside(log, "car")
        if car is None:
            continue
        build = _stem(log).removesuffix(CIRCLES)
        laps = [p for p in found if p != log and _stem(p) == build]
        bench = log.with_name(f"{build}_bench.setup.toml")
        yield (*laps, log), car, bench if laps and bench.exists() else _beside(log, "setup")


def _beside(log: "Path", what: str) -> "Path | None":
    name = _stem(log)
    own = log.with_name(f"{name}.{what}.toml")
    if own.exists():
        return own
    kin = [p for p in log.parent.glob(f"*.{what}.toml") if name.startswith(p.name.removesuffix(f".{what}.toml"))]
    found = kin or list(log.parent.glob(f"*{what}.toml"))
    return found[0] if len(found) == 1 else None


def _stem(log: "Path") -> str:
    return next(log.name.removesuffix(s) for s in LOG_SUFFIXES if log.name.endswith(s))
