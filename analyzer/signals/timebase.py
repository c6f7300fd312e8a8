"""One uniform time base for all channels, gaps marked and never bridged silently; and the filters run on it.

Butterworth filters run both ways, so that nothing is delayed: what a whole log is smoothed with.

The design is the textbook's: poles of the analogue prototype evenly on the left half of the unit circle, moved to
the band, and taken to the sample rate by the bilinear transform with its frequencies warped beforehand (Oppenheim &
Schafer, Discrete-Time Signal Processing, section 7.2, from memory). A filter is a chain of second-order sections

    y_n = b0 x_n + b1 x_(n-1) + b2 x_(n-2) - a1 y_(n-1) - a2 y_(n-2),

each a triangular system with two diagonals beside the main one, which BLAS solves forwards. `scipy.signal` does the
same in the same time, but takes longer to import than a whole log takes to analyse. It is what the tests compare
with.
"""

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.linalg.blas import dtbsv

from analyzer import windows
from analyzer.arrays import BoolArray, ComplexArray, FloatArray
from analyzer.channels import CHANNELS
from analyzer.errors import CannotTell
from analyzer.in_words import counted, listed
from analyzer.logs.recording import Annotation, Recording

Section = tuple[float, float, float, float, float]  # b0, b1, b2, a1, a2
HIGHEST_RATE_HZ = 100.0  # vehicle dynamics end well below; faster logs are averaged down first
LOWEST_RATE_HZ = 8.0  # below this a corner phase has too few samples for any estimate
GAP_S = 0.35  # a channel silent for longer than this is a gap
EVEN_SHARE = 1e-4  # of a sample period: a clock that keeps to the grid this closely is the grid


@lru_cache(maxsize=64)
def low_pass_sections(order: int, cutoff_hz: float, rate_hz: float) -> tuple[Section, ...]:
    """Sections of a low-pass of even order, 3 dB down at the cutoff.

    Parameters
    ----------
    order : even; the sections are half as many.
    cutoff_hz : under half of `rate_hz`.
    """
    edge = _warped(cutoff_hz, rate_hz)
    return _sections(edge * _prototype(order), zeros_at_nyquist=2, zeros_at_0=0)


@lru_cache(maxsize=64)
def band_pass_sections(order: int, low_hz: float, high_hz: float, rate_hz: float) -> tuple[Section, ...]:
    """Sections of a band-pass whose slopes have that even order each, 3 dB down at both edges.

    Parameters
    ----------
    order : even; the sections are as many.
    low_hz, high_hz : above 0, under half of `rate_hz`.
    """
    low, high = _warped(low_hz, rate_hz), _warped(high_hz, rate_hz)
    half = (high - low) / 2 * _prototype(order)
    apart = np.sqrt(half**2 - low * high)
    poles = np.concatenate([half + apart, half - apart])
    made = _sections(poles, zeros_at_nyquist=1, zeros_at_0=1)
    middle = 2 * np.arctan(np.sqrt(low * high))  # where the gain is 1, in radians a sample
    gain = float(abs(np.prod([_response(section, middle) for section in made])) ** (-1 / len(made)))
    return tuple((gain * b0, gain * b1, gain * b2, a1, a2) for b0, b1, b2, a1, a2 in made)


def both_ways(sections: tuple[Section, ...], values: FloatArray) -> FloatArray:
    """Values filtered forwards and backwards, so that nothing is delayed and slopes are twice as steep.

    The ends go on as their own mirror images, turned about the last value, and the filter begins as if the first of
    these had been there for ever.

    Parameters
    ----------
    sections : of the filter.
    values : (n,), n of 2 or more, all finite.

    Returns
    -------
    ndarray : (n,).
    """
    lead = min(3 * (2 * len(sections) + 1), len(values) - 1)
    first, last = 2 * values[0] - values[lead:0:-1], 2 * values[-1] - values[-2 : -lead - 2 : -1]
    line = np.concatenate([first, values, last])
    for _ in range(2):
        line = _run(sections, line)[::-1]
    return line[lead : len(line) - lead]


