"""`halfshaft`: finds the command and turns errors into one plain message and an exit status.

argparse, because the contract's `--before LOG [LOG ...]` needs options that take several values.
Command modules import what they compute with inside `run`, so that `--help` answers at once.
"""

import argparse
import atexit
import gc
import importlib
import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from typing import NoReturn

from analyzer import __version__
from analyzer.cli.options import OutputLost, clean_streams, drop_output, outputs_of
from analyzer.errors import HalfshaftError
from analyzer.in_words import capitalised

# command -> one line of help; the module analyzer.cli.<command> has add_arguments(parser) and
# run(arguments) -> exit status.
COMMANDS = {
    "demo": "analyse the shipped sample logs and show what the differential did",
    "check": "what is in a log: channels, units, signs, faults, what can be concluded",
    "analyze": "what the differential did in a session",
    "compare": "did a change take: runs before against runs after",
    "plan": "what to drive or measure next so that a question is decided",
    "advise": "which parts on the shelf would cure what the logs show",
    "predict": "predicted lock curve of an installed setup, without a log",
    "simulate": "make a log from the forward model, with the truth beside it",
    "logbook": "keep the logs, cars, setups and results of a team in one folder",
    "batch": "every log of a folder, and one table of all corner phases",
    "dashboard": "the web page, on this machine unless told otherwise",
}
ALSO_WRITTEN = {"analyze": ["analyse"]}
BEGIN = """begin with:
  halfshaft demo                          what it says of the sample logs
  halfshaft check LOG                     what it makes of a log of yours
  halfshaft analyze LOG --car CAR         what the differential did in it
  halfshaft COMMAND --help                more about one command"""
STOPPED = 130  # what a shell reports of a command ended by Ctrl-C
# Objects that come and stay before Python's collector looks through them (its own choice: 700). An analysis imports
# 60,000, makes 70,000 more and leaves 1,000 as garbage: its 190 looks (5 % of its time) found nothing worth one
COLLECT_EVERY = 200_000


class _Parser(argparse.ArgumentParser):
    """What is wrong, and where it says what is allowed and which file to copy."""

    def error(self, message: str) -> NoReturn:
        super().error(f"{message}. `{self.prog} --help` says what each is.")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """The parser with every command.

    Parameters
    ----------
    only : the command that will be parsed; the others are then there by name, without their options, which take longer
        to import and to build than a list of runs to read.
    """
    parser = _Parser(
        prog="halfshaft",
        description="Reads the log of a session and says what the limited-slip differential did.",
        epilog=BEGIN,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"halfshaft {__version__}")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    for name, summary in COMMANDS.items():
        description = f"{capitalised(summary)}."
        also = ALSO_WRITTEN.get(name, [])
        sub = commands.add_parser(name, help=summary, description=description, aliases=also)
        sub.set_defaults(module=name)
        if only in (None, name, *also):
            importlib.import_module(f"analyzer.cli.{name}").add_arguments(sub)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status (0 done, 2 wrong input or an output that cannot be written, 3 the log
    cannot support the question, 130 stopped by Ctrl-C)."""
    # The arrays are small: a second thread of the linear algebra (BLAS) gains nothing on an idle machine, and where
    # others work as well an analysis waits for it eight times as long (3.4 and 22 s of two cores). Before numpy comes
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    # else the collector goes through all that was imported once more as Python ends: 0.05 s and more of a command
    atexit.register(gc.freeze)
    with clean_streams():
        try:
            try:
                return _command(argv)
            finally:
                sys.stdout.flush()
        except HalfshaftError as error:
            drop_output()
            return _told(str(error), error.exit_status)
        except KeyboardInterrupt:
            return _told("stopped.", STOPPED, "\n")
        except BrokenPipeError:
            drop_output()
            return 0


def _command(argv: Sequence[str] | None) -> int:
    words = sys.argv[1:] if argv is None else argv
    first = words[0] if words else None
    if first != "dashboard":  # a server runs for days
        gc.set_threshold(COLLECT_EVERY)
    known = first in COMMANDS or any(first in also for also in ALSO_WRITTEN.values())
    parser = build_parser(first if known else None)
    arguments = parser.parse_args(argv)
    if arguments.command is None:
        parser.print_help(sys.stderr)
        return 2
    try:
        arguments.outputs = outputs_of(arguments)
        status: int = importlib.import_module(f"analyzer.cli.{arguments.module}").run(arguments)
        return status
    except OutputLost:
        raise
    except HalfshaftError as error:
        return _told(str(error), error.exit_status, command=f" {arguments.module}")


def _told(message: str, status: int, before: str = "", *, command: str = "") -> int:
    with suppress(OSError, HalfshaftError):  # where standard error is full as well
        print(f"{before}halfshaft{command}: {message}", file=sys.stderr)
    return status


if __name__ == "__main__":
    sys.exit(main())
