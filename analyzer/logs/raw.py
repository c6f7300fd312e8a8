"""What every reader hands over: named columns, not yet anyone's channels."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np


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
    notes : one sentence for each thing already seen when opening.
    """

    form: str
    columns: tuple[RawColumn, ...]
    load: Callable[[Sequence[int]], tuple[list[np.ndarray], list[str]]]
    preamble: str = ""
    notes: tuple[str, ...] = ()


def numbered(columns: Sequence[RawColumn]) -> tuple[RawColumn, ...]:
    """The columns with repeated names told apart as `name`, `name #2`, `name #3`."""
    seen: dict[str, int] = {}
    result = []
    for column in columns:
        seen[column.name] = count = seen.get(column.name, 0) + 1
        name = column.name if count == 1 else f"{column.name} #{count}"
        result.append(RawColumn(name, column.unit, column.is_clock))
    return tuple(result)
