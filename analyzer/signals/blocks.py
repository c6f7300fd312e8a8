"""Blocks of a long session: stretches of samples that are worked on one at a time, so that memory stays bounded."""

import itertools
from dataclasses import dataclass

BLOCK_ROWS = 500_000  # about 1.4 hours at 100 Hz; a log up to half as long again is one block
LEAD_S = 30.0  # on both sides: filters have settled by then, and no corner is longer


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
    """`count` samples in blocks of about `BLOCK_ROWS`; every `first` and `start` is a multiple of `step`."""
    pieces = max(1, round(count / BLOCK_ROWS))
    lead = round(LEAD_S * rate_hz / step) * step
    at = [round(count * k / pieces / step) * step for k in range(pieces)] + [count]
    return tuple(Block(max(a - lead, 0), a, b, min(b + lead, count)) for a, b in itertools.pairwise(at))
