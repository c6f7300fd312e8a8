"""A log as read: first the columns that every reader hands over, not yet anyone's channels; then channels under
canonical names in SI, at the times of the file, with what is known to be wrong.
"""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from analyzer.arrays import FloatArray

_WORDS = r"(?:sampl\w*|logging|log|record\w*|data|abtast\w*)[ _-]*(?:rate|freq\w*)|abtastrate|frequence"
_RATE = re.compile(rf"(?:{_WORDS})[^\w\n]*(?:\[?hz\]?[^\w\n]*)?(?P<rate>\d+(?:[.,]\d+)?)", re.IGNORECASE)
_RATE_BEFORE_UNIT = re.compile(r"\b(?:rate|frequency)\b[^\w\n]*(?P<rate>\d+(?:[.,]\d+)?)\W*hz", re.IGNORECASE)


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
    counted : gives the log with both, of a form whose rows are told by reading all of it.
    notes : one sentence for each thing already seen when opening.
    """

    form: str
    columns: tuple[RawColumn, ...]
    load: Callable[[Sequence[int]], tuple[list[FloatArray], list[str]]]
    preamble: str = ""
    notes: tuple[str, ...] = ()
    rows: int | None = None
    part: Callable[[slice], "RawLog"] | None = None
    counted: Callable[[], "RawLog"] | None = None

    def stretch(self, rows: slice) -> "RawLog":
        """A stretch of its rows as a log of its own.

        Raises
        ------
        ValueError : the form cannot be read in pieces (`part` is None).
        """
        if self.part is None:
            raise ValueError(f"{self.form} cannot be read in pieces.")
        return self.part(rows)

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

    def __init__(self, load: Callable[[Sequence[int]], tuple[list[FloatArray], list[str]]]) -> None:
        self._load = load
        self._columns: dict[int, FloatArray] = {}
        self._notes: dict[str, None] = {}

    def __call__(self, wanted: Sequence[int]) -> tuple[list[FloatArray], list[str]]:
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


@dataclass(frozen=True)
class Annotation:
    """Something a reader of the result must know about a stretch of the log. Annotations never edit the log.

    Attributes
    ----------
    code : short stable name, such as `gap` or `stuck`.
    severity : `info`, `warning` or `error`.
    channel : canonical channel name, or None when it concerns all.
    start_s, end_s : stretch in log time (s), or None when it concerns the whole log.
    message : one sentence for a person, with the size of what was found and what it does to the answer.
    excludes : True when the stretch leaves the estimates.
    """

    code: str
    severity: str
    channel: str | None
    start_s: float | None
    end_s: float | None
    message: str
    excludes: bool = False


@dataclass(frozen=True)
class ChannelSource:
    """Where a channel came from: column in the file, its unit there, why it was taken for this channel, and how
    often the file gives a value (Hz; None when not known)."""

    column: str
    unit: str
    reason: str
    rate_hz: float | None = None


@dataclass(frozen=True)
class Recording:
    """One log in SI, before any resampling or calibration.

    Attributes
    ----------
    name : file name for messages (no folder).
    time_s : (n,) float64, strictly increasing, starts at 0.
    channels : canonical name -> (n,) float64 in the inside unit, NaN where the file has no value.
    wheel_speed_unit : `m/s` (surface speed as the logger reports it) or `rad/s` (rotation).
    steer_at : `steering_wheel` or `road_wheel`: where the steer angle is measured.
    sources : canonical name -> where it came from.
    annotations : what reading found.
    history : one sentence per step taken, in order.
    unchecked : scales that no other channel of the log checks: `time`, `wheel_scale`, `lat_g`.
    """

    name: str
    time_s: FloatArray
    channels: Mapping[str, FloatArray]
    wheel_speed_unit: str = "m/s"
    steer_at: str = "steering_wheel"
    sources: Mapping[str, ChannelSource] = field(default_factory=dict)
    annotations: tuple[Annotation, ...] = ()
    history: tuple[str, ...] = ()
    unchecked: tuple[str, ...] = ()
