"""What the commands share: options, the files they read and write, the terminal.

A name from outside may hold what a terminal obeys. So while a command runs, standard output and error let no control
character through; only `terminal()` writes colours there, around text that it has cleaned.
"""

import argparse
import io
import os
import sys
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO, cast

from analyzer.errors import HalfshaftError, InputError
from analyzer.files import Outputs, is_own_html, is_own_json, json_text
from analyzer.in_words import printable

if TYPE_CHECKING:
    from rich.console import Console

DRIVEN_WITH = {
    "tyres": "set of tyres, in your words; what one set taught is not used for another",
    "weather": "dry, wet, cold, in your words; what the tyres did in one is not used in another",
    "sensor": "logger and where it sits, in your words; pose and scales of one are not used for another",
}


def add_car(parser: argparse.ArgumentParser) -> None:
    """`--car`, which must be given."""
    parser.add_argument(
        "--car", metavar="CAR", required=True, help="car file (TOML); sample_logs/club_car.toml is one to copy"
    )


def add_channels(parser: argparse.ArgumentParser, what: str = " for logs with other names or units") -> None:
    """`--channels`; `what` says what the map is for."""
    parser.add_argument("--channels", metavar="MAP", help=f"channel map (TOML){what}")


def add_driven_with(parser: argparse.ArgumentParser) -> None:
    """`--tyres`, `--weather` and `--sensor`: what knowledge of the car hangs on."""
    for name, what in DRIVEN_WITH.items():
        parser.add_argument(f"--{name}", metavar="WORDS", default="", help=what)


def driven_with(arguments: argparse.Namespace) -> dict[str, str]:
    """What was said of tyres, weather and sensor; case and spaces do not count."""
    from analyzer.knowledge.carried import said

    return said({name: getattr(arguments, name) for name in DRIVEN_WITH})


def add_json(parser: argparse.ArgumentParser, what: str = "the result") -> None:
    """`--json`; `what` is written."""
    add_output(parser, "--json", is_own_json, help=f"write {what} as JSON; - is standard output")


def add_html(parser: argparse.ArgumentParser, what: str = "the report as one HTML file") -> None:
    """`--html`; `what` is written."""
    add_output(parser, "--html", is_own_html, help=f"write {what}")


def add_output(
    parser: argparse.ArgumentParser, option: str, is_own: Callable[[Path], bool], *, help: str, **others: Any
) -> None:
    """An option that names a file to write, looked at before the command begins, and `--overwrite` with the first.

    Parameters
    ----------
    is_own : whether an existing file is one that halfshaft wrote for this option, which may be written again.
    """
    parser.add_argument(option, metavar=others.pop("metavar", "FILE"), help=help, **others)
    written = parser.get_default("written") or {}
    parser.set_defaults(written={**written, option.lstrip("-"): is_own})
    if not written:
        add_overwrite(parser)


def add_overwrite(parser: argparse.ArgumentParser) -> None:
    """`--overwrite`."""
    parser.set_defaults(outputs=Outputs())  # `outputs_of` puts the command's own in its place
    parser.add_argument(
        "--overwrite", action="store_true", help="replace files that are there, also when halfshaft did not write them"
    )


def outputs_of(arguments: argparse.Namespace) -> Outputs:
    """What the command may write: whatever else its arguments name is read.

    Raises
    ------
    InputError : a file to write is one that is read, or somebody else's, or cannot be written.
    """
    written = getattr(arguments, "written", None) or {}
    others = {*written, "out", "command", "module", "action", "outputs"}  # `out`: where not a file, a folder to fill
    read = [text for name, value in vars(arguments).items() if name not in others for text in _texts(value) if text]
    outputs = Outputs(read, overwrite=getattr(arguments, "overwrite", False))
    targets = {option: getattr(arguments, option) for option in written}
    named = {f"--{option}": (targets[option], is_own) for option, is_own in written.items() if targets[option]}
    for option, (target, _) in named.items():
        if target == "-" and option != "--json":
            raise InputError(f"{option} -: only --json goes to standard output; name a file, or ./- for one called so.")
    outputs.require_each({option: (target, is_own) for option, (target, is_own) in named.items() if target != "-"})
    return outputs


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list | tuple):
        yield from (text for text in value if isinstance(text, str))


class OutputLost(HalfshaftError):
    """Standard output takes no more (a full disk)."""


