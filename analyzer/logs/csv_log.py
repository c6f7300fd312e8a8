"""Reads text logs in blocks, only the columns asked for, through pyarrow; cells that are not numbers become gaps."""

import codecs
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from analyzer.errors import InputError
from analyzer.in_words import counted
from analyzer.logs.container import HEAD_BYTES, Source
from analyzer.logs.csv_dialect import EMPTY_WORDS, LONGEST_LINE, Dialect, cells, sniff_dialect, sniff_encoding
from analyzer.logs.names import name_score
from analyzer.logs.raw import RawColumn, RawLog, numbered
from analyzer.logs.text_values import clock_seconds, floats, plain_numbers
from analyzer.logs.unit_names import split_unit

_DEEPEST_HEAD_BYTES = 64 * HEAD_BYTES  # a preamble longer than 16 MB is not a preamble
_BLOCK_BYTES = 16 << 20
_LARGEST_BLOCK_BYTES = 2 * _BLOCK_BYTES
MOST_ROWS = 2_000_000  # 5.5 h at 100 Hz; 30 columns of this many samples take 480 MB
_NULLS = sorted({form for word in EMPTY_WORDS for form in (word, word.upper(), word.title(), "NaN")})


def sniff(head: bytes) -> bool:
    """Whether this is a text with a table of numbers (the header may be deeper than `head`)."""
    return sniff_encoding(head) is not None


def read(source: Source) -> RawLog:
    """Open a text log.

    Raises
    ------
    InputError : there is no table of numbers in it.
    """
    size = HEAD_BYTES
    while True:
        head = source.head(size)
        complete = len(head) < size
        dialect = sniff_dialect(head, complete=complete)
        if dialect is not None or complete or size >= _DEEPEST_HEAD_BYTES:
            break
        size *= 8
    if dialect is None:
        raise InputError(
            f"{source.name}: no table of numbers found in this text; export the log as CSV with a header row and "
            "one row per sample."
        )
    if (tall := _tall_columns(dialect)) is not None:
        return _tall_log(source, dialect, tall)
    return RawLog(dialect.words, dialect.columns, _Loader(source, dialect), dialect.preamble)


# how the columns of a log are called that has one row a value: time, name of the channel, value, and its unit
_TALL_NAME = re.compile(r"channel|signal|name|parameter|sensor|variable|measurement|kanal|canal|kanaal|tag|field", re.I)
_TALL_VALUE = re.compile(r"(?i)(value|val|wert|messwert|valeur|valor|valore|waarde|reading|data)( num\w*)?")
_TALL_UNIT = re.compile(r"(?i)units?|einheit|unit[eé]|unidad|unit[aà]|eenheid")
MOST_TALL_CHANNELS = 2_000


def _tall_columns(dialect: Dialect) -> tuple[int, int, int, int | None] | None:
    """Positions of time, channel, value and unit (None without) of a log with one row a value; None of other logs."""
    names = [column.name for column in dialect.columns]
    values = [i for i, name in enumerate(names) if _TALL_VALUE.fullmatch(name.strip())]
    times = [i for i, n in enumerate(names) if dialect.columns[i].is_clock or name_score("time", n) >= 0.7]
    channels = [position for position, name in dialect.texts if _TALL_NAME.search(name)]
    units = [position for position, name in dialect.texts if _TALL_UNIT.fullmatch(name.strip())]
    if len(values) != 1 or not times or len(channels) != 1 or len(names) > 4:
        return None
    return dialect.positions[times[0]], channels[0], dialect.positions[values[0]], units[0] if units else None


