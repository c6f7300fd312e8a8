"""The options that several commands take, each with one wording."""

import argparse


def add_car(parser: argparse.ArgumentParser) -> None:
    """`--car`, which must be given."""
    parser.add_argument(
        "--car", metavar="CAR", required=True, help="car file (TOML); sample_logs/club_car.toml is one to copy"
    )


def add_channels(parser: argparse.ArgumentParser, what: str = " for logs with other names or units") -> None:
    """`--channels`; `what` says what the map is for."""
    parser.add_argument("--channels", metavar="MAP", help=f"channel map (TOML){what}")


def add_json(parser: argparse.ArgumentParser, what: str = "the result") -> None:
    """`--json`; `what` is written."""
    parser.add_argument("--json", metavar="FILE", help=f"write {what} as JSON; - is standard output")


def add_html(parser: argparse.ArgumentParser) -> None:
    """`--html`."""
    parser.add_argument("--html", metavar="FILE", help="write the report as one HTML file")
