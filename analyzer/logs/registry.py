"""The readers, tried in order on the first bytes of a log; the file's ending does not count."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from analyzer.errors import InputError
from analyzer.logs import arrow_log, csv_log, mdf_log, parquet_log, spreadsheet_log
from analyzer.logs.container import Source, open_source
from analyzer.logs.raw import RawLog, Remembered


@dataclass(frozen=True)
class Reader:
    """A sniff/read pair.

    Attributes
    ----------
    form : what it reads, in words.
    sniff : first bytes -> whether they are this form's.
    read : source -> opened log.
    """

    form: str
    sniff: Callable[[bytes], bool]
    read: Callable[[Source], RawLog]


# text last: every other form starts with bytes of its own
READERS = (
    Reader("Parquet", parquet_log.sniff, parquet_log.read),
    Reader("Arrow (Feather)", arrow_log.sniff, arrow_log.read),
    Reader("ASAM MDF 4", mdf_log.sniff, mdf_log.read),
    Reader("spreadsheet (.xlsx)", spreadsheet_log.sniff, spreadsheet_log.read),
    Reader("text (CSV)", csv_log.sniff, csv_log.read),
)


def open_log(path: Path | str) -> RawLog:
    """Open the log at `path` with the reader its first bytes ask for.

    Raises
    ------
    InputError : no such file, not a log, or broken beyond reading.
    """
    source = open_source(path)
    head = source.head()
    for reader in READERS:
        if reader.sniff(head):
            return _remembered(reader.read(source), source.packing)
    forms = ", ".join(reader.form for reader in READERS)
    raise InputError(
        f"{source.name}: not a kind of log this program reads; it reads {forms}. Export the log as one of these."
    )


def _remembered(raw: RawLog, packing: str) -> RawLog:
    """The log with columns that are loaded once; its parts likewise, each by itself."""
    part = raw.part
    return replace(
        raw,
        form=f"{packing}{raw.form}",
        load=Remembered(raw.load),
        part=None if part is None else lambda rows: _remembered(part(rows), packing),
    )
