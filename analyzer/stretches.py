"""A session, one stretch at a time: what every pass over it works on."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

from analyzer.lockcurve.observations import Observations, observe
from analyzer.long_arrays import taken
from analyzer.phases.corners import Pass, find_passes
from analyzer.phases.segments import Corner
from analyzer.signals.blocks import Block
from analyzer.signals.session import Signals
from analyzer.vehicle.car import Car


@dataclass(frozen=True, eq=False)
class Stretch:
    """A block of a session, with the samples around it that are read with it.

    Attributes
    ----------
    block : where it is in the session, and which of its samples are its own.
    signals : of all that is read.
    corners : the passes in it, in samples of `signals`.
    """

    block: Block
    signals: Signals
    corners: tuple[Corner, ...]
    car: Car

    @property
    def own_corners(self) -> tuple[Corner, ...]:
        """The passes whose apex is the block's own."""
        own = self.block.own
        return tuple(c for c in self.corners if own.start <= c.apex < own.stop)

    @cached_property
    def observed(self) -> Observations:
        """Observations of all that is read."""
        return observe(self.signals, self.corners, self.car)


class Stretches:
    """The stretches of a session in order, made anew at every pass over them, so that one is in memory at a time."""

    def __init__(
        self,
        signals: Signals,
        blocks: Sequence[Block],
        corners: tuple[Corner, ...],
        car: Car,
        release: Callable[[], None],
    ) -> None:
        self._signals, self._blocks, self._corners, self._car = signals, blocks, corners, car
        self._release = release
        self._only = Stretch(blocks[0], signals, corners, car) if len(blocks) == 1 else None

    def __iter__(self) -> Iterator[Stretch]:
        if self._only is not None:
            yield self._only
            return
        for block in self._blocks:
            inside = (c for c in self._corners if c.start >= block.first and c.stop <= block.last)
            corners = tuple(c.moved(-block.first) for c in inside)
            yield Stretch(block, taken(self._signals, block.read), corners, self._car)
            self._release()


def passes_of_all(signals: Signals, blocks: Sequence[Block], release: Callable[[], None]) -> tuple[Pass, ...]:
    """The passes of a session; each is told by the block that its middle belongs to."""
    found: list[Pass] = []
    for block in blocks:
        here = find_passes(taken(signals, block.read))
        found += [p.moved(block.first) for p in here if block.own.start <= p.middle < block.own.stop]
        release()
    return tuple(found)
