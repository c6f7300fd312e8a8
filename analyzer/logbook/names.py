"""What may be in a logbook and how it is called. Every name that comes from outside passes here, so that no path can
lead out of the folder."""

import re

from analyzer.errors import InputError

KINDS = {  # kind of file -> words for it
    "log": "a log",
    "car": "a car file",
    "setup": "a setup file",
    "channels": "a channel map",
}
LOG_ENDINGS = (".csv", ".tsv", ".txt", ".parquet", ".feather", ".arrow", ".mf4", ".mdf")
PACKINGS = (".gz", ".zip")
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