def _tall_log(source: Source, dialect: Dialect, at: tuple[int, int, int, int | None]) -> RawLog:
    """A log with one row a value: its channels on the union of their times, as sparse columns."""
    time_at, channel_at, value_at, unit_at = at
    clock = next(c for c, p in zip(dialect.columns, dialect.positions, strict=True) if p == time_at)
    order = (time_at, channel_at, value_at, *(() if unit_at is None else (unit_at,)))
    columns = tuple(RawColumn(str(p), "", clock.is_clock and p == time_at) for p in order)
    loader, notes = _Loader(source, replace(dialect, columns=columns, positions=order)), list[str]()
    times, codes, values = list[np.ndarray](), list[np.ndarray](), list[np.ndarray]()
    known: dict[str, int] = {}
    unit_of: dict[str, str] = {}
    for texts in loader.strings(range(len(order)), notes):
        names = pc.fill_null(texts[1], "").dictionary_encode()
        words = names.dictionary.to_pylist()
        index = floats(names.indices).astype(int)
        if unit_at is not None:
            first = np.unique(index, return_index=True)
            for k, row in zip(*first, strict=True):
                unit_of.setdefault(words[k], texts[3][int(row)].as_py() or "")
        numbers = np.array([known.setdefault(word, len(known)) for word in words])
        if len(known) > MOST_TALL_CHANNELS:
            raise InputError(f"{source.name}: has more than {MOST_TALL_CHANNELS} channels; export fewer of them.")
        codes.append(numbers[index])
        times.append(clock_seconds(texts[0]) if clock.is_clock else plain_numbers(texts[0], dialect.decimal))
        values.append(plain_numbers(texts[2], dialect.decimal))
    code, time, value = (np.concatenate(parts) if parts else np.empty(0) for parts in (codes, times, values))
    ticks = np.unique(time[np.isfinite(time)])
    places = np.searchsorted(ticks, time)
    found = [(name, split_unit(name)) for name, number in known.items() if np.isfinite(value[code == number]).any()]
    if not found or not len(ticks):
        raise InputError(f"{source.name}: holds no numbers in its column of values; export the log again.")
    raw = [RawColumn(clock.name, clock.unit, clock.is_clock)]
    raw += [RawColumn(short, unit_of.get(name, "") or unit) for name, (short, unit) in found]

    def load(wanted: Sequence[int]) -> tuple[list[np.ndarray], list[str]]:
        result = []
        for index in wanted:
            if index == 0:
                result.append(ticks)
                continue
            mine = (code == known[found[index - 1][0]]) & np.isfinite(time)
            column = np.full(len(ticks), np.nan)
            column[places[mine]] = value[mine]
            result.append(column)
        return result, notes

    return RawLog(f"{dialect.words}, one row a value", numbered(raw), load, dialect.preamble)


class _Columns:
    """Collects blocks of columns; beyond MOST_ROWS rows it averages neighbours, so that memory stays bounded.

    Attributes
    ----------
    notes : what was met on the way, for the user.
    words : column's name -> cells that hold a word where a number is expected.
    """

    def __init__(self, count: int) -> None:
        self.count = count
        self.factor = 1
        self.notes: list[str] = []
        self.words: Counter[str] = Counter()
        self._blocks: list[np.ndarray] = []
        self._pending = np.empty((count, 0))
        self._rows = 0

    def add(self, block: np.ndarray) -> None:
        """Append a (columns, rows) block."""
        if self.factor > 1 or self._pending.shape[1]:
            block = np.concatenate([self._pending, block], axis=1)
            whole = block.shape[1] // self.factor * self.factor
            self._pending = block[:, whole:]
            block = _means(block[:, :whole], self.factor)
        self._blocks.append(block)
        self._rows += block.shape[1]
        while self._rows > MOST_ROWS:
            kept = np.concatenate(self._blocks, axis=1)
            even = kept.shape[1] // 2 * 2
            self._blocks = [_means(kept[:, :even], 2)]
            self._rows = self._blocks[0].shape[1]
            self.factor *= 2

    def finish(self) -> np.ndarray:
        """Everything as one (columns, rows) array."""
        return np.concatenate(self._blocks, axis=1) if self._blocks else np.empty((self.count, 0))


def _means(block: np.ndarray, factor: int) -> np.ndarray:
    if factor == 1:
        return block
    groups = block.reshape(block.shape[0], -1, factor)
    present = np.isfinite(groups)
    count = present.sum(axis=2)
    total = np.where(present, groups, 0.0).sum(axis=2)
    return np.where(count, total / np.maximum(count, 1), np.nan)


