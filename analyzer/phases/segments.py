"""What laps, corners and phases are."""

from dataclasses import dataclass

import numpy as np

PHASES = ("braking", "turn_in", "mid_corner", "power_application", "exit")


@dataclass(frozen=True)
class Phase:
    """One phase of one pass through a corner: samples `start` (included) to `stop` (excluded)."""

    name: str
    start: int
    stop: int


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
