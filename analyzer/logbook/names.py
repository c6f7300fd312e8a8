"""What may be in a logbook and how it is called, and whether a folder is one. Every name that comes from outside passes
here, so that no path can lead out of the folder."""

import re
from pathlib import Path

from analyzer.errors import InputError

KINDS = {  # kind of file -> words for it
    "log": "a log",
    "car": "a car file",
    "setup": "a setup file",
    "channels": "a channel map",
}
LOG_ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".feather", ".arrow", ".mf4", ".mdf")
PACKINGS = (".gz", ".zip")
MARKER = "about-this-logbook.txt"  # lies in every logbook, so that one is known without its database
MARKER_TEXT = """This folder is a halfshaft logbook. halfshaft keeps logs, car files, setups and results here.
files/    every file as it came, with a .json beside it from which a lost logbook.sqlite is rebuilt
parquet/  the logs as Parquet
results/  what the analyses gave
lost/     what was in the way; halfshaft never deletes it
"""
DATABASE = "logbook.sqlite"
DATABASE_START = b"SQLite format 3\0"
APPLICATION_ID = 0x68736C62  # marks the database as a logbook's, so that no other database is changed
PLACES = (*(f"files/{kind}" for kind in KINDS), "parquet", "results")
LONGEST, KEPT_AT_THE_END = 120, 40  # letters of a name: its date leads, its kind ends it
_ID = re.compile(r"[0-9a-f]{16}")


def is_id(text: str) -> bool:
    """Whether `text` has the form of an id."""
    return _ID.fullmatch(text) is not None


def safe_name(filename: str) -> str:
    """The last part of a file name with only letters, digits, dot, dash and underscore, not hidden; of one that is too
    long the middle is left out."""
    last = re.split(r"[/\\]", filename)[-1]
    clean = re.sub(r"[^\w.\-]+", "_", last).lstrip(".")
    if len(clean) > LONGEST:
        clean = clean[: LONGEST - KEPT_AT_THE_END - 2] + "__" + clean[-KEPT_AT_THE_END:]
    return clean or "file"


def checked(name: str) -> str:
    """A name from the database, refused when it could lead elsewhere.

    Raises
    ------
    InputError : not a plain file name.
    """
    if safe_name(name) != name:
        raise InputError(f"the logbook names a file {name!r}, which is no file name; restore a copy of the logbook.")
    return name


def is_logbook(folder: Path) -> bool:
    """Whether a folder is a logbook, also one whose database is lost: by its marker, or, before there was one, by a
    stored file."""
    return (
        (folder / MARKER).is_file()
        or _is_own_database(folder / DATABASE)
        or any(is_id(path.name) for kind in KINDS for path in (folder / "files" / kind).glob("*") if path.is_dir())
    )


def _is_own_database(path: Path) -> bool:
    if not path.is_file():
        return False
    with path.open("rb") as file:
        header = file.read(100)
    # bytes 68 to 71: the application id (SQLite file format)
    return header.startswith(DATABASE_START) and header[68:72] == APPLICATION_ID.to_bytes(4, "big")


def named_few(names: list[str], most: int = 5) -> str:
    """The first few of a list of names."""
    rest = f" and {len(names) - most} more" if len(names) > most else ""
    return ", ".join(names[:most]) + rest
