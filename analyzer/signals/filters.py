"""Butterworth filters run both ways, so that nothing is delayed: what a whole log is smoothed with.

The design is the textbook's: poles of the analogue prototype evenly on the left half of the unit circle, moved to the
band, and taken to the sample rate by the bilinear transform with its frequencies warped beforehand (Oppenheim &
Schafer, Discrete-Time Signal Processing, section 7.2, from memory). A filter is a chain of second-order sections

    y_n = b0 x_n + b1 x_(n-1) + b2 x_(n-2) - a1 y_(n-1) - a2 y_(n-2),

each a triangular system with two diagonals beside the main one, which BLAS solves forwards. `scipy.signal` does the
same in the same time, but takes longer to import than a whole log takes to analyse. It is what the tests compare with.
"""

from functools import lru_cache

import numpy as np
from scipy.linalg.blas import dtbsv

Section = tuple[float, float, float, float, float]  # b0, b1, b2, a1, a2


@lru_cache(maxsize=64)
def low_pass_sections(order: int, cutoff_hz: float, rate_hz: float) -> tuple[Section, ...]:
    """Sections of a low-pass of even order, 3 dB down at the cutoff."""
    edge = _warped(cutoff_hz, rate_hz)
    return _sections(edge * _prototype(order), zeros_at_nyquist=2, zeros_at_0=0)


@lru_cache(maxsize=64)
def band_pass_sections(order: int, low_hz: float, high_hz: float, rate_hz: float) -> tuple[Section, ...]:
    """Sections of a band-pass whose slopes have that even order each, 3 dB down at both edges."""
    low, high = _warped(low_hz, rate_hz), _warped(high_hz, rate_hz)
    half = (high - low) / 2 * _prototype(order)
    apart = np.sqrt(half**2 - low * high)
    poles = np.concatenate([half + apart, half - apart])
    made = _sections(poles, zeros_at_nyquist=1, zeros_at_0=1)
    middle = 2 * np.arctan(np.sqrt(low * high))  # where the gain is 1, in radians a sample
    gain = float(abs(np.prod([_response(section, middle) for section in made])) ** (-1 / len(made)))
    return tuple((gain * b0, gain * b1, gain * b2, a1, a2) for b0, b1, b2, a1, a2 in made)


def both_ways(sections: tuple[Section, ...], values: np.ndarray) -> np.ndarray:
    """(n,) values filtered forwards and backwards. The ends go on as their own mirror images, turned about the last
    value, and the filter begins as if the first of these had been there for ever."""
    lead = min(3 * (2 * len(sections) + 1), len(values) - 1)
    first, last = 2 * values[0] - values[lead:0:-1], 2 * values[-1] - values[-2 : -lead - 2 : -1]
    line = np.concatenate([first, values, last])
    for _ in range(2):
        line = _run(sections, line)[::-1]
    return line[lead : len(line) - lead]


def _run(sections: tuple[Section, ...], values: np.ndarray) -> np.ndarray:
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


def _prototype(order: int) -> np.ndarray:
    """(order / 2,) poles above the real axis; those below mirror them."""
    return np.exp(0.5j * np.pi * (1 + (2 * np.arange(order // 2) + 1) / order))


def _sections(poles: np.ndarray, *, zeros_at_nyquist: int, zeros_at_0: int) -> tuple[Section, ...]:
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
