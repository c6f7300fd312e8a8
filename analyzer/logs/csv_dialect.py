"""Finds out how a text log is written: encoding, separator, decimal mark, where the header and the data are."""

import codecs
import csv
import re
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

from analyzer.logs.recording import RawColumn, numbered
from analyzer.logs.unit_names import parse_unit, split_unit

EMPTY_WORDS = ("", "nan", "na", "n/a", "#n/a", "null", "none", "-", "--", "---", "?", "inf", "-inf", "+inf")
_PLAIN = {
    ".": re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?"),
    ",": re.compile(r"[+-]?(\d+,?\d*|,\d+)([eE][+-]?\d+)?"),
}
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}([ ',’\u00a0\u202f]\d{3})+(\.\d*)?"),
    ",": re.compile(r"[+-]?\d{1,3}([ '.’\u00a0\u202f]\d{3})+(,\d*)?"),
}
CLOCK = re.compile(
    r"(?P<date>\d{1,4}[-./]\d{1,2}[-./]\d{1,4})?[T ]*"
    r"(?:(?P<h>\d{1,3}):)?(?P<m>\d{1,2}):(?P<s>\d{1,2}(?:[.,]\d+|:\d{3}(?:\d{3})?)?)\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?:Z|UTC|[+-]\d{2}:?\d{2})?"
)
_SEPARATORS = (",", ";", "\t", "|", " ")
# other writings of a minus: the Unicode minus, dashes, and an accountant's brackets
MINUS = re.compile(r"^(?:[\u2212\u2012\u2013]\s?(?P<a>[\d.,].*)|\((?P<b>[\d.,][^()]*)\))$")
LONGEST_LINE = 1_000_000  # characters; longer is no line of a table
_WINDOW = 150
LIKE_WORDS = 0.8  # of a row
WORD_COST = 0.9  # of a number's worth: below 1, for a row of time, channel, value and unit is half words
_RATE_CELL = re.compile(r"\d+([.,]\d+)?\s*hz", re.IGNORECASE)


@dataclass(frozen=True)
class Dialect:
    """How a text log is written.

    Attributes
    ----------
    encoding : Python codec name.
    separator : one character; ' ' stands for runs of blanks.
    decimal : '.' or ','.
    grouped : True when thousands marks occur.
    data_line : number of lines above the first row of data.
    width : cells in a row of data.
    columns : those that hold numbers or clock times, in the order of the row.
    positions : positions of `columns` in the row.
    preamble : lines above the header, joined.
    texts : positions and names of the columns that hold words.
    quoted : whether cells stand in quotation marks; where they do not, one is a slip, and must not take the lines after
        it into its cell.
    """

    encoding: str
    separator: str
    decimal: str
    grouped: bool
    data_line: int
    width: int
    columns: tuple[RawColumn, ...]
    positions: tuple[int, ...]
    preamble: str
    texts: tuple[tuple[int, str], ...] = ()
    quoted: bool = True

    @property
    def words(self) -> str:
        """The dialect for a person."""
        names = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "blank"}
        parts = [f"{names[self.separator]}-separated text"]
        if self.decimal == ",":
            parts.append("decimal comma")
        if self.grouped:
            parts.append("thousands marks")
        if self.encoding not in ("utf-8", "utf-8-sig"):
            parts.append({"cp1252": "Latin-1", "cp932": "Shift-JIS"}.get(self.encoding, self.encoding.upper()))
        return ", ".join(parts)


def sniff_encoding(head: bytes) -> str | None:
    """The codec of a text, or None when the bytes are not text."""
    for mark, codec in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if head.startswith(mark):
            return codec
    sample = head[:4096]
    if len(sample) >= 4 and b"\0" in sample:
        even, odd = sample[0::2].count(0) / len(sample[0::2]), sample[1::2].count(0) / len(sample[1::2])
        if odd > 0.6 and even < 0.1:
            return "utf-16-le"
        if even > 0.6 and odd < 0.1:
            return "utf-16-be"
        return None
    if sum(b < 9 or 13 < b < 32 for b in sample) > len(sample) // 100:
        return None
    for codec in ("utf-8", "cp932"):
        with suppress(UnicodeDecodeError):
            text = codecs.getincrementaldecoder(codec)().decode(head)
            if codec == "utf-8" or _is_japanese(text):
                return codec
    return "cp1252"


def _is_japanese(text: str) -> bool:
    """Whether a text read as Shift-JIS is one: most of what is not ASCII comes in words of kana and kanji. Of Latin-1
    read so, each letter with an accent makes one kanji of itself and the letter behind it."""
    words = re.findall(r"[^\x00-\x7f]+", text)
    return bool(words) and sum(len(word) > 1 for word in words) > len(words) / 2


