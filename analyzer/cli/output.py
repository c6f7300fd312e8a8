"""What the commands share as they run: progress on the terminal, and JSON to a file or to standard output."""

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console


@contextmanager
def progress_bar(first: str) -> Iterator[Callable[[str, float], None]]:
    """A bar on standard error, only on a terminal; gives what to call with (what is being done, share done 0 to 1).

    Parameters
    ----------
    first : what is being done before the first call. A file's name may hold [brackets]: nothing is read as markup.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    terminal = Console(stderr=True)
    columns = (TextColumn("{task.description}", markup=False), BarColumn())
    with Progress(*columns, console=terminal, transient=True, disable=not terminal.is_terminal) as bar:
        task = bar.add_task(first, total=1.0)
        yield lambda step, share: bar.update(task, description=step, completed=share)


def deliver(
    arguments: argparse.Namespace,
    *,
    report: Callable[[], str],
    result: Callable[[], Any],
    show: Callable[["Console"], None],
) -> None:
    """A command's answer: `report` to the file that `--html` names, JSON, and `show` on the terminal unless JSON is
    there.

    Raises
    ------
    InputError : a file cannot be written.
    """
    from rich.console import Console

    from analyzer.files import write_atomic

    if arguments.html:
        write_atomic(arguments.html, report())
    if wrote_json(arguments.json, result):
        return
    console = Console(highlight=False)
    show(console)
    if arguments.html:
        say_report(arguments.html, console)


def say_report(path: str, console: "Console") -> None:
    """Where the HTML report is; the path is not read as markup and not broken."""
    console.print(f"\nReport: {path}", markup=False, soft_wrap=True)


def wrote_json(target: str | None, made: Callable[[], Any]) -> bool:
    """Write what `made` gives to the file that `--json` names; True when that was standard output.

    Standard output then carries nothing else, and is UTF-8 whatever the locale (RFC 8259, 8.1).

    Parameters
    ----------
    target : file, `-` for standard output, None for nowhere (`made` is not called then).
    made : gives plain data, or a text that is JSON already.

    Raises
    ------
    InputError : the file cannot be written.
    """
    import io
    import json
    import sys

    from analyzer.files import write_atomic

    if not target:
        return False
    result = made()
    text = (
        result if isinstance(result, str) else json.dumps(result, indent=1, allow_nan=False, ensure_ascii=False) + "\n"
    )
    if target == "-":
        if isinstance(sys.stdout, io.TextIOWrapper):
            sys.stdout.reconfigure(encoding="utf-8")
        print(text, end="")
        return True
    write_atomic(target, text)
    return False
