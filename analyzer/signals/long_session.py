"""A session of any length from the blocks of its log: each is examined and calibrated by itself, then all are put in
a row, so that memory stays bounded. What was found in the blocks is told once.

What a log settles once (columns, units, late channels) holds for all its blocks; what can change while it runs
(faults, biases, wheel scales) is found in each.
"""

import itertools
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from analyzer.arrays import FloatArray
from analyzer.errors import CannotTell
from analyzer.in_words import signed
from analyzer.logs.read_blocks import LogBlock
from analyzer.logs.recording import Annotation, Recording
from analyzer.long_arrays import LongArray, LongRecord, taken, without_arrays
from analyzer.signals.calibrate import prepare
from analyzer.signals.consistency import consistent
from analyzer.signals.delays import Delay
from analyzer.signals.examine import LookedOver, aligned, look_over
from analyzer.signals.kinematics import first_position, from_position
from analyzer.signals.session import CalibrationStep, Sensors, Signals
from analyzer.vehicle.car import Car

BLOCK_ROWS = 500_000  # about 1.4 hours at 100 Hz; a log up to half as long again is one block
LEAD_S = 30.0  # on both sides: filters have settled by then, and no corner is longer
RATES_ALIKE = 0.01  # relative; a block at another sample rate than the log's is left out


@dataclass(frozen=True)
class Block:
    """Samples `start` to `stop` belong to the block; `first` to `last` are read with it."""

    first: int
    start: int
    stop: int
    last: int

    @property
    def read(self) -> slice:
        """What is read, in the session."""
        return slice(self.first, self.last)

    @property
    def own(self) -> slice:
        """What belongs to the block, in what is read."""
        return slice(self.start - self.first, self.stop - self.first)


def cut(count: int, *, rate_hz: float, step: int = 1) -> tuple[Block, ...]:
    """Samples in blocks of about `BLOCK_ROWS`, each read with `LEAD_S` on both sides of it.

    Parameters
    ----------
    count : of samples.
    step : every `first` and `start` is a multiple of it, so that each step'th sample of a block is one of the session.
    """
    pieces = max(1, round(count / BLOCK_ROWS))
    lead = round(LEAD_S * rate_hz / step) * step
    at = [round(count * k / pieces / step) * step for k in range(pieces)] + [count]
    return tuple(Block(max(a - lead, 0), a, b, min(b + lead, count)) for a, b in itertools.pairwise(at))


def annotations_of_all(found: Sequence[tuple[LogBlock, Sequence[Annotation]]]) -> tuple[Annotation, ...]:
    """Annotations in log time: what every block says alike is said of the log, and a stretch by the block in which it
    begins.

    Parameters
    ----------
    found : blocks in order, each with its annotations in its own time.
    """
    if len(found) == 1:
        return tuple(found[0][1])
    said = [{(a.code, a.channel, a.message) for a in notes} for _, notes in found]
    everywhere = set.intersection(*said)
    told: list[Annotation] = []
    for k, (block, notes) in enumerate(found):
        start, stop = block.own_s
        for note in notes:
            if note.start_s is None or note.end_s is None:
                if (note.code, note.channel, note.message) not in everywhere:
                    told.append(_moved(note, block.starts_s, start, stop))
                elif k == 0:
                    told.append(note)
            elif start <= note.start_s < stop or (note.start_s <= 0.0 < start < note.end_s):
                # one that was there before the block began is told by both: each knows how long it saw it
                told.append(_moved(note, block.starts_s, note.start_s, note.end_s))
    return tuple(told)


def _moved(note: Annotation, by_s: float, start_s: float, end_s: float) -> Annotation:
    return replace(note, start_s=float(start_s + by_s), end_s=float(end_s + by_s))


