"""Rows of a text log, block by block of whole lines: only the columns asked for, through pyarrow; cells that are not
numbers become gaps. A large text is read in pieces, so that a long session never has to be in memory at once."""

import codecs
import copy
import io
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from analyzer.arrays import FloatArray
from analyzer.in_words import counted
from analyzer.logs.arrow_columns import floats
from analyzer.logs.container import Source
from analyzer.logs.csv_dialect import EMPTY_WORDS, LONGEST_LINE, Dialect, cells
from analyzer.logs.text_values import clock_seconds, plain_numbers

BLOCK_BYTES = 16 << 20
MOST_ROWS = 2_000_000  # at once, 5.5 h at 100 Hz; 30 columns of this many samples take 480 MB
_NULLS = sorted({form for word in EMPTY_WORDS for form in (word, word.upper(), word.title(), "NaN")})


class Columns:
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
        self._blocks: list[FloatArray] = []
        self._pending = np.empty((count, 0))
        self._rows = 0

    def add(self, block: FloatArray) -> None:
        """Append a (columns, rows) block."""
        if self.factor > 1:
            lacking = -self._pending.shape[1] % self.factor
            first = np.concatenate([self._pending, block[:, :lacking]], axis=1)
            rest = block[:, lacking:]
            whole = rest.shape[1] // self.factor * self.factor
            if first.shape[1] % self.factor:  # not even enough for one mean
                self._pending = first
                return
            self._pending = rest[:, whole:].copy()
            block = np.concatenate([_means(first, self.factor), _means(rest[:, :whole], self.factor)], axis=1)
        self._blocks.append(block)
        self._rows += block.shape[1]
        while self._rows > MOST_ROWS:
            kept = np.concatenate(self._blocks, axis=1)
            even = kept.shape[1] // 2 * 2
            self._blocks = [_means(kept[:, :even], 2)]
            self._rows = self._blocks[0].shape[1]
            self.factor *= 2

    def finish(self) -> FloatArray:
        """Everything as one (columns, rows) array."""
        return np.concatenate(self._blocks, axis=1) if self._blocks else np.empty((self.count, 0))


def _means(block: FloatArray, factor: int) -> FloatArray:
    if factor == 1:
        return block
    groups, ones = (
        block.reshape(-1, factor),
        np.ones(factor),
    )  # a product is ten times as fast as sums along a short axis
    total, count = groups @ ones, np.asarray(float(factor))
    if not np.isfinite(total).all():
        present = np.isfinite(groups)
        total, count = np.where(present, groups, 0.0) @ ones, present @ ones
    return np.where(count, total / np.maximum(count, 1), np.nan).reshape(len(block), -1)


# control-Z, which programs of CP/M and its heirs write behind a text, once or up to the end of a disk's sector; and the
# zeros that loggers set a file's length with before they write it
_END_OF_TEXT = b"\x1a\0"
_ENDS_IN_A_LINE = (
    "The file ends in the middle of a line, as a file does that was cut off or is still being written; "
    "the last row was left out."
)


