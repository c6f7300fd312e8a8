"""The readers, tried in order on the first bytes of a log; the file's ending does not count."""

from dataclasses import dataclass, replace
from importlib import import_module
from pathlib import Path

from analyzer.errors import InputError
from analyzer.logs.container import Source, open_source
from analyzer.logs.recording import RawLog, Remembered


@dataclass(frozen=True)
class Reader:
    """A sniff/read pair, imported when it is asked: most logs are of the first form.

    Attributes
    ----------
    form : what it reads, in words.
    module : of `analyzer.logs`, with `sniff` and `read`.
    """

    form: str
    module: str

    def sniff(self, head: bytes) -> bool:
        """Whether these first bytes are this form's."""
        return bool(import_module(f"analyzer.logs.{self.module}").sniff(head))

    def read(self, source: Source) -> RawLog:
        """The opened log."""
        raw: RawLog = import_module(f"analyzer.logs.{self.module}").read(source)
        return raw


# text last: every other form starts with bytes of its own
READERS = (
    Reader("Parquet", "parquet_log"),
    Reader("Arrow (Feather)", "arrow_log"),
    Reader("ASAM MDF 4", "mdf_log"),
    Reader("spreadsheet (.xlsx)", "spreadsheet_log"),
    Reader("text (CSV)", "csv_log"),
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
    part, counted = raw.part, raw.counted
    return replace(
        raw,
        form=f"{packing}{raw.form}",
        load=Remembered(raw.load),
        part=None if part is None else lambda rows: _remembered(part(rows), packing),
        counted=None if counted is None else lambda: _remembered(counted(), packing),
    )
