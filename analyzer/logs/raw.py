"""What every reader hands over: named columns, not yet anyone's channels."""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

_WORDS = r"(?:sampl\w*|logging|log|record\w*|data|abtast\w*)[ _-]*(?:rate|freq\w*)|abtastrate|frequence"
_RATE = re.compile(rf"(?:{_WORDS})[^\w\n]*(?:\[?hz\]?[^\w\n]*)?(?P<rate>\d+(?:[.,]\d+)?)", re.IGNORECASE)
_RATE_BEFORE_UNIT = re.compile(r"\brate\b[^\w\n]*(?P<rate>\d+(?:[.,]\d+)?)\W*hz", re.IGNORECASE)


@dataclass(frozen=True)
class RawColumn:
    """One column of a file.

    Attributes
    ----------
    name : as the file writes it, without the unit; repeated names get ` #2`, ` #3`.
    unit : as the file writes it, '' when it states none.
    is_clock : True for clock times or dates: values are then seconds, whatever the file's writing.
    """

    name: str
    unit: str = ""
    is_clock: bool = False


@dataclass(frozen=True)
class RawLog:
    """A file opened by a reader.

    Attributes
    ----------
    form : what kind of file it is, in words for a person.
    columns : every column that can hold numbers, in file order.
    load : column numbers -> (n,) float64 arrays of equal length, NaN where the file has no value, and one
        sentence for each thing that was wrong with the file. Reads only what is asked for.
    preamble : free text above the data, for a stated sample rate.
    rows, part : number of rows, and what opens a stretch of them as a log of its own; None where the form cannot be
        read in pieces.
    notes : one sentence for each thing already seen when opening.
    """

    form: str
    columns: tuple[RawColumn, ...]
    load: Callable[[Sequence[int]], tuple[list[np.ndarray], list[str]]]
    preamble: str = ""
    notes: tuple[str, ...] = ()
    rows: int | None = None
    part: Callable[[slice], "RawLog"] | None = None

    @property
    def stated_rate_hz(self) -> float | None:
        """The sample rate that the text above the data states, if it does."""
        found = _RATE.search(self.preamble) or _RATE_BEFORE_UNIT.search(self.preamble)
        rate = float(found["rate"].replace(",", ".")) if found else 0.0
        return rate if 0.5 <= rate <= 100_000 else None


def numbered(columns: Sequence[RawColumn]) -> tuple[RawColumn, ...]:
    """The columns with repeated names told apart as `name`, `name #2`, `name #3`."""
    seen: dict[str, int] = {}
    result = []
    for column in columns:
        seen[column.name] = count = seen.get(column.name, 0) + 1
        name = column.name if count == 1 else f"{column.name} #{count}"
        result.append(RawColumn(name, column.unit, column.is_clock))
    return tuple(result)


class Remembered:
    """Loads every column once, and keeps the rows of all loads the same."""

    def __init__(self, load: Callable[[Sequence[int]], tuple[list[np.ndarray], list[str]]]) -> None:
        self._load = load
        self._columns: dict[int, np.ndarray] = {}
        self._notes: dict[str, None] = {}

    def __call__(self, wanted: Sequence[int]) -> tuple[list[np.ndarray], list[str]]:
        """As `RawLog.load`."""
        missing = [i for i in dict.fromkeys(wanted) if i not in self._columns]
        if missing:
            self._add(missing)
        # broken lines were left out in one load and kept in another
        if len({len(self._columns[i]) for i in wanted}) > 1:
            everything = list(self._columns)
            self._columns.clear()
            self._add(everything)
        return [self._columns[i] for i in wanted], list(self._notes)

    def _add(self, indices: Sequence[int]) -> None:
        values, notes = self._load(indices)
        self._columns.update(zip(indices, values, strict=True))
        self._notes.update(dict.fromkeys(notes))
