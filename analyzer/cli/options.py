"""The options that several commands take, each with one wording, and which files a command reads and writes."""

import argparse
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from analyzer.files import Outputs, is_own_html, is_own_json


def add_car(parser: argparse.ArgumentParser) -> None:
    """`--car`, which must be given."""
    parser.add_argument(
        "--car", metavar="CAR", required=True, help="car file (TOML); sample_logs/club_car.toml is one to copy"
    )


def add_channels(parser: argparse.ArgumentParser, what: str = " for logs with other names or units") -> None:
    """`--channels`; `what` says what the map is for."""
    parser.add_argument("--channels", metavar="MAP", help=f"channel map (TOML){what}")


DRIVEN_WITH = {
    "tyres": "set of tyres, in your words; a run tells another set nothing of its tyres",
    "weather": "dry, wet, cold, in your words; other weather is another tyre",
    "sensor": "logger and where it sits, in your words; another one's pose and scales are not carried over",
}


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
    others = {*written, "command", "module", "action", "outputs"}
    read = [text for name, value in vars(arguments).items() if name not in others for text in _texts(value)]
    outputs = Outputs(read, overwrite=getattr(arguments, "overwrite", False))
    named = {
        f"--{option}": (target, is_own)
        for option, is_own in written.items()
        if (target := getattr(arguments, option)) and target != "-"
    }
    outputs.require_each(named)
    return outputs


def _texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, list | tuple):
        yield from (text for text in value if isinstance(text, str))
