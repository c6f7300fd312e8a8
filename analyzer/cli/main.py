"""`halfshaft`: finds the command and turns errors into one plain message and an exit status.

argparse, because the contract's `--before LOG [LOG ...]` needs options that take several values.
Command modules import what they compute with inside `run`, so that `--help` answers at once.
"""

import argparse
import importlib
import sys
from collections.abc import Sequence

from analyzer import __version__
from analyzer.errors import HalfshaftError

# command -> one line of help; the module analyzer.cli.<command> has add_arguments(parser) and
# run(arguments) -> exit status.
COMMANDS = {
    "demo": "analyse the shipped sample logs and show what the differential did",
    "check": "what is in a log: channels, units, signs, faults, what can be concluded",
    "predict": "predicted lock curve of an installed setup",
    "analyze": "what the differential did in a session",
    "dashboard": "the web page, on this machine unless told otherwise",
    "compare": "did a change take: runs before against runs after",
    "advise": "which parts on the shelf would cure what the logs show",
    "simulate": "make a log from the forward model, with the truth beside it",
    "batch": "every log of a folder, and one table of all corner phases",
    "logbook": "keep the logs, cars, setups and results of a team in one folder",
}


def build_parser() -> argparse.ArgumentParser:
    """The parser with every command."""
    parser = argparse.ArgumentParser(
        prog="halfshaft", description="Reads the log of a session and says what the limited-slip differential did."
    )
    parser.add_argument("--version", action="version", version=f"halfshaft {__version__}")
    commands = parser.add_subparsers(dest="command", required=True, metavar="COMMAND")
    for name, summary in COMMANDS.items():
        sub = commands.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        importlib.import_module(f"analyzer.cli.{name}").add_arguments(sub)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns the exit status (0 done, 2 wrong input, 3 the log cannot support the question)."""
    arguments = build_parser().parse_args(argv)
    command = importlib.import_module(f"analyzer.cli.{arguments.command}")
    try:
        return command.run(arguments)
    except HalfshaftError as error:
        print(f"halfshaft {arguments.command}: {error}", file=sys.stderr)
        return error.exit_status
    except BrokenPipeError:
        sys.stderr.close()
        return 0


if __name__ == "__main__":
    sys.exit(main())
