"""What a column says of itself: noise of its own, and a range that it does not sit at the end of."""

from dataclasses import dataclass
from itertools import combinations

import numpy as np

from analyzer.channels import CHANNELS, WHEEL_CHANNELS
from analyzer.logs.recording import Recording
from analyzer.signals.pair_fit import PairTest, View, limited

OWN_SENSORS = "have sensors of their own"
NOISE_TURNS = -0.3
NOISE_ROWS = 100  # in a stretch
# of the noise of two sensors; of rough roads and gear shifts slower logs hold more (0.13 at 50 Hz, 0.34 at 25 Hz)
MOST_SHARED, MOST_SHARED_SLOW, FAST_HZ = 0.3, 0.5, 45.0
NOISE_RATE_HZ = 20.0  # slower, what a car does in three rows is more than its sensors' noise
LATEST_COPY_S = 0.3
MOST_AT_ITS_END = 0.03  # of the driving; a steering stop is met in a spin or a hairpin, for a moment


def at_the_end(recording: Recording, view: View) -> list[PairTest]:
    """A steering angle that the logger cut off reads as a stop of the steering; no car drives against that for long."""
    name = "steer at the end of its range"
    ends = [a for a in recording.annotations if a.code == "clipped" and a.channel == "steer"]
    seconds = sum(a.end_s - a.start_s for a in ends if a.start_s is not None and a.end_s is not None)
    share = seconds / max(view.seconds_moving, 1.0)
    return [limited(name, ("steer",), share, 0.0, (None, MOST_AT_ITS_END), "1", "share of driving")]


def copies(recording: Recording, view: View) -> list[PairTest]:
    """One sensor behind two columns: each sensor has noise of its own."""
    found: list[PairTest] = []
    moving = np.interp(recording.time_s, view.time, view.moving.astype(float)) > 0.9
    names = [name for name in (*WHEEL_CHANNELS, "gps_speed") if name in recording.channels]
    noise = {name: np.diff(recording.channels[name], n=3) for name in names}
    latest = round(LATEST_COPY_S / float(np.median(np.diff(recording.time_s))))
    use = moving[:-3] & np.all([np.isfinite(x) for x in noise.values()], axis=0)
    rate = 1 / float(np.median(np.diff(recording.time_s)))
    if use.sum() < 5 * NOISE_ROWS or rate < NOISE_RATE_HZ:
        return []
    for name, values in noise.items():
        scale = 1.4826 * np.median(np.abs(values[use])) + 1e-12
        noise[name] = np.where(use, np.clip(values, -4 * scale, 4 * scale), 0.0)
    # third differences of noise turn over from row to row (white: -15/20), of smooth lines not
    noisy = [_Noise.of(name, x) for name, x in noise.items() if np.dot(x[1:], x[:-1]) < NOISE_TURNS * np.dot(x, x)]
    for x, y in combinations(noisy, 2):
        a, b = x.name, y.name
        # a copy may come some samples later
        later = [_usual_correlation(x, y, lag) for lag in range(latest + 1)]
        together = max(*later, *(_usual_correlation(y, x, lag) for lag in range(1, latest + 1)))
        holds = {"front_wheels" if w[-2] == "f" else "rear_wheels" if w[-2] == "r" else "gps_speed" for w in (a, b)}
        words = f"{CHANNELS[a].label} and {CHANNELS[b].label} {OWN_SENSORS}"
        found.append(
            limited(
                words,
                sorted(holds),
                together,
                0.0,
                (None, MOST_SHARED if rate >= FAST_HZ else MOST_SHARED_SLOW),
                "1",
                "correlation of their noise",
            )
        )
    return found


@dataclass(frozen=True)
class _Noise:
    """A column's noise (n,), and the sum (n + 1,) of its squares up to each row: a stretch is a difference of two."""

    name: str
    values: np.ndarray
    squares: np.ndarray

    @classmethod
    def of(cls, name: str, values: np.ndarray) -> "_Noise":
        return cls(name, values, np.concatenate([np.zeros(1), np.cumsum(values**2)]))

    def power(self, starts: np.ndarray) -> np.ndarray:
        """(k,) sum of squares of the stretches from rows `starts` (k,)."""
        return self.squares[starts + NOISE_ROWS] - self.squares[starts]


def _usual_correlation(x: _Noise, y: _Noise, lag: int) -> float:
    """Correlation of two columns of noise, x `lag` rows later, 0 or more: the middle one of many short stretches, for
    a kerb or a gear shift moves all wheels at once."""
    starts = np.arange((len(x.values) - lag) // NOISE_ROWS) * NOISE_ROWS
    whole = len(starts) * NOISE_ROWS
    product = np.vecdot(x.values[lag : lag + whole].reshape(-1, NOISE_ROWS), y.values[:whole].reshape(-1, NOISE_ROWS))
    power = np.sqrt(x.power(starts + lag) * y.power(starts))
    known = power > 0
    return abs(float(np.median(product[known] / power[known]))) if known.any() else 0.0
