"""A session, one stretch at a time: what every pass over it works on."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from analyzer.lockcurve.observations import Observations, observe
from analyzer.long_arrays import LongRecord, taken
from analyzer.phases.corners import Pass, find_passes
from analyzer.phases.phases import Corner
from analyzer.signals.long_session import Block
from analyzer.signals.session import Signals
from analyzer.vehicle.axle_inputs import AxleInputs
from analyzer.vehicle.car import Car


@dataclass(frozen=True)
class Stretch:
    """A block of a session, with the samples around it that are read with it.

    Attributes
    ----------
    block : where it is in the session, and which of its samples are its own.
    signals, observed : of all that is read.
    corners : the passes in it, in samples of `signals`.
    """

    block: Block
    signals: Signals
    corners: tuple[Corner, ...]
    observed: Observations

    @property
    def own_corners(self) -> tuple[Corner, ...]:
        """The passes whose apex is the block's own."""
        own = self.block.own
        return tuple(c for c in self.corners if own.start <= c.apex < own.stop)


class Stretches:
    """The stretches of a session in order, made anew at every pass over them, so that one is in memory at a time."""

    def __init__(
        self,
        signals: Signals,
        blocks: Sequence[Block],
        corners: Sequence[Corner],
        car: Car,
        release: Callable[[], None],
    ) -> None:
        self._signals, self._blocks, self._release = signals, blocks, release
        self._corners = [
            tuple(c.moved(-b.first) for c in corners if c.start >= b.first and c.stop <= b.last) for b in blocks
        ]
        self._rows: LongRecord[Observations] = LongRecord()
        self._inputs: LongRecord[AxleInputs] = LongRecord()
        self._ends = [0]  # rows of the observations after each block
        for block, inside in zip(blocks, self._corners, strict=True):
            observed = observe(taken(signals, block.read), inside, car)
            self._rows.append(observed)
            self._inputs.append(observed.inputs)
            self._ends.append(self._ends[-1] + len(observed.index))
            release()

    def __iter__(self) -> Iterator[Stretch]:
        observed = self._rows.whole(inputs=self._inputs.whole())
        for block, corners, where in zip(self._blocks, self._corners, pairwise(self._ends), strict=True):
            yield Stretch(block, taken(self._signals, block.read), corners, observed.take(slice(*where)))
            for kept in (self._rows, self._inputs):
                kept.release()
            self._release()


def passes_of_all(signals: Signals, blocks: Sequence[Block], release: Callable[[], None]) -> tuple[Pass, ...]:
    """The passes of a session; each is told by the block that its middle belongs to."""
    found: list[Pass] = []
    for block in blocks:
        here = find_passes(taken(signals, block.read))
        found += [p.moved(block.first) for p in here if block.own.start <= p.middle < block.own.stop]
        release()
    return tuple(found)
