"""What laps, corners and phases are."""

from dataclasses import dataclass, replace

import numpy as np

PHASES = ("braking", "turn_in", "mid_corner", "power_application", "exit")


@dataclass(frozen=True)
class Phase:
    """One phase of one pass through a corner: samples `start` (included) to `stop` (excluded)."""

    name: str
    start: int
    stop: int

    def moved(self, by: int) -> "Phase":
        """The same phase in samples counted from elsewhere."""
        return Phase(self.name, self.start + by, self.stop + by)


@dataclass(frozen=True)
class Corner:
    """One pass through a corner.

    Attributes
    ----------
    lap : lap number, from 1 (0: before the first or after the last whole lap).
    number : the corner's number, the same in every lap, from 1 in the order of the track.
    direction : `left` or `right`.
    start, stop : sample range of the whole pass, braking to exit.
    apex : sample of the largest lateral acceleration.
    phases : in time order; a phase that did not happen is absent.
    """

    lap: int
    number: int
    direction: str
    start: int
    stop: int
    apex: int
    phases: tuple[Phase, ...]

    def moved(self, by: int) -> "Corner":
        """The same pass in samples counted from elsewhere."""
        phases = tuple(phase.moved(by) for phase in self.phases)
        return replace(self, start=self.start + by, stop=self.stop + by, apex=self.apex + by, phases=phases)


@dataclass(frozen=True)
class Laps:
    """Laps of a session.

    Attributes
    ----------
    number : (n,) int lap number of each sample, 0 outside whole laps.
    bounds : (start, stop) samples of laps 1, 2, ...
    method : `lap_channel`, `position`, `recurrence` or `none`.
    length_m : median lap length (m), or None without laps.
    """

    number: np.ndarray
    bounds: tuple[tuple[int, int], ...]
    method: str
    length_m: float | None
