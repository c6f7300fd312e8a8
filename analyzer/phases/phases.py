"""What laps, corners and phases are, and the phases of one pass through a corner."""

from dataclasses import dataclass, replace

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.signals.session import Signals

PHASES = ("braking", "turn_in", "mid_corner", "power_application", "exit")
LATERAL_BLUR_S = 0.15  # cornering changes over half a second or more; engine and kerb shake is faster
_PEDAL_BLUR_S = 0.06
_TRAIL_BRAKING_SHARE = 0.40  # of the apex's lateral acceleration: brakes on above it are trail brakes
_NEAR_PEAK_SHARE = 0.85
_STILL_LARGE_SHARE = 0.60
_PICK_UP = 0.20  # of the pedal travel that is left: the throttle is being applied
_PICK_UP_HELD_S = 0.25  # longer than a blip for a down-change
_SHORTEST_PHASE_S = 0.06


@dataclass(frozen=True)
class Phase:
    """One phase of one pass through a corner: samples `start` (included) to `stop` (excluded)."""

    name: str
    start: int
    stop: int

    def moved(self, by: int) -> "Phase":
        """The same phase, its samples counted from `by` samples earlier."""
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
        """The same pass with its phases, its samples counted from `by` samples earlier."""
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

    number: IntArray
    bounds: tuple[tuple[int, int], ...]
    method: str
    length_m: float | None


def blurred(values: FloatArray, rate_hz: float, deviation_s: float) -> FloatArray:
    """`values` behind a Gaussian low-pass without delay; ends go on level, so that nothing is drawn towards zero there.

    Parameters
    ----------
    values : (n,), evenly spaced.
    deviation_s : standard deviation of the Gaussian.
    """
    return windows.gaussian(values, deviation_s * rate_hz)


def mostly(mask: BoolArray, rate_hz: float, deviation_s: float) -> BoolArray:
    """Where a mask, blurred as by `blurred`, is above one half. Only near its changes is there anything to blur.

    Parameters
    ----------
    mask : (n,) bool, evenly spaced.
    deviation_s : standard deviation of the Gaussian.

    Returns
    -------
    ndarray : (n,) bool.

    Examples
    --------
    A blip of one sample goes, what lasts stays:

    >>> mask = np.array([0, 0, 1, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1], bool)
    >>> mostly(mask, 100.0, 0.01).astype(int).tolist()
    [0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 1]
    """
    sigma = deviation_s * rate_hz
    reach = int(4 * sigma + 0.5)  # as far as `blurred` looks
    weights = np.exp(-0.5 * (np.arange(-reach, reach + 1) / sigma) ** 2)
    risen = np.cumsum(weights / weights.sum())[:-1]  # of a step, from `reach` samples before it on
    mask = np.asarray(mask, bool)
    changes = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    at = changes[:, None] + np.arange(-reach, reach)
    ahead = np.where(mask[changes][:, None], 1.0, -1.0) * (risen - (np.arange(-reach, reach) >= 0))
    inside = (at >= 0) & (at < len(mask))
    moved = np.bincount(at[inside], weights=ahead[inside], minlength=len(mask)) if len(changes) else 0.0
    return mask + moved > 0.5


@dataclass(frozen=True)
class Traces:
    """What phases are told by, filtered over the whole session at once. Arrays (n,)."""

    lateral_m_s2: FloatArray
    throttle: FloatArray
    brakes: BoolArray  # bool


def traces(signals: Signals) -> Traces:
    """Filtered lateral acceleration, throttle and brakes of a session."""
    rate = signals.rate_hz
    return Traces(
        lateral_m_s2=blurred(signals.lat_m_s2, rate, LATERAL_BLUR_S),
        throttle=blurred(signals.throttle, rate, _PEDAL_BLUR_S),
        brakes=mostly(signals.braking, rate, _PEDAL_BLUR_S),
    )