class _Stream(io.TextIOBase):
    """Standard output or error whose failing is an error in words."""

    def __init__(self, stream: TextIO, name: str) -> None:
        self.below, self._name = stream, name

    def write(self, text: str) -> int:
        with self._in_words():
            return self.below.write(text)

    def flush(self) -> None:
        with self._in_words():
            self.below.flush()

    def isatty(self) -> bool:
        return self.below.isatty()

    def fileno(self) -> int:
        return self.below.fileno()

    @property
    def encoding(self) -> str:  # type: ignore[override]
        return self.below.encoding

    @contextmanager
    def _in_words(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            raise
        except OSError as error:
            raise OutputLost(
                f"{self._name} cannot be written ({error.strerror or error}); free some space, or send it elsewhere."
            ) from None


class _CleanStream(_Stream):
    """The same, without control characters; it is no terminal, so nothing puts colours into it."""

    def write(self, text: str) -> int:
        return super().write(printable(text))

    def isatty(self) -> bool:
        return False


@contextmanager
def clean_streams() -> Iterator[None]:
    """Standard output and error let no control character through while this lasts. What a shell has closed (`>&-`)
    takes everything and keeps nothing: its number is then not free for a file that the command opens."""
    before = sys.stdout, sys.stderr
    # None where closed, https://docs.python.org/3/library/sys.html#sys.__stdout__
    streams = tuple(stream or open(os.devnull, "w", encoding="utf-8") for stream in before)
    for stream in streams:
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")  # where the locale has no dash, a question mark and no traceback
    sys.stdout, sys.stderr = (
        cast(TextIO, _CleanStream(stream, name))
        for stream, name in zip(streams, ("standard output", "standard error"), strict=True)
    )
    try:
        yield
    finally:
        sys.stdout, sys.stderr = before
        for stream, was in zip(streams, before, strict=True):
            if was is None:
                stream.close()


def drop_output() -> None:
    """Throw away what standard output still holds, so that Python does not try it again as it ends."""
    stream = sys.stdout.below if isinstance(sys.stdout, _Stream) else sys.stdout
    if stream is sys.__stdout__ and stream is not None:
        with suppress(OSError, ValueError):
            os.dup2(os.open(os.devnull, os.O_WRONLY), stream.fileno())


def terminal(*, stderr: bool = False) -> "Console":
    """Where tables and sentences are shown, with colours on a terminal; text is cleaned of control characters."""
    from rich.console import Console, ConsoleOptions, RenderableType
    from rich.padding import Padding
    from rich.segment import Segment
    from rich.table import Table

    class CleanConsole(Console):
        def render(self, renderable: RenderableType, options: ConsoleOptions | None = None) -> Iterable[Segment]:
            found = super().render(renderable, options)
            # what is in these was rendered, and cleaned, by itself; a table's text would be cleaned five times
            return found if isinstance(renderable, Table | Padding) else _cleaned(found)

    def _cleaned(segments: Iterable[Segment]) -> Iterator[Segment]:
        for segment in segments:
            text = segment.text
            if segment.control or (text.isascii() and text.isprintable()):
                yield segment
            else:
                yield Segment(printable(text), segment.style)

    name = "standard error" if stderr else "standard output"
    stream = sys.stderr if stderr else sys.stdout
    if isinstance(stream, _CleanStream):
        stream = cast(TextIO, _Stream(stream.below, name))
    return CleanConsole(file=stream, highlight=False, emoji=False)


@contextmanager
def progress_bar(first: str) -> Iterator[Callable[[str, float], None]]:
    """A bar on standard error, only on a terminal; gives what to call with (what is being done, share done 0 to 1).

    Parameters
    ----------
    first : what is being done before the first call. A file's name may hold [brackets]: nothing is read as markup.
    """
    console = terminal(stderr=True)
    if not console.is_terminal:
        yield lambda step, share: None
        return
    from rich.progress import BarColumn, Progress, TextColumn

    columns = (TextColumn("{task.description}", markup=False), BarColumn())
    with Progress(*columns, console=console, transient=True) as bar:
        task = bar.add_task(first, total=1.0)
        yield lambda step, share: bar.update(task, description=step, completed=share)


def deliver(
    arguments: argparse.Namespace,
    *,
    report: Callable[[], str],
    result: Callable[[], Any],
    show: Callable[["Console"], None],
) -> None:
    """A command's answer: to the files that were asked for, and on the terminal unless JSON is there.

    Parameters
    ----------
    arguments : with `html`, `json` and `outputs`, as the options of a command leave them.
    report : makes the page for `--html`; not called without it.
    result : makes plain data, or a text that is JSON already, for `--json`; not called without it.
    show : prints the answer; not called where JSON goes to standard output.

    Raises
    ------
    InputError : a file cannot be written.
    """
    if arguments.html:
        arguments.outputs.write(arguments.html, report(), is_own_html)
    if wrote_json(arguments, result):
        return
    console = terminal()
    show(console)
    if arguments.html:
        say_report(arguments.html, console)


def say_report(path: str, console: "Console") -> None:
    """Where the HTML report is; the path is not read as markup and not broken."""
    console.print(f"\nReport: {path}", markup=False, soft_wrap=True)


def wrote_json(arguments: argparse.Namespace, made: Callable[[], Any]) -> bool:
    """Write what `made` gives to the file that `--json` names; True when that was standard output.

    Standard output then carries nothing else, and is UTF-8 whatever the locale (RFC 8259, 8.1).

    Parameters
    ----------
    arguments : `json` is a file, `-` for standard output, None for nowhere (`made` is not called then).
    made : gives plain data, or a text that is JSON already.

    Raises
    ------
    InputError : the file cannot be written.
    """
    if not arguments.json:
        return False
    text = json_text(made())
    if arguments.json == "-":
        stream = sys.stdout.below if isinstance(sys.stdout, _Stream) else sys.stdout
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8")
        print(text, end="")
        return True
    arguments.outputs.write(arguments.json, text, is_own_json)
    return False