def kind_of_cell(cell: str, decimal: str) -> str:
    """`empty`, `number`, `grouped` (a number with thousands marks), `clock` or `text`."""
    cell = cell.strip()
    if cell.casefold() in EMPTY_WORDS:
        return "empty"
    if cell[:1] in "(\u2212\u2012\u2013" and (other := MINUS.match(cell)):
        cell = f"-{other['a'] or other['b']}"
    if _PLAIN[decimal].fullmatch(cell):
        return "number"
    if _GROUPED[decimal].fullmatch(cell):
        return "grouped"
    return "clock" if CLOCK.fullmatch(cell) else "text"


def sniff_dialect(head: bytes, *, complete: bool) -> Dialect | None:
    """The dialect of a text log, or None when no table of numbers is in `head`.

    Parameters
    ----------
    head : the first bytes of the file.
    complete : True when `head` is the whole file, so that its last line is a whole one too.
    """
    encoding = sniff_encoding(head)
    if encoding is None:
        return None
    text = head.decode(encoding, errors="replace")
    lines = re.split(r"\r\n|\r|\n", text)
    if not complete:
        lines = lines[:-1]
    while lines and not lines[-1].strip():
        lines.pop()
    if not lines or max(map(len, lines)) > LONGEST_LINE:
        return None
    # the end is past any preamble; the middle helps where the end is text or damaged
    middle, later = (
        lines[max(0, at - _WINDOW // 2) : at + _WINDOW // 2] for at in (len(lines) // 2, 3 * len(lines) // 4)
    )
    found = [guess for window in (lines[-_WINDOW:], middle) if (guess := _guess(window)) is not None]
    if not found:
        return None
    guess = max(found, key=lambda g: g.score)
    # what a column holds is told by all of them: where channels follow each other, one window is of one channel
    return _locate(lines, encoding, replace(guess, window=[*guess.window, *middle, *later]))


@dataclass(frozen=True)
class _Guess:
    """How a window of lines is best taken apart, and how well that works."""

    score: float
    separator: str
    decimal: str
    width: int
    window: Sequence[str]


def _guess(window: Sequence[str]) -> _Guess | None:
    best = None
    for separator in _SEPARATORS:
        rows = [row for row in (cells(line, separator) for line in window) if any(c.strip() for c in row)]
        if not rows or (width := _usual_width(rows)) < 2:
            continue
        commas = any("," in cell for row in rows for cell in row)
        for decimal in (".", ",") if commas else (".",):
            score = _score(rows, width, decimal) * (0.9 if separator == " " else 1.0)
            if score > 0 and (best is None or score > best.score):
                best = _Guess(score, separator, decimal, width, window)
    return best


def cells(line: str, separator: str) -> list[str]:
    """The cells of one line."""
    if separator == " ":
        return line.split()
    if '"' in line and line.count('"') % 2 == 0:  # one that nothing closes is a slip
        with suppress(csv.Error):  # a quotation mark that nothing closes makes one cell of the rest, of any length
            return next(csv.reader([line], delimiter=separator), [""])
    return line.split(separator)


def _usual_width(rows: Sequence[Sequence[str]]) -> int:
    """The most frequent width; the larger one of two equally frequent."""
    return max(Counter(map(len, rows)).items(), key=lambda item: (item[1], item[0]))[0]


def _score(rows: Sequence[Sequence[str]], width: int, decimal: str) -> float:
    """How well rows look like a table of numbers; more cells and fewer words are better, 0 is not a table."""
    fitting = [row for row in rows if len(row) == width]
    kinds = Counter(kind_of_cell(cell, decimal) for row in fitting for cell in row)
    good = kinds["number"] + 0.9 * kinds["grouped"] + 0.8 * kinds["clock"]
    if good < len(fitting) or good + kinds["empty"] < 0.3 * sum(kinds.values()):
        return 0.0
    # a word that holds a separator was cut at the wrong one: "0,02;speed;81,5"
    kinds["text"] += sum(cell.count(mark) for row in fitting for cell in row for mark in ";\t|")
    # words cost nearly what numbers bring: a wrong separator or decimal mark makes words out of numbers, but a row may
    # be half words (time, channel, value, unit)
    return (good - WORD_COST * kinds["text"]) / len(fitting) * (len(fitting) / len(rows)) ** 2


def _locate(lines: Sequence[str], encoding: str, guess: _Guess) -> Dialect | None:
    separator, decimal, width = guess.separator, guess.decimal, guess.width
    tail = [row for row in (cells(line, separator) for line in guess.window) if len(row) == width]
    kinds = [Counter(kind_of_cell(row[i], decimal) for row in tail) for i in range(width)]
    column_kind = [_column_kind(k) for k in kinds]
    numeric = [i for i, kind in enumerate(column_kind) if kind not in ("text", "empty")]
    if not numeric:
        return None
    first = _first_data_line(lines, separator, decimal, column_kind)
    if first is None:
        return None
    header, preamble_end = _header_rows(lines, first, separator, width)
    names, units = _names_and_units(header, width)
    # a column that is empty in the sample may fill later (sparse channels): keep it when it has a name
    kept = [i for i in range(width) if column_kind[i] != "text" and (column_kind[i] != "empty" or names[i])]
    columns = numbered([RawColumn(names[i] or f"column {i + 1}", units[i], column_kind[i] == "clock") for i in kept])
    grouped = any(k["grouped"] for k in kinds)
    preamble = "\n".join(lines[:preamble_end])[:20_000]
    quoted = sum('"' in line for line in guess.window) > len(guess.window) // 10
    texts = tuple((i, names[i]) for i in range(width) if column_kind[i] == "text")
    return Dialect(encoding, separator, decimal, grouped, first, width, columns, tuple(kept), preamble, texts, quoted)


def _column_kind(kinds: Counter[str]) -> str:
    filled = kinds["number"] + kinds["grouped"] + kinds["clock"] + kinds["text"]
    if not filled:
        return "empty"
    if kinds["clock"] > filled / 2:
        return "clock"
    return "number" if kinds["number"] + kinds["grouped"] >= filled / 2 else "text"


def _first_data_line(lines: Sequence[str], separator: str, decimal: str, column_kind: Sequence[str]) -> int | None:
    """The first line from which three in a row (or all that are left) look like the columns below."""
    run_start, run = None, 0
    for number, line in enumerate(lines):
        if not line.strip(" \t,;|"):
            continue
        if _is_data(cells(line, separator), decimal, column_kind):
            run_start, run = (number, 1) if run == 0 else (run_start, run + 1)
            if run == 3:
                return run_start
        else:
            run = 0
    return run_start if run else None


def _is_data(row: Sequence[str], decimal: str, column_kind: Sequence[str]) -> bool:
    if abs(len(row) - len(column_kind)) > max(1, len(column_kind) // 2):
        return False
    good = bad = 0
    for cell, expected in zip(row, column_kind, strict=False):
        kind = kind_of_cell(cell, decimal)
        if expected in ("number", "clock") and kind != "empty":
            same = kind == "clock" if expected == "clock" else kind in ("number", "grouped")
            good, bad = good + same, bad + (not same)
    return good > 0 and bad <= good // 4


def _header_rows(lines: Sequence[str], first: int, separator: str, width: int) -> tuple[list[list[str]], int]:
    """Up to four rows right above the data with at least half the cells filled, and the line they start at."""
    rows: list[list[str]] = []
    top = first
    for number in range(first - 1, -1, -1):
        line = lines[number]
        if not line.strip(" \t,;|"):
            continue
        row = _whole_names(cells(line.lstrip("#%/ "), separator), separator, width)
        row = [c.strip().strip('"').strip() for c in row]
        filled = sum(bool(c) for c in row)
        enough = max(2, (width + 1) // 2) if not rows else max(2, (width + 3) // 4)
        if filled < enough or len(row) > width + max(1, width // 2) or len(rows) == 4:
            break
        if rows and len(row) < len(rows[0]) - 1 and len(row) < width - 1:
            break
        rows.insert(0, row)
        top = number
    return rows, top


def _whole_names(row: list[str], separator: str, width: int) -> list[str]:
    """A header row with more cells than there are columns, put together where a name holds the separator without quotes
    ('Acceleration, lateral'): its second half begins with a blank."""
    whole = list[str]()
    for cell in row:
        if whole and cell.startswith(" "):
            whole[-1] += separator + cell
        else:
            whole.append(cell)
    return whole if len(row) > width == len(whole) else row


def _names_and_units(rows: Sequence[Sequence[str]], width: int) -> tuple[list[str], list[str]]:
    names, units = [""] * width, [""] * width
    name_rows: list[list[str]] = []
    for k, row in enumerate(rows):
        row = [*row, *[""] * width][:width]
        filled = [c for c in row if c]
        if sum(_RATE_CELL.fullmatch(c) is not None for c in filled) > len(filled) / 2:
            continue
        if sum(kind_of_cell(c, ".") == "number" for c in filled) > len(filled) / 2:
            continue  # channel numbers or rates
        if len(rows) > 1 and max(Counter(filled).values(), default=0) > LIKE_WORDS * len(filled) and len(filled) > 4:
            continue  # a row that says the same of every column: a type
        names_follow = k + 1 < len(rows) and sum(map(bool, rows[k + 1])) >= len(filled) > 0
        if (name_rows or names_follow) and sum(parse_unit(c) is not None for c in filled) >= len(filled) / 2:
            units = [c.strip("[](){}") for c in row]
            continue
        name_rows.append(row)
    for i in range(width):
        parts = []
        for row in name_rows:
            cell = row[i]
            if not cell and row is not name_rows[-1]:  # a merged cell: the group's name stands over its first column
                cell = next((row[j] for j in range(i, -1, -1) if row[j]), "")
            name, unit = split_unit(cell)
            units[i] = units[i] or unit
            if name and name not in parts:
                parts.append(name)
        names[i] = " ".join(parts)
    return names, units