class Loader:
    """Loads columns of one text log block by block: fast where every cell is a plain number, lenient elsewhere."""

    def __init__(self, source: Source, dialect: Dialect) -> None:
        self._source = source
        self._dialect = dialect
        self._left_out = self._short = 0  # lines of unusual width

    def __call__(self, wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        if not wanted:
            return [], []
        columns = Columns(len(wanted))
        self._left_out = self._short = 0
        for number, block in enumerate(self._blocks()):
            columns.add(self._values(block, wanted, columns.words, first=not number))
        found = columns.finish()
        notes = [*self._source.damage, *self._line_notes(), *_word_notes(columns.words)]
        if columns.factor > 1:
            notes.append(
                f"More rows than fit: every {columns.factor} neighbouring rows were averaged; cut the "
                "log into sessions."
            )
        if found.shape[1] and self.ends_in_a_line:
            found = found[:, :-1]
            notes.append(_ENDS_IN_A_LINE)
        return list(found), notes

    def _values(self, block: bytes, wanted: Sequence[int], words: Counter[str], *, first: bool) -> FloatArray:
        """Columns of a block as numbers, (columns, rows)."""
        if not self._dialect.grouped and not any(self._dialect.columns[i].is_clock for i in wanted):
            values = self._plain_numbers(block, wanted, first=first)
            if values is not None:
                return values
        return self._numbers(self._texts(block, wanted, first=first), wanted, words)

    @property
    def ends_in_a_line(self) -> bool:
        """Whether the last row was cut off; known of packed texts once they were read to their end."""
        return bool(self._source.damage) or self._last_line_is_cut()

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
            pieces = iter(lambda: stream.read(BLOCK_BYTES), b"")
            if codec.startswith("utf-16"):
                pieces = (part.encode() for part in codecs.iterdecode(pieces, codec, errors="replace"))
            for piece in pieces:
                block = rest + piece
                if not rest and b"\n" not in block[:LONGEST_LINE]:
                    cut = b"\r"
                end = block.rfind(cut) + 1
                if not end and len(block) < 2 * BLOCK_BYTES:
                    rest = block
                    continue
                end = end or len(block)  # what has no end of a line is no table, and takes no more memory
                yield block[:end]
                rest = block[end:]
            rest = rest.rstrip(_END_OF_TEXT)
            if rest:
                yield rest

    def pieces(self) -> "Pieces | None":
        """Where the rows lie; None of a text that is one block, or that cannot be entered in its middle."""
        source = self._source
        if source.path is not None and source.size <= BLOCK_BYTES:
            return None
        codec, byte = self._wide()
        row, ends = 0, list[tuple[int, int]]()
        for number, block in enumerate(self._blocks()):
            byte += len(block.decode().encode(codec, errors="replace")) if codec else len(block)
            row += len(self._texts(block, [0], first=not number)[0])
            ends.append((byte, row))
        return Pieces(self, tuple(ends), self.ends_in_a_line) if len(ends) > 1 else None

    def _wide(self) -> tuple[str, int]:
        """How a text of two bytes a letter is written, and the bytes of its mark; nothing of others."""
        codec = self._dialect.encoding
        if not codec.startswith("utf-16"):
            return "", 0
        mark = self._source.head(2)
        marks = {codecs.BOM_UTF16_LE: "utf-16-le", codecs.BOM_UTF16_BE: "utf-16-be"}
        return (marks[mark], len(mark)) if mark in marks else (codec, 0)

    def rows_of(self, blocks: Sequence[tuple[int, int]], wanted: Sequence[int]) -> tuple[FloatArray, list[str]]:
        """Columns (columns, rows) of blocks that follow each other, each by its first byte and the one after its last,
        and what was met."""
        one = copy.copy(self)  # counts by itself: the next block is read while this one is worked on
        one._left_out = one._short = 0
        words, found = Counter[str](), list[FloatArray]()
        codec, mark = self._wide()
        with self._source.open() as stream:
            _enter(stream, blocks[0][0], seeks=self._source.path is not None)
            for start, stop in blocks:
                text = stream.read(stop - start)
                if codec:
                    text = text[0 if start else mark :].decode(codec, errors="replace").encode()
                found.append(one._values(text, wanted, words, first=start == 0))
        return np.concatenate(found, axis=1), [*self._source.damage, *one._line_notes(), *_word_notes(words)]

    def _plain_numbers(self, block: bytes, wanted: Sequence[int], *, first: bool) -> FloatArray | None:
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

    def _numbers(self, texts: Sequence[pa.Array], wanted: Sequence[int], words: Counter[str]) -> FloatArray:
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
            lines = file.read().rstrip(_END_OF_TEXT).decode("latin-1").splitlines(keepends=True)[1:]
        if len(lines) < 10 or lines[-1].endswith(("\n", "\r")):
            return False
        last_cells = [cells(line.strip(), separator)[-1] for line in lines[-20:]]
        return len(last_cells[-1]) < min(map(len, last_cells[:-1]))


def _arrow_codec(encoding: str) -> str:
    # Latin-1 has a character for every byte; digits are the same in all of them
    return "latin-1" if encoding in ("cp1252", "cp932") else "utf8"  # UTF-16 is read as UTF-8, see `_blocks`


def _word_notes(words: Counter[str]) -> list[str]:
    return [
        f"Column '{name}' holds words where numbers are expected in {counted(count, 'row')}; they became gaps."
        for name, count in words.items()
        if count
    ]


def _enter(stream: BinaryIO, byte: int, *, seeks: bool) -> None:
    """Go to a byte of a stream; a packed one has to be read up to it."""
    if seeks:
        stream.seek(byte)
    while not seeks and byte > 0:
        byte -= len(stream.read(min(byte, BLOCK_BYTES)))


@dataclass(frozen=True)
class Pieces:
    """Rows of a large text by the blocks they lie in.

    Attributes
    ----------
    ends : of each block, the byte after its last one, and the rows up to there.
    cut : the last row is cut off.
    """

    loader: Loader
    ends: tuple[tuple[int, int], ...]
    cut: bool

    @property
    def rows(self) -> int:
        """How many rows the text has."""
        return self.ends[-1][1] - self.cut

    def load(self, rows: slice, wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
        """As `RawLog.load`, of a stretch of rows."""
        if not wanted:
            return [], []
        starts = [(0, 0), *self.ends[:-1]]
        own = [
            k for k, (a, b) in enumerate(zip(starts, self.ends, strict=True)) if a[1] < rows.stop and b[1] > rows.start
        ]
        found, notes = self.loader.rows_of([(starts[k][0], self.ends[k][0]) for k in own], wanted)
        first = starts[own[0]][1]
        notes += [_ENDS_IN_A_LINE] if self.cut and rows.stop >= self.rows else []
        return list(found[:, rows.start - first : rows.stop - first]), notes