def split_phases(traces: Traces, rate_hz: float, start: int, stop: int, apex: int) -> tuple[Phase, ...]:
    """Phases of the pass `start` to `stop` (samples, stop excluded), contiguous and in order.

    Parameters
    ----------
    traces : of the session.
    rate_hz : its sample rate.
    start, stop : sample range of the pass.
    apex : sample of the largest lateral acceleration, inside the pass.

    Returns
    -------
    The phases that happened. Their bounds:
        braking ends with the last braking before lateral acceleration reaches 40 % of the apex's;
        turn_in ends at 85 % of it once the trail brakes are off, at the apex at the latest;
        mid_corner ends when the throttle passes for good a fifth of the travel left above its closed or steady value;
        power_application ends when lateral acceleration falls below 60 % of the apex's for the last time;
        exit is what is left with the throttle on. Without throttle, mid_corner runs to the end.

    Notes
    -----
    The shares are common practice, no source.
    """
    lateral = traces.lateral_m_s2[start:stop] * np.sign(traces.lateral_m_s2[apex])
    throttle, brakes = traces.throttle[start:stop], traces.brakes[start:stop]
    peak, top, end = lateral[apex - start], apex - start, stop - start

    entry = _first(lateral >= _TRAIL_BRAKING_SHARE * peak, 0, top)
    brake_end = _after_last(brakes, 0, entry)
    # Trail brakes are those that go on from the entry without a break of more than a moment.
    trail_end = _after_last(brakes, entry, top) if brakes[entry:top].any() else brake_end
    middle = max(trail_end, _first(lateral >= _NEAR_PEAK_SHARE * peak, brake_end, top))
    falling = max(top, _after_last(lateral >= _STILL_LARGE_SHARE * peak, top, end))
    power = _pick_up(throttle, trail_end, round(_PICK_UP_HELD_S * rate_hz))

    if power is None:
        # A steady open throttle is on at the exit although it was never picked up.
        on = falling < end and throttle[falling:end].min() > _PICK_UP
        bounds = [0, brake_end, middle, falling if on else end, falling if on else end, end]
    elif power >= falling:
        bounds = [0, brake_end, middle, power, power, end]
    else:
        bounds = [0, brake_end, min(middle, power), power, falling, end]
    return _named(bounds, start, max(2, round(_SHORTEST_PHASE_S * rate_hz)))


def _first(condition: BoolArray, low: int, high: int) -> int:
    """First index from `low` where `condition` holds, `high` when nowhere before it."""
    held = np.flatnonzero(condition[low:high])
    return low + int(held[0]) if len(held) else high


def _after_last(condition: BoolArray, low: int, high: int) -> int:
    """Index after the last in `low` to `high` where `condition` holds, `low` when nowhere."""
    held = np.flatnonzero(condition[low:high])
    return low + int(held[-1]) + 1 if len(held) else low


def _pick_up(throttle: FloatArray, low: int, held: int) -> int | None:
    """First sample from `low` at which the throttle rises past the pick-up level and stays there for `held` samples
    (or to the end of the pass); None when it does not rise."""
    if low >= len(throttle):
        return None
    least = throttle[low:].min()
    if least > 1.0 - _PICK_UP:
        return None
    above = (throttle > least + _PICK_UP * (1.0 - least))[low:]
    edges = np.flatnonzero(np.diff(above.astype(int))) + 1
    lasting = np.diff(np.append(edges, len(above) + held))
    rises = edges[above[edges] & (lasting >= held)]
    return low + int(rises[0]) if len(rises) else None


def _named(bounds: list[int], start: int, shortest: int) -> tuple[Phase, ...]:
    """Phases between `bounds`; one too short to mean anything joins the next (the last joins the one before)."""
    kept: list[tuple[str, int, int]] = []
    begin = bounds[0]
    for name, stop in zip(PHASES, bounds[1:], strict=True):
        if stop - begin >= shortest:
            kept.append((name, begin, stop))
            begin = stop
    if not kept:
        return (Phase(name="mid_corner", start=start, stop=start + bounds[-1]),)
    kept[-1] = (*kept[-1][:2], bounds[-1])
    return tuple(Phase(name=name, start=start + a, stop=start + b) for name, a, b in kept)
