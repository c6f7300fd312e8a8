"""`halfshaft check LOG`: what is in the log, and what can be concluded from it."""

import argparse
from typing import TYPE_CHECKING

from analyzer.cli.options import add_channels, add_json, add_output
from analyzer.files import is_own_toml

if TYPE_CHECKING:
    from rich.console import Console

    from analyzer.log_check import LogCheck


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The command's arguments."""
    parser.add_argument("log", metavar="LOG", help="the log: CSV, Parquet, Arrow or MDF 4, plain or packed")
    parser.add_argument("--car", metavar="CAR", help="car file (TOML): checks what the log shows of it")
    add_channels(parser, " that says which column is which channel")
    add_output(parser, "--map", is_own_toml, help="write the suggested channel map to this file")
    add_json(parser, "the check")


def run(arguments: argparse.Namespace) -> int:
    """Check, print, write. Returns the exit status.

    Raises
    ------
    InputError : the log, map or car file cannot be read, or an output not written.
    """
    from analyzer.cli.options import progress_bar, wrote_json
    from analyzer.files import with_toml_mark
    from analyzer.log_check import check_log
    from analyzer.logs.mapping import load_channel_map
    from analyzer.vehicle.car import load_car

    channel_map = load_channel_map(arguments.channels) if arguments.channels else None
    car = load_car(arguments.car) if arguments.car else None
    with progress_bar("reading") as progress:
        check = check_log(arguments.log, channel_map=channel_map, car=car, progress=progress)
    if arguments.map:
        arguments.outputs.write(arguments.map, with_toml_mark(check.channel_map), is_own_toml)
    if wrote_json(arguments, check.as_json):
        return 0
    _print(check, map_file=arguments.map)
    return 0


def _print(check: "LogCheck", *, map_file: str | None) -> None:
    from rich.markup import escape

    from analyzer.cli.options import terminal
    from analyzer.in_words import shown_name, when
    from analyzer.log_check import shortened

    console = terminal()
    console.print(f"[bold]{escape(check.file)}[/]: {check.form}")
    if check.duration_s is not None:
        excluded = f", {100 * check.excluded_share:.0f} % left out" if check.excluded_share else ""
        console.print(f"{check.duration_s:.1f} s at {check.sample_rate_hz:.4g} Hz{excluded}")
    _print_verdict(console, check)
    _print_answers(console, check)
    _print_list(console, "To decide", check.questions)
    marks = {"error": "[red]error[/]", "warning": "[yellow]warning[/]", "info": "[dim]info[/]"}
    lines = [
        f"{marks[a.severity]} {': '.join(filter(None, (when(a.start_s, a.end_s), escape(a.message))))}"
        for a in shortened(check).annotations
        if not (a.code == "unit" and a.severity == "info")  # said under "How they were recognised"
    ]
    _print_list(console, "Units, signs, gaps, faults", lines or ["nothing found"], markup=True)
    _print_agreement(console, check)
    _print_list(console, "Against the car file", check.car_checks)
    _print_channels(console, check)
    if check.unused:
        unused = ", ".join(shown_name(name) for name in check.unused[:40])
        console.print(f"[dim]Not used: {escape(unused)}{' ...' if len(check.unused) > 40 else ''}[/]")
    if map_file:
        console.print(f"\nChannel map written to {escape(map_file)}; use it with --channels {escape(map_file)}")
    elif check.questions or (check.problem and check.unused):
        console.print("\n[bold]Channel map[/] (--map FILE writes it; correct it, and use it with --channels FILE)")
        console.print(check.channel_map, markup=False, soft_wrap=True)
    elif check.map_needed:
        console.print("\nIf a column is wrong: --map FILE writes a channel map to correct.")


def _print_verdict(console: "Console", check: "LogCheck") -> None:
    """Whether the log can be used, and what to type next."""
    from rich.markup import escape

    if check.problem:
        console.print(f"\n[bold red]Can't be analysed as it is:[/] {escape(check.problem)}")
    elif check.contradiction:
        console.print(f"\n[bold red]Nothing is concluded from it:[/] {escape(check.contradiction)}")
    elif check.questions:
        console.print("\n[bold yellow]Can be analysed[/], without the columns to decide on below.")
    else:
        console.print("\n[bold green]Can be analysed as it is[/] (halfshaft analyze LOG --car CAR).")


def _print_channels(console: "Console", check: "LogCheck") -> None:
    from rich.markup import escape
    from rich.table import Table

    from analyzer.in_words import shown_name, span

    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("channel", no_wrap=True)
    table.add_column("column", overflow="fold", max_width=20)
    table.add_column("unit")
    table.add_column("Hz", justify="right")
    table.add_column("lowest", justify="right")
    table.add_column("highest", justify="right")
    for line in check.channels:
        rate = f"{line.rate_hz:.4g}" if line.rate_hz else "–"
        ends = span(line.lowest, line.highest)
        table.add_row(line.channel, escape(shown_name(line.column)), escape(line.unit or "?"), rate, *ends)
    console.print("\n[bold]Channels[/]")
    if check.channels:
        console.print(table)
    else:
        console.print("No channel was recognised.")
    told = [line for line in check.channels if line.column.casefold() != line.channel or "unit" in line.reason]
    _print_list(console, "How they were recognised", [f"{line.channel}: {line.reason}" for line in told])


def _print_agreement(console: "Console", check: "LogCheck") -> None:
    """Which tests between channels fail, with those that share a channel with them; of the others only how many."""
    from rich.markup import escape
    from rich.table import Table

    from analyzer.in_words import counted, number

    failed = [test for test in check.agreement if test.outcome == "disagrees"]
    held = frozenset[str]().union(*(test.holds for test in failed))
    shown = failed + [test for test in check.agreement if test.outcome == "agrees" and test.holds & held]
    if failed:
        table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
        table.add_column("what agrees with what", overflow="fold")
        table.add_column("found", justify="right", no_wrap=True)
        table.add_column("a sound log", no_wrap=True)
        table.add_column("")
        for test in shown:
            unit = "" if test.unit == "1" else f" {test.unit}"
            agrees = "[green]agrees[/]" if test.is_within else "[green]agrees[/] within its error"
            outcome = "[red]disagrees[/]" if test.outcome == "disagrees" else agrees
            table.add_row(escape(test.name), number(test.number, 3), f"{test.ends}{unit}", outcome)
        console.print()
        console.print(table)
    untested = sum(test.outcome == "untested" for test in check.agreement)
    if rest := len(check.agreement) - len(shown) - untested:
        more = "more " if failed else ""
        told = counted(rest, f"{more}test between channels agrees", f"{more}tests between channels agree")
        console.print(f"\n{told}; {untested} not made (--json - lists them).")


def _print_answers(console: "Console", check: "LogCheck") -> None:
    from rich.table import Table

    if not check.answers:
        return
    colours = {"yes": "green", "partly": "yellow", "no": "red"}
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0), header_style="bold")
    table.add_column("can it show")
    table.add_column("")
    table.add_column("why")
    for answer in check.answers:
        table.add_row(answer.question, f"[{colours[answer.verdict]}]{answer.verdict}[/]", answer.reason)
    console.print()
    console.print(table)


def _print_list(console: "Console", title: str, lines: "tuple[str, ...] | list[str]", *, markup: bool = False) -> None:
    from rich.markup import escape
    from rich.padding import Padding

    if not lines:
        return
    console.print(f"\n[bold]{title}[/]")
    for line in lines:
        console.print(Padding(line if markup else escape(line), (0, 0, 0, 2)))