def calibration_of_all(found: Sequence[tuple[CalibrationStep, ...]]) -> tuple[CalibrationStep, ...]:
    """One step of each kind: the middle one of the blocks, which says from where to where they go.

    Parameters
    ----------
    found : of each block, in any order.
    """
    if len(found) == 1:
        return found[0]
    told = []
    for code in dict.fromkeys(step.code for steps in found for step in steps):
        same = sorted((s for steps in found for s in steps if s.code == code), key=lambda s: s.value)
        middle, low, high = same[len(same) // 2], same[0], same[-1]
        sure = [s.standard_deviation for s in same if s.standard_deviation is not None]
        told.append(
            replace(
                middle,
                standard_deviation=float(np.median(sure)) if sure else None,
                message=f"{middle.message.rstrip('.')}, block by block ({signed(low.value, 2)} to "
                f"{signed(high.value, 2)} {middle.unit} in {len(same)} blocks).",
            )
        )
    return tuple(told)


class LongSession:
    """Recording and signals of a log, block by block; of more than one, memory-mapped from temporary files."""

    def __init__(self, car: Car) -> None:
        self._car = car
        self._blocks: list[Signals] = []  # without their arrays
        self._recording: Recording | None = None  # the first one, without its arrays
        self._signals: LongRecord[Signals] = LongRecord()
        self._times, self._channels = LongArray(), dict[str, LongArray]()
        self._rows = 0  # of `_times` and of every channel
        self._notes: list[tuple[LogBlock, Sequence[Annotation]]] = []
        self._delays: Mapping[str, Delay] | None = None
        self._origin_rad: tuple[float, float] | None = None
        self._has_lap = False
        self._end = (0.0, 0j, 0.0)  # distance (m), place (m, x + iy) and heading (rad) where the last block ends

    def calibrated(self, block: LogBlock, found: Callable[[], LookedOver]) -> tuple[Recording, Signals]:
        """Align and calibrate a block.

        Parameters
        ----------
        found : gives the block; nobody else keeps it, so that its memory is free again when it was aligned.

        Raises
        ------
        CannotTell : it supports no answer.
        """
        recording, delays = aligned(found(), self._delays)
        recording = consistent(recording, self._car)
        signals = prepare(recording, car=self._car)
        if self._blocks and abs(signals.rate_hz / self._blocks[0].rate_hz - 1) > RATES_ALIKE:
            raise CannotTell(f"it has {signals.rate_hz:.3g} Hz, the log before it {self._blocks[0].rate_hz:.3g} Hz.")
        self._delays = delays
        self._notes.append((block, signals.annotations))
        self._blocks.append(without_arrays(signals))
        return recording, signals

    def append(self, block: LogBlock, recording: Recording, signals: Signals) -> None:
        """Append a block.

        Parameters
        ----------
        block : in the order of the log.
        recording, signals : as `calibrated` gave them, with what is read on both sides of the block.
        """
        self._append(signals, recording, block)
        own = slice(*np.searchsorted(recording.time_s, block.own_s))
        self._times.append(recording.time_s[own] + block.starts_s)
        if self._recording is None:
            self._recording = replace(recording, channels={}, time_s=np.empty(0))
        else:
            self._recording = replace(self._recording, sources={**recording.sources, **self._recording.sources})
        for name in [name for name in recording.channels if name not in self._channels]:
            self._channels[name] = LongArray()
            if self._rows:  # a channel that begins late
                self._channels[name].append(np.full(self._rows, np.nan))
        self._rows += own.stop - own.start
        for name, values in self._channels.items():
            there = recording.channels.get(name)
            values.append(np.full(own.stop - own.start, np.nan) if there is None else there[own])

    def leave_out(self, block: LogBlock, reason: CannotTell) -> None:
        """Note that a block takes no part."""
        words = f"This section of the log gives no answer and was left out: {reason}"
        self._notes.append((block, [Annotation("left_out", "warning", None, *block.own_s, words, True)]))

    def recording(self) -> Recording:
        """The log as read and examined."""
        assert self._recording is not None
        channels = {name: values.whole() for name, values in self._channels.items()}
        return replace(self._recording, time_s=self._times.whole(), channels=channels)

    def signals(self) -> Signals:
        """The session."""
        return self._signals.whole(
            annotations=annotations_of_all(self._notes),
            calibration=calibration_of_all([s.calibration for s in self._blocks]),
            wheel_speed_noise_m_s=float(np.median([s.wheel_speed_noise_m_s for s in self._blocks])),
            sensors=Sensors.common(s.sensors for s in self._blocks),
            **({} if self._has_lap else {"lap_channel": None}),
        )

    def release(self) -> None:
        """Give back the memory of what was looked at."""
        self._signals.release()

    def _append(self, signals: Signals, recording: Recording, block: LogBlock) -> None:
        """Append what belongs to the block, its time, distance and path going on from the block before."""
        start, stop = np.searchsorted(signals.time_s, block.own_s)
        if not block.starts_s:
            placed = signals
            if signals.position_source == "position":
                self._origin_rad = first_position(recording.channels["latitude"], recording.channels["longitude"])
        else:
            placed = self._placed(signals, recording, int(start), block.starts_s)
        # a counter that is silent in a block, or begins in a later one, is a counter of the log
        if placed.lap_channel is None:
            placed = replace(placed, lap_channel=np.full(len(placed.time_s), np.nan))
        else:
            self._has_lap = True
        heading = self._end[2] + float(np.sum(signals.yaw_rate_rad_s[start:stop])) / signals.rate_hz
        self._signals.append(taken(placed, slice(start, stop)))
        self._end = (float(placed.distance_m[stop - 1]), placed.x_m[stop - 1] + 1j * placed.y_m[stop - 1], heading)

    def _placed(self, signals: Signals, recording: Recording, start: int, starts_s: float) -> Signals:
        """The block in the log's time, distance and path; sample `start` follows the end of the block before."""
        distance, place, heading = self._end
        before = max(start - 1, 0)
        turn = heading - float(np.sum(signals.yaw_rate_rad_s[: before + 1])) / signals.rate_hz
        path = signals.x_m + 1j * signals.y_m
        path = place + (path - path[before]) * np.exp(1j * turn)
        if signals.position_source == "position":
            at = [np.interp(signals.time_s, *_known(recording, name)) for name in ("latitude", "longitude")]
            self._origin_rad = self._origin_rad or (float(at[0][0]), float(at[1][0]))
            x, y = from_position(at[0], at[1], self._origin_rad)
            path = x + 1j * y
        return replace(
            signals,
            time_s=signals.time_s + starts_s,
            distance_m=signals.distance_m - signals.distance_m[before] + distance,
            x_m=path.real.copy(),
            y_m=path.imag.copy(),
        )


def read_session(
    blocks: Sequence[LogBlock], *, car: Car, progress: Callable[[float], None] = lambda share: None
) -> LongSession:
    """The session of a log; while a block is worked on, the one before is written and the next one read and
    looked over.

    Parameters
    ----------
    progress : called with the share of the blocks that is done, 0 to 1.

    Raises
    ------
    CannotTell : no block supports an answer; the reason of the first one.
    """
    session = LongSession(car)
    reasons: list[CannotTell] = []
    appended: Future[None] | None = None
    with ThreadPoolExecutor(max_workers=1) as reader, ThreadPoolExecutor(max_workers=1) as writer:
        ahead: list[Future[LookedOver]] = []

        def found(k: int) -> LookedOver:
            here = ahead.pop().result() if ahead else look_over(blocks[k].read())
            # one at a time reads the file
            ahead.extend(reader.submit(lambda b: look_over(b.read()), later) for later in blocks[k + 1 : k + 2])
            return here

        for k, block in enumerate(blocks):
            try:
                calibrated = session.calibrated(block, partial(found, k))
            except CannotTell as reason:
                # its traceback would hold the block's arrays for as long as the log is read
                reasons.append(reason.with_traceback(None))
                session.leave_out(block, reason)
            else:
                if appended is not None:
                    appended.result()
                appended = writer.submit(session.append, block, *calibrated)
                del calibrated
            progress((k + 1) / len(blocks))
    if appended is not None:
        appended.result()
    if len(reasons) == len(blocks):
        raise reasons[0]
    return session


def _known(recording: Recording, name: str) -> tuple[FloatArray, FloatArray]:
    values = recording.channels[name]
    known = np.isfinite(values)
    return recording.time_s[known], values[known]
