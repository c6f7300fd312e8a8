"""Reads text logs in blocks, only the columns asked for, through pyarrow; cells that are not numbers become gaps."""

import io
from collections.abc import Iterator, Sequence

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv

from analyzer.errors import InputError
from analyzer.logs.container import HEAD_BYTES, Source
from analyzer.logs.csv_dialect import EMPTY_WORDS, Dialect, cells, sniff_dialect, sniff_encoding
from analyzer.logs.raw import RawLog
from analyzer.logs.text_values import clock_seconds, floats, plain_numbers

_DEEPEST_HEAD_BYTES = 64 * HEAD_BYTES  # a preamble longer than 16 MB is not a preamble
_BLOCK_BYTES = 4 << 20
_PYTHON_ROWS = 50_000
_LONGEST_LINE = 1_000_000
MOST_ROWS = 2_000_000  # 5.5 h at 100 Hz; 30 columns of this many samples take 480 MB
_THREADED_BYTES = 300_000_000  # above this, blocks are read one after another to bound the memory
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
    return RawLog(dialect.words, dialect.columns, _Loader(source, dialect), dialect.preamble)


class _Columns:
    """Collects blocks of columns; beyond MOST_ROWS rows it averages neighbours, so that memory stays bounded."""

    def __init__(self, count: int) -> None:
        self.count = count
        self.factor = 1
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
    """Loads columns of one text log: fast when every cell is a plain number, lenient where it is not."""

    def __init__(self, source: Source, dialect: Dialect) -> None:
        self._source = source
        self._dialect = dialect

    def __call__(self, wanted: Sequence[int]) -> tuple[list[np.ndarray], list[str]]:
        if not wanted:
            return [], []
        positions = [self._dialect.positions[i] for i in wanted]
        clocks = [self._dialect.columns[i].is_clock for i in wanted]
        names = [self._dialect.columns[i].name for i in wanted]
        plain = not self._dialect.grouped and not any(clocks) and self._dialect.separator != " "
        for attempt in (self._fast, self._as_strings, self._line_by_line):
            if attempt == self._fast and not plain:
                continue
            if attempt == self._as_strings and self._dialect.separator == " ":
                continue
            notes: list[str] = []
            columns = _Columns(len(positions))
            try:
                attempt(positions, clocks, names, columns, notes)
            except (pa.ArrowInvalid, UnicodeError, _TooRagged):
                continue
            break
        values = columns.finish()
        if columns.factor > 1:
            notes.append(
                f"More rows than fit: every {columns.factor} neighbouring rows were averaged; cut the "
                "log into sessions."
            )
        if values.shape[1] and (self._source.damage or self._last_line_is_cut()):
            values = values[:, :-1]
            notes.append(
                "The file ends in the middle of a line, as a file does that was cut off or is still being written; "
                "the last row was left out."
            )
        return list(values), [*self._source.damage, *notes]

    def _fast(
        self,
        positions: Sequence[int],
        clocks: Sequence[bool],
        names: Sequence[str],
        columns: _Columns,
        notes: list[str],
    ) -> None:
        for batch in self._batches(positions, pa.float64(), notes):
            columns.add(np.array([floats(c) for c in batch.columns]))

    def _as_strings(
        self,
        positions: Sequence[int],
        clocks: Sequence[bool],
        names: Sequence[str],
        columns: _Columns,
        notes: list[str],
    ) -> None:
        words = dict.fromkeys(names, 0)
        for batch in self._batches(positions, pa.string(), notes):
            columns.add(
                np.array([self._numbers(c, k, n, words) for c, k, n in zip(batch.columns, clocks, names, strict=True)])
            )
        notes.extend(_word_notes(words))

    def _line_by_line(
        self,
        positions: Sequence[int],
        clocks: Sequence[bool],
        names: Sequence[str],
        columns: _Columns,
        notes: list[str],
    ) -> None:
        words = dict.fromkeys(names, 0)
        short = 0
        for rows in self._row_blocks():
            table: list[list[str | None]] = [[] for _ in positions]
            for row in rows:
                short += len(row) < self._dialect.width or any(c.strip() for c in row[self._dialect.width :])
                for cell_list, position in zip(table, positions, strict=True):
                    cell_list.append(row[position] if position < len(row) else None)
            arrays = [pa.array(c, pa.string()) for c in table]
            columns.add(
                np.array([self._numbers(c, k, n, words) for c, k, n in zip(arrays, clocks, names, strict=True)])
            )
        if short:
            notes.append(
                f"{short} lines have more or fewer cells than the others ({self._dialect.width}); missing "
                "cells became gaps."
            )
        notes.extend(_word_notes(words))

    def _batches(self, positions: Sequence[int], kind: pa.DataType, notes: list[str]) -> Iterator[pa.RecordBatch]:
        dialect = self._dialect
        keys = [str(i) for i in range(dialect.width)]
        wrong = [0]

        def skip(_row: pacsv.InvalidRow) -> str:
            wrong[0] += 1
            return "skip"

        order = [keys[p] for p in positions]
        small = self._source.path is not None and self._source.size <= _THREADED_BYTES
        options = (
            pacsv.ReadOptions(
                column_names=keys,
                skip_rows=dialect.data_line,
                encoding=_arrow_codec(dialect.encoding),
                block_size=_BLOCK_BYTES,
            ),
            pacsv.ParseOptions(delimiter=dialect.separator, invalid_row_handler=skip),
            pacsv.ConvertOptions(
                include_columns=order,
                column_types=dict.fromkeys(order, kind),
                null_values=_NULLS,
                strings_can_be_null=True,
                decimal_point=dialect.decimal,
            ),
        )
        rows = 0
        with self._source.open() as stream:
            if small:
                batches = [pacsv.read_csv(stream, *options).combine_chunks()]
                batches = [b for table in batches for b in table.to_batches()]
            else:
                batches = pacsv.open_csv(stream, *options)
            for batch in batches:
                rows += batch.num_rows
                if batch.num_rows:
                    yield batch
        if wrong[0] > max(3, rows // 100):
            raise _TooRagged
        if wrong[0]:
            lines = "1 line has" if wrong[0] == 1 else f"{wrong[0]} lines have"
            notes.append(f"{lines} not the {dialect.width} cells of the others (cut off, or text) and was left out.")

    def _row_blocks(self) -> Iterator[list[list[str]]]:
        dialect = self._dialect
        with (
            self._source.open() as stream,
            io.TextIOWrapper(stream, encoding=dialect.encoding, errors="replace") as text,
        ):
            for _ in range(dialect.data_line):
                text.readline(_LONGEST_LINE)
            rows = []
            while line := text.readline(_LONGEST_LINE):
                if line.strip(" \t,;|\n"):
                    rows.append(cells(line.rstrip("\n"), dialect.separator))
                if len(rows) == _PYTHON_ROWS:
                    yield rows
                    rows = []
            if rows:
                yield rows

    def _numbers(self, column: pa.Array, clock: bool, name: str, words: dict[str, int]) -> np.ndarray:
        column = pc.utf8_trim_whitespace(column)
        values = clock_seconds(column) if clock else plain_numbers(column, self._dialect.decimal)
        lost = np.isnan(values) & (floats(pc.cast(pc.is_valid(column), pa.uint8())) > 0)
        if lost.any():
            left = pc.utf8_lower(column.filter(pa.array(lost)))
            words[name] += pc.sum(pc.invert(pc.is_in(left, pa.array(EMPTY_WORDS)))).as_py() or 0
        return values

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


class _TooRagged(Exception):
    """Too many lines of unusual width for the fast reader."""


def _arrow_codec(encoding: str) -> str:
    # Latin-1 has a character for every byte; digits are the same in both
    return {"utf-8-sig": "utf8", "utf-8": "utf8", "cp1252": "latin-1"}.get(encoding, encoding)


def _word_notes(words: dict[str, int]) -> list[str]:
    found = {name: count for name, count in words.items() if count}
    return [
        f"Column '{name}' holds words where numbers are expected in {count} rows; they became gaps."
        for name, count in found.items()
    ]