class _Loader:
    """Loads columns of one text log block by block: fast where every cell is a plain number, lenient elsewhere."""

    def __init__(self, source: Source, dialect: Dialect) -> None:
        self._source = source
        self._dialect = dialect
        self._left_out = self._short = 0  # lines of unusual width

    def __call__(self, wanted: Sequence[int]) -> tuple[list[np.ndarray], list[str]]:
        if not wanted:
            return [], []
        columns = _Columns(len(wanted))
        self._left_out = self._short = 0
        plain = not self._dialect.grouped and not any(self._dialect.columns[i].is_clock for i in wanted)
        for number, block in enumerate(self._blocks()):
            values = self._plain_numbers(block, wanted, first=not number) if plain else None
            if values is None:
                texts = self._texts(block, wanted, first=not number)
                values = self._numbers(texts, wanted, columns.words)
            columns.add(values)
        found = columns.finish()
        notes = [*self._source.damage, *self._line_notes(), *_word_notes(columns.words)]
        if columns.factor > 1:
            notes.append(
                f"More rows than fit: every {columns.factor} neighbouring rows were averaged; cut the "
                "log into sessions."
            )
        if found.shape[1] and (self._source.damage or self._last_line_is_cut()):
            found = found[:, :-1]
            notes.append(
                "The file ends in the middle of a line, as a file does that was cut off or is still being written; "
                "the last row was left out."
            )
        return list(found), notes

    def strings(self, wanted: Sequence[int], notes: list[str]) -> Iterator[list[pa.Array]]:
        """Blocks of columns as trimmed text."""
        for number, block in enumerate(self._blocks()):
            yield [pc.utf8_trim_whitespace(text) for text in self._texts(block, wanted, first=not number)]
        notes += self._line_notes()

    def _line_notes(self) -> list[str]:
        width, notes = self._dialect.width, []
        if self._left_out:
            lines = counted(self._left_out, "line")
            notes.append(f"{lines} without the {width} cells of the others (cut off, or text) left out.")
        if self._short:
            notes.append(
                f"{counted(self._short, 'line has', 'lines have')} more or fewer cells than the others ({width}); "
                "missing cells became gaps."
            )
        return notes

    def _blocks(self) -> Iterator[bytes]:
        """The text from its beginning in blocks of whole lines."""
        codec, rest, cut = self._dialect.encoding, b"", b"\n"
        with self._source.open() as stream:
            pieces = iter(lambda: stream.read(_BLOCK_BYTES), b"")
            if codec.startswith("utf-16"):
                pieces = (part.encode() for part in codecs.iterdecode(pieces, codec, errors="replace"))
            for piece in pieces:
                block = rest + piece
                if not rest and b"\n" not in block[:LONGEST_LINE]:
                    cut = b"\r"
                end = block.rfind(cut) + 1
                if not end and len(block) < _LARGEST_BLOCK_BYTES:
                    rest = block
                    continue
                end = end or len(block)  # what has no end of a line is no table, and takes no more memory
                yield block[:end]
                rest = block[end:]
            if rest:
                yield rest

    def _plain_numbers(self, block: bytes, wanted: Sequence[int], *, first: bool) -> np.ndarray | None:
        """Columns of a block as numbers (columns, rows); None where a cell is not a plain number."""
        if self._dialect.separator == " ":
            return None
        table = self._table(block, wanted, pa.float64(), first=first)
        return None if table is None else np.array([floats(c) for c in table]).reshape(len(wanted), -1)

    def _texts(self, block: bytes, wanted: Sequence[int], *, first: bool) -> list[pa.Array]:
        """Columns of a block as text, whatever it holds."""
        table = None if self._dialect.separator == " " else self._table(block, wanted, pa.string(), first=first)
        return self._line_by_line(block, wanted, first=first) if table is None else table

    def _table(self, block: bytes, wanted: Sequence[int], kind: pa.DataType, *, first: bool) -> list[pa.Array] | None:
        """Columns of a block by Arrow's own reader; None where it does not read it, or most lines are ragged."""
        dialect = self._dialect
        keys = [str(i) for i in range(dialect.width)]
        wrong = [0]

        def skip(row: pacsv.InvalidRow) -> str:
            # a quotation mark that nothing closes takes all lines up to the next one into its cell
            wrong[0] += 1 + row.text.count("\n")
            return "skip"

        order = [keys[dialect.positions[i]] for i in wanted]
        try:
            table = pacsv.read_csv(
                io.BytesIO(block),
                pacsv.ReadOptions(
                    column_names=keys,
                    skip_rows=dialect.data_line if first else 0,
                    encoding=_arrow_codec(dialect.encoding),
                    block_size=len(block) + 1,
                ),
                pacsv.ParseOptions(
                    delimiter=dialect.separator,
                    quote_char='"' if dialect.quoted else False,
                    invalid_row_handler=skip,
                ),
                pacsv.ConvertOptions(
                    include_columns=order,
                    column_types=dict.fromkeys(order, kind),
                    null_values=_NULLS,
                    strings_can_be_null=True,
                    decimal_point=dialect.decimal,
                ),
            ).combine_chunks()
        except (pa.ArrowInvalid, UnicodeError):
            return None
        if wrong[0] > max(3, table.num_rows // 100):
            return None
        self._left_out += wrong[0]
        return [
            column.chunk(0) if column.num_chunks else pa.array([], kind)
            for column in (table.column(i) for i in range(len(order)))
        ]

    def _line_by_line(self, block: bytes, wanted: Sequence[int], *, first: bool) -> list[pa.Array]:
        dialect = self._dialect
        codec = "utf-8" if dialect.encoding.startswith("utf-16") else dialect.encoding
        lines = re.split(r"\r\n|\r|\n", block.decode(codec, errors="replace"))[dialect.data_line if first else 0 :]
        rows = [
            cells(line[:LONGEST_LINE], dialect.separator) for line in lines if line[:LONGEST_LINE].strip(" \t,;|\n")
        ]
        width = dialect.width
        self._short += sum(len(row) < width or any(c.strip() for c in row[width:]) for row in rows)
        places = [dialect.positions[i] for i in wanted]
        return [pa.array([row[p] if p < len(row) else None for row in rows], pa.string()) for p in places]

    def _numbers(self, texts: Sequence[pa.Array], wanted: Sequence[int], words: Counter[str]) -> np.ndarray:
        """Columns of cells as numbers, (columns, rows); cells that hold a word are counted and become gaps."""
        found = []
        for i, text in zip(wanted, texts, strict=True):
            column = self._dialect.columns[i]
            text = pc.utf8_trim_whitespace(text)
            values = clock_seconds(text) if column.is_clock else plain_numbers(text, self._dialect.decimal)
            lost = np.isnan(values) & (floats(pc.cast(pc.is_valid(text), pa.uint8())) > 0)
            if lost.any():
                left = pc.utf8_lower(text.filter(pa.array(lost)))
                words[column.name] += pc.sum(pc.invert(pc.is_in(left, pa.array(EMPTY_WORDS)))).as_py() or 0
            found.append(values)
        return np.array(found)

    def _last_line_is_cut(self) -> bool:
        """No line end at the end of the file, and the last cell is shorter than in the lines before."""
        path, separator = self._source.path, self._dialect.separator
        if path is None or self._dialect.encoding.startswith("utf-16"):
            return False
        with open(path, "rb") as file:
            file.seek(max(0, self._source.size - 20_000))
            lines = file.read().decode("latin-1").splitlines(keepends=True)[1:]
        if len(lines) < 10 or lines[-1].endswith(("\n", "\r")):
            return False
        last_cells = [cells(line.strip(), separator)[-1] for line in lines[-20:]]
        return len(last_cells[-1]) < min(map(len, last_cells[:-1]))


def _arrow_codec(encoding: str) -> str:
    # Latin-1 has a character for every byte; digits are the same in both
    return "latin-1" if encoding == "cp1252" else "utf8"  # UTF-16 is read as UTF-8, see `_blocks`


def _word_notes(words: Counter[str]) -> list[str]:
    return [
        f"Column '{name}' holds words where numbers are expected in {counted(count, 'row')}; they became gaps."
        for name, count in words.items()
        if count
    ]
