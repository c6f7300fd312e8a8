"""Chatter: plates that stick and slip many times a second, seen as a trembling difference of the rear wheel speeds.

Where it can be seen follows from the driveline. The rear wheels swing against each other on their halfshafts at
f = (1/2 pi) sqrt(k/J): about 7 Hz for the softest shaft and heaviest wheel in use (3 kN.m/rad, 1.5 kg.m2; common
practice, no source), and the side gears on the shafts up to 100 Hz. Below 7 Hz steering, throttle and the turn itself
move the difference; above 0.45 of the log's rate nothing is left. A log slower than 31 Hz sees none of it.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from analyzer import windows
from analyzer.arrays import BoolArray, FloatArray, IntArray
from analyzer.findings.events import above, confidence, events, lasting, phase_at, placed
from analyzer.findings.evidence import Trembling
from analyzer.findings.finding import Finding
from analyzer.findings.rear_axle import RearAxle
from analyzer.phases.phases import Corner
from analyzer.signals.session import Signals
from analyzer.signals.timebase import band_pass_sections, both_ways, low_pass

LOWEST_HZ = 7.0  # drive trains and bodies surge below; common practice, no source
HIGHEST_SHARE = 0.45  # of the sample rate
LEAST_OCTAVES = 1.0  # of band; less cannot tell a trembling from a bump
SLOW_M_S = 22.0  # the slow corners of any circuit: the wheels differ most and the plates rub slowest
WINDOW_S = 0.25  # almost two periods at the lowest frequency
LEAST_S = 0.3  # two periods: less is one knock
LEAST_STRAIGHT_S = 5.0
LEAST_SLOW_S = 1.0
# over the logger's own tremble, in standard deviations of band noise seen through the window: 1/sqrt(4 B T) of it
# (Rice, Bell Syst. Tech. J. 1944, noise power over a time T of a band B; from memory)
TREMBLES, STILL_TREMBLES = 5.0, 3.0
FASTEST_CHANGE_RAD_S2 = 15.0  # a wheel that spins up or catches itself is no trembling
BEYOND_FRONT = 1.4  # a kerb or a bump shakes the front wheels as much as the rear ones
LEAST_RAD_S = 0.15
SPEED_BINS = 6
LEAST_SPREAD_M_S = 3.0  # of speed over the bins, for a slope to be seen


@dataclass(frozen=True)
class Chatter:
    """Trembling of the rear speed difference in slow corners over a run; None where it cannot be seen, with the reason.

    Attributes
    ----------
    band_low_Hz, band_high_Hz : where it was looked for.
    slow_corner_s : time in slow corners that was looked at (s).
    rms_rad_s : of the speed difference within the band, in slow corners (rad/s).
    background_rad_s : what the logger itself trembles there, from straights at the same speeds (rad/s).
    chatter_s, events : time and number of events in which it is more than that.
    """

    band_low_Hz: float | None
    band_high_Hz: float | None
    slow_corner_s: float | None
    rms_rad_s: float | None
    background_rad_s: float | None
    chatter_s: float | None
    events: int | None
    reason: str | None = None


@dataclass(frozen=True)
class _Tremble:
    """(n,) rear tremble (rad/s), its background, both for the front (None when not logged), and where it counts."""

    rear: FloatArray
    rear_background: FloatArray
    front_ratio: FloatArray | None
    slow: BoolArray
    high_Hz: float

    @property
    def scatter(self) -> float:
        """Relative standard deviation of the amplitude of plain band noise over the window."""
        return 1 / math.sqrt(4 * (self.high_Hz - LOWEST_HZ) * WINDOW_S)


def find_chatter(
    rear: RearAxle, corners: Sequence[Corner], own: slice = slice(None)
) -> tuple[Chatter, tuple[Finding, ...]]:
    """Numbers of a run, and stretches of slow corners in which the rear wheels tremble and the front ones do not.

    Parameters
    ----------
    own : samples that count; what begins in the others is counted where they are.
    """
    signals = rear.signals
    seen = _tremble(rear)
    if isinstance(seen, str):
        return Chatter(None, None, None, None, None, None, None, seen), ()
    here = np.zeros(len(seen.slow), bool)
    here[own] = True
    slow = seen.slow & here
    slow_s = float(slow.sum() / signals.rate_hz)
    found = [(a, b) for a, b in _events(signals, seen) if here[a]]
    enough = slow_s >= LEAST_SLOW_S

    def mean_square(x: FloatArray) -> float | None:
        return float(np.sqrt(np.mean(x[slow] ** 2))) if enough else None

    return Chatter(
        band_low_Hz=LOWEST_HZ,
        band_high_Hz=seen.high_Hz,
        slow_corner_s=slow_s,
        rms_rad_s=mean_square(seen.rear),
        background_rad_s=mean_square(seen.rear_background),
        chatter_s=float(sum(b - a for a, b in found) / signals.rate_hz) if enough else None,
        events=len(found) if enough else None,
        reason=None if enough else "the log has no slow corner off the brakes",
    ), tuple(_finding(signals, corners, seen, start, stop) for start, stop in found)


def chatter_of_all(parts: Sequence[Chatter]) -> Chatter:
    """One account of a run from those of its parts.

    Parameters
    ----------
    parts : of the stretches. Amplitudes are weighed by the time in slow corners; stretches in which
        nothing could be seen do not count, unless all are such.
    """
    seen = [p for p in parts if p.rms_rad_s is not None]
    if len(parts) == 1 or not seen:
        return parts[0]
    share = np.array(_known(p.slow_corner_s for p in seen))

    def mean_square(x: Iterable[float | None]) -> float:
        return float(np.sqrt(np.average(np.square(_known(x)), weights=share)))

    return replace(
        seen[0],
        slow_corner_s=float(share.sum()),
        rms_rad_s=mean_square(p.rms_rad_s for p in seen),
        background_rad_s=mean_square(p.background_rad_s for p in seen),
        chatter_s=float(sum(_known(p.chatter_s for p in seen))),
        events=sum(p.events or 0 for p in seen),
    )


def _known(values: Iterable[float | None]) -> list[float]:
    return [v for v in values if v is not None]


def _tremble(rear: RearAxle) -> _Tremble | str:
    """What trembles, or why it cannot be seen."""
    signals = rear.signals
    rate = signals.rate_hz
    high = HIGHEST_SHARE * rate
    if np.log2(high / LOWEST_HZ) < LEAST_OCTAVES:
        return (
            f"the log has {rate:.0f} Hz; stick-slip of a driveline lies above {LOWEST_HZ:.0f} Hz and needs at least "
            f"{LOWEST_HZ * 2**LEAST_OCTAVES / HIGHEST_SHARE:.0f} Hz to be seen"
        )
    wheels = signals.wheel_speed_m_s
    straight = signals.valid & ~signals.braking & (np.abs(signals.lat_m_s2) < 1.0) & (signals.speed_m_s > 8.0)
    if straight.sum() < LEAST_STRAIGHT_S * rate:
        return "the log has too little straight driving to know the logger's own tremble"
    by_speed = np.argsort(signals.speed_m_s[straight])
    difference = wheels[:, 2] - wheels[:, 3]
    amplitude = _amplitude(difference, rate, high)
    background = _background(amplitude, signals.speed_m_s, straight, by_speed)
    front_ratio = None
    if np.isfinite(wheels[:, :2]).all():
        front = _amplitude(wheels[:, 0] - wheels[:, 1], rate, high)
        front_ratio = front / _background(front, signals.speed_m_s, straight, by_speed)
    radius = rear.car.rear_rolling_radius_m
    slow = rear.cornering & (signals.speed_m_s < SLOW_M_S) & ~rear.axle.braked
    slowly = low_pass(difference / radius, cutoff_hz=LOWEST_HZ / 2, rate_hz=rate)
    swings = np.abs(np.gradient(slowly)) * rate > FASTEST_CHANGE_RAD_S2
    slow &= ~windows.widened(swings, max(1, round(WINDOW_S * rate / 2)))
    return _Tremble(amplitude / radius, background / radius, front_ratio, slow, high)


def _amplitude(values: FloatArray, rate_hz: float, high_hz: float) -> FloatArray:
    """(n,) root mean square within the band over a sliding window, of the quieter of its halves.

    A gear change, a lock-up or a kerb shakes the wheels once and is in one half only; what sticks and slips goes on.
    """
    within = both_ways(band_pass_sections(4, LOWEST_HZ, high_hz, rate_hz), values)
    half = max(3, round(WINDOW_S / 2 * rate_hz))
    mean = windows.mean(within**2, half)
    apart = np.pad(mean, half // 2, mode="edge")
    quieter = np.minimum(apart[: len(mean)], apart[len(apart) - len(mean) :])
    level: FloatArray = np.sqrt(np.maximum(quieter, 0.0))  # a running sum leaves rounding below zero
    return level


def _background(amplitude: FloatArray, speed_m_s: FloatArray, straight: BoolArray, by_speed: IntArray) -> FloatArray:
    """(n,) tremble of the logger at each speed: square a^2 + (b v)^2, through medians over speed on straights, whose
    samples `by_speed` puts in order.

    Notes
    -----
    A step of the channel or the timer trembles alike at all speeds, an uneven tooth ring in proportion to the speed.
    """
    speed, square = speed_m_s[straight], amplitude[straight] ** 2
    order = np.array_split(by_speed, SPEED_BINS)
    at = np.array([np.median(speed[k]) for k in order])
    level = np.array([np.median(square[k]) for k in order])
    slope, constant = 0.0, float(np.median(level))
    if np.ptp(at) > LEAST_SPREAD_M_S:
        fitted = np.polynomial.polynomial.polyfit(at**2, level, 1)
        if fitted[1] > 0:
            constant, slope = fitted
    return np.sqrt(max(constant, 0.1 * float(level.min()), 1e-10) + slope * speed_m_s**2)


def _events(signals: Signals, seen: _Tremble) -> list[tuple[int, int]]:
    ratio = seen.rear / np.maximum(seen.rear_background, LEAST_RAD_S / 2)
    alone = np.ones(len(ratio), bool) if seen.front_ratio is None else ratio > BEYOND_FRONT * seen.front_ratio
    return events(
        begins=seen.slow & alone & (ratio > 1 + TREMBLES * seen.scatter),
        goes_on=seen.slow & alone & (ratio > 1 + STILL_TREMBLES * seen.scatter),
        rate_hz=signals.rate_hz,
        least_s=LEAST_S,
    )


def _finding(signals: Signals, corners: Sequence[Corner], seen: _Tremble, start: int, stop: int) -> Finding:
    window = slice(start, stop)
    rms = float(np.sqrt(np.mean(seen.rear[window] ** 2)))
    background = float(seen.rear_background[window].mean())
    wheels = signals.wheel_speed_m_s[window]
    duration = (stop - start) / signals.rate_hz
    evidence = Trembling(
        phase=phase_at(corners, start, stop),
        duration_s=duration,
        rms_rad_s=rms,
        background_rad_s=background,
        times_background=rms / max(background, 1e-6),
        frequency_Hz=_peak_frequency(wheels[:, 2] - wheels[:, 3], signals.rate_hz, seen.high_Hz),
        band_low_Hz=LOWEST_HZ,
        band_high_Hz=seen.high_Hz,
        speed_m_s=float(signals.speed_m_s[window].mean()),
    )
    sure = confidence(above(rms / max(background, 1e-6) - 1 - 2 * seen.scatter, seen.scatter), lasting(duration))
    return placed(evidence, signals, corners, start, stop, severity="note", confidence=sure)


def _peak_frequency(values: FloatArray, rate_hz: float, high_hz: float) -> float:
    """Where the spectrum of `values` without their straight line peaks in the band (Hann's window)."""
    count, at = max(len(values), 64), np.arange(len(values))
    line = np.polynomial.polynomial.polyfit(at, values, 1)
    rest = (values - np.polynomial.polynomial.polyval(at, line)) * np.sin(np.pi * at / len(values)) ** 2
    frequency, amplitude = np.fft.rfftfreq(count, 1 / rate_hz), np.abs(np.fft.rfft(rest, count))
    band = (frequency >= LOWEST_HZ) & (frequency <= high_hz)
    return float(frequency[band][np.argmax(amplitude[band])])
