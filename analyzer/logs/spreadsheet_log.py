"""Reads spreadsheets (Office Open XML, .xlsx) through the optional library python-calamine: the sheet as text, which
the text reader then takes apart."""

import csv
import io
from datetime import date, datetime, time, timedelta
from typing import Any

from analyzer.errors import InputError
from analyzer.logs import csv_log
from analyzer.logs.container import Source
from analyzer.logs.recording import RawLog

_ZIP = b"PK\x03\x04"  # what else comes in a zip archive was unpacked before
_OLD = b"\xd0\xcf\x11\xe0"  # compound file, as spreadsheets were until 2007
MOST_CELLS = 15_000_000  # 1 million rows of 15 columns, some 1.5 GB while they are read


def sniff(head: bytes) -> bool:
    """Whether these bytes begin a spreadsheet."""
    return head[:4] in (_ZIP, _OLD)


def read(source: Source) -> RawLog:
    """Open a log in the largest sheet of a spreadsheet.

    Raises
    ------
    InputError : python-calamine is not installed, the old format, damaged, too large, or no table of numbers in it.
    """
    if source.head(4) == _OLD:
        raise InputError(f"{source.name}: an outdated kind of spreadsheet (.xls); save it as .xlsx or CSV.")
    try:
        from python_calamine import CalamineError, CalamineWorkbook
    except ImportError:
        raise InputError(
            f"{source.name}: a spreadsheet needs the library python-calamine; install it with: pip install "
            "'halfshaft[xlsx]', or save the sheet as CSV."
        ) from None
    place = source.seekable()
    try:
        book = CalamineWorkbook.from_object(place)
        sheets = [book.get_sheet_by_name(name) for name in book.sheet_names]
        sheet = max(sheets, key=lambda s: s.total_height * s.total_width, default=None)
        if sheet is None or not sheet.total_height:
            raise InputError(f"{source.name}: the spreadsheet is empty; export the log again.")
        if sheet.total_height * sheet.total_width > MOST_CELLS:
            raise InputError(
                f"{source.name}: the sheet has {sheet.total_height} rows of {sheet.total_width} cells, more than "
                "memory should hold; save it as CSV."
            )
        text = io.StringIO()
        writer = csv.writer(text, delimiter="\t", lineterminator="\n")
        writer.writerows([_written(cell) for cell in row] for row in sheet.iter_rows())
    except (CalamineError, OSError, ValueError):
        raise InputError(f"{source.name}: a damaged or locked spreadsheet; save it again, or as CSV.") from None
    data = text.getvalue().encode()
    sheet_as_text = Source(source.name, source.packing, len(data), None, lambda: io.BytesIO(data), source.damage)
    raw = csv_log.read(sheet_as_text)
    return RawLog("spreadsheet", raw.columns, raw.load, raw.preamble, raw.notes)


def _written(cell: Any) -> str:
    if isinstance(cell, datetime):
        return cell.isoformat(sep=" ", timespec="microseconds")
    if isinstance(cell, time):
        return cell.isoformat(timespec="microseconds")
    if isinstance(cell, timedelta):
        return repr(cell.total_seconds())
    if isinstance(cell, date):
        return f"{cell.isoformat()} 00:00:00"
    return repr(cell) if isinstance(cell, float) else str(cell)