def _run(sections: tuple[Section, ...], values: FloatArray) -> FloatArray:
    for b0, b1, b2, a1, a2 in sections:
        began = values[0]
        level = (b0 + b1 + b2) / (1 + a1 + a2)
        driven = b0 * values
        driven[1:] += b1 * values[:-1]
        driven[2:] += b2 * values[:-2]
        driven[0] += (level - b0) * began
        driven[1] += (b2 - a2 * level) * began
        banded = np.empty((3, len(values)), order="F")
        banded[0], banded[1], banded[2] = 1.0, a1, a2
        values = dtbsv(2, banded, driven, lower=1, diag=1, overwrite_x=1)
    return values


def _warped(frequency_hz: float, rate_hz: float) -> float:
    return float(np.tan(np.pi * frequency_hz / rate_hz))


def _prototype(order: int) -> ComplexArray:
    """(order / 2,) poles above the real axis; those below mirror them."""
    poles: ComplexArray = np.exp(0.5j * np.pi * (1 + (2 * np.arange(order // 2) + 1) / order))
    return poles


def _sections(poles: ComplexArray, *, zeros_at_nyquist: int, zeros_at_0: int) -> tuple[Section, ...]:
    """One section a pole (with its mirror image) of the analogue plane, gain 1 at frequency 0 where that passes."""
    made = []
    for pole in (1 + poles) / (1 - poles):
        a1, a2 = -2 * float(pole.real), float(abs(pole) ** 2)
        b = np.poly([-1.0] * zeros_at_nyquist + [1.0] * zeros_at_0)
        gain = 1.0 if zeros_at_0 else (1 + a1 + a2) / b.sum()
        b0, b1, b2 = (float(x) for x in gain * b)
        made.append((b0, b1, b2, a1, a2))
    return tuple(made)


def _response(section: Section, radians: float) -> complex:
    b0, b1, b2, a1, a2 = section
    back = np.exp(-1j * radians)
    return complex((b0 + b1 * back + b2 * back**2) / (1 + a1 * back + a2 * back**2))


def transform_length(least: int) -> int:
    """A length of at least that many samples (from 1) whose Fourier transform is fast: small factors, at most an
    eighth longer.

    Examples
    --------
    >>> transform_length(1000), transform_length(1025)
    (1024, 1152)
    """
    return min(odd << (-(-least // odd) - 1).bit_length() for odd in (1, 3, 5, 9, 15, 27, 45))


@dataclass(frozen=True)
class Uniform:
    """Channels on a uniform time base.

    Attributes
    ----------
    time_s : (n,) uniform.
    rate_hz : sample rate.
    channels : name -> (n,) values, interpolated inside gaps for filters only.
    valid : (n,) bool, False in gaps of a needed channel and in stretches that an annotation excludes.
    gaps : annotations of what was found here.
    """

    time_s: FloatArray
    rate_hz: float
    channels: dict[str, FloatArray]
    valid: BoolArray
    gaps: tuple[Annotation, ...]


def to_uniform(recording: Recording, *, needed: frozenset[str]) -> Uniform:
    """Resample to the log's own median rate, at most `HIGHEST_RATE_HZ`.

    Parameters
    ----------
    needed : channels whose gaps make samples invalid.

    Raises
    ------
    CannotTell : fewer than 10 s, or slower than `LOWEST_RATE_HZ`.
    """
    time = recording.time_s
    if len(time) < 20 or time[-1] - time[0] < 10.0:
        raise CannotTell(
            f"{recording.name}: holds {counted(len(time), 'sample')}; at least 10 s of driving are needed. Give a "
            "longer log."
        )
    own_rate = 1.0 / float(np.median(np.diff(time)))
    if own_rate < LOWEST_RATE_HZ:
        raise CannotTell(
            f"{recording.name}: is logged at {own_rate:.3g} Hz; at least {LOWEST_RATE_HZ:g} Hz are needed to see a "
            "corner phase. Log the wheel speeds faster."
        )
    rate = min(own_rate, HIGHEST_RATE_HZ)
    grid = np.arange(time[0], time[-1] + 0.25 / rate, 1.0 / rate)
    even = len(grid) == len(time) and np.abs(grid - time).max() < EVEN_SHARE / rate
    if even:
        grid = time
    valid = np.ones(len(grid), bool)
    whole = _silent(time, time[0], time[-1])
    gaps: list[Annotation] = []
    channels: dict[str, FloatArray] = {}
    for name, values in recording.channels.items():
        if name == "time":
            continue
        known = np.isfinite(values)
        if known.sum() < 2:
            continue
        complete = bool(known.all())
        source_time, source = (time, values) if complete else (time[known], values[known])
        if name == "lap":  # a counter holds; between two laps there is nothing
            held = np.clip(np.searchsorted(source_time, grid, side="right") - 1, 0, len(source) - 1)
            channels[name] = source if even and complete else source[held]
        else:
            if own_rate > 1.5 * rate:
                source = windows.mean(source, max(1, round(own_rate / rate)))
            channels[name] = source if even and complete else np.interp(grid, source_time, source)
        if name in needed:
            for start, stop in whole if complete else _silent(source_time, time[0], time[-1]):
                valid[(grid > start) & (grid < stop)] = False
                if not _told(recording, start, stop):
                    gaps.append(_gap(name, start, stop))
    for note in recording.annotations:
        if note.excludes and note.start_s is not None:
            valid[(grid >= note.start_s) & (grid <= note.end_s)] = False
    return Uniform(grid, rate, channels, valid, tuple(_merged(gaps)))


def low_pass(values: FloatArray, *, cutoff_hz: float, rate_hz: float) -> FloatArray:
    """Zero-phase second-order Butterworth, both ways along axis 0.

    Parameters
    ----------
    values : (n, ...), evenly spaced, all finite: one NaN spoils its column.
    cutoff_hz : 3 dB down at each pass, 6 in all; from 0.45 of the rate on nothing is filtered.

    Returns
    -------
    ndarray : (n, ...), a new one.
    """
    if cutoff_hz >= 0.45 * rate_hz:
        return np.array(values, float)
    sections = low_pass_sections(2, cutoff_hz, rate_hz)
    columns = np.reshape(np.asarray(values, float), (len(values), -1)).T
    return np.array([both_ways(sections, column) for column in columns]).T.reshape(np.shape(values))


def _told(recording: Recording, start: float, stop: float) -> bool:
    """Whether a fault that leaves this stretch out is already noted, to within what counts as a gap."""
    return any(
        a.excludes and a.start_s <= start + GAP_S and a.end_s >= stop - GAP_S
        for a in recording.annotations
        if a.start_s is not None and a.end_s is not None
    )


def _silent(time: FloatArray, start: float, stop: float) -> list[tuple[float, float]]:
    edges = np.concatenate([[start], time, [stop]])
    at = np.flatnonzero(np.diff(edges) > GAP_S)
    return [(float(edges[i]), float(edges[i + 1])) for i in at]


def _gap(name: str, start: float, stop: float) -> Annotation:
    text = f"{CHANNELS[name].heading} has no value for {stop - start:.2f} s; this stretch takes no part in any result."
    return Annotation("gap", "warning", name, start, stop, text, excludes=True)


def _merged(gaps: list[Annotation]) -> list[Annotation]:
    """A clock gap silences every channel at once: one annotation instead of one per channel."""
    by_stretch: dict[tuple[Any, Any], list[Annotation]] = {}
    for gap in gaps:
        by_stretch.setdefault((gap.start_s, gap.end_s), []).append(gap)
    merged = []
    for (start, stop), same in sorted(by_stretch.items()):
        if len(same) == 1:
            merged.append(same[0])
            continue
        names = listed([CHANNELS[str(gap.channel)].label for gap in same])
        text = f"No values for {stop - start:.2f} s ({names}); this stretch takes no part in any result."
        merged.append(Annotation("gap", "warning", None, start, stop, text, excludes=True))
    return merged
