"""Does the lock fade or grow within a run: preload and slopes early against late, every corner against itself.

Tyre, car and sensors are held at the session's fit, so what they have wrong is the same early and late. Each corner
pass gives up to two rows, coast and drive: means of steady slipping samples. In row r of corner c, at time t,

    M_r = a_c + s_d H_d + s_c H_c + g t f_r            f: the session's curve, H: its hinges past the hold-offs

g is the relative change of the whole curve, what fading friction does to it. For preload and slopes apart the last term
is t (m + d H_d + k H_c). Least squares with Huber weights; rows of one pass go together in the covariance.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.special import stdtrit

from analyzer.agreement.steady_samples import SteadySamples
from analyzer.arrays import FloatArray, IntArray
from analyzer.lockcurve import model
from analyzer.lockcurve.estimate import Interval, LockCurveEstimate
from analyzer.phases.phases import Corner, Laps
from analyzer.robust import by_huber, regression
from analyzer.signals.session import Signals

TEN_MINUTES_S = 600.0
LEAST_ROW_S = 0.15
LEAST_ROWS = 12  # rows beyond what the corners themselves take: fewer leave the scatter unknown
LEAST_SPAN_S = 120.0
MOST_WINDOWS = 8
LEAST_SCATTER_Nm = 1.0  # of rows: less is chance
# a run whose whole curve surely changes by less is steady; bench readings repeat no better (common practice, no source)
STEADY_SHARE = 0.15
LEAST_SHARE = 0.04  # a smaller change over the run is of no use to anyone, however sure
LEAST_LEVEL_Nm = 1.0  # shares are of this where there is no lock
# A share says nothing when it is known no better than this to either side, nor when it is more than twice this: a lock
# that comes from nothing, or goes to nothing, changes by twice its mean.
MOST_SHARE = 1.0
# tyres that wear or warm within the run move the split by about this over it (one standard deviation)
TYRE_DRIFT_SHARE = 0.02
# tyres that come from cold grow stiffer, and the split then reads up to a third more lock, which no channel of a log
# tells from plates that grow (a quarter was measured where only the tyres warmed up); so a rise must be more than that
WARMING_SHARE = 0.4
PARAMETERS = ("preload_Nm", "drive_slope", "coast_slope")
SLOPES = [model.NAMES.index(name) for name in PARAMETERS[1:]]


@dataclass(frozen=True)
class Window:
    """Lock over a stretch of the run, relative to the session's curve (1 is as the session), 95 %."""

    start_s: float
    end_s: float
    laps: str
    level: float
    lower: float
    upper: float


@dataclass(frozen=True)
class LockTrend:
    """Change of the lock within a run.

    Attributes
    ----------
    verdict : `fading`, `rising`, `steady` or `cannot_tell`.
    relative_per_10_min : change of the whole curve over its session's level per 10 minutes; None values with a reason.
    span_s : time between the first and the last row (s).
    parameters_per_10_min : preload (N.m) and slopes per 10 minutes.
    early, late : parameter -> session's value with half of its change over the run taken off or added.
    windows : the level by stretch, in time order.
    """

    verdict: str
    relative_per_10_min: Interval
    span_s: float
    parameters_per_10_min: dict[str, Interval]
    early: dict[str, float | None]
    late: dict[str, float | None]
    windows: tuple[Window, ...]


@dataclass(frozen=True)
class _Rows:
    """Means of samples by corner pass and side. Arrays (m,)."""

    time_s: FloatArray
    locking_Nm: FloatArray
    level_Nm: FloatArray
    hinges_Nm: FloatArray  # (m, 2) drive, coast
    corner: IntArray
    corner_pass: IntArray
    weight: FloatArray


def lock_trend(
    signals: Signals, corners: Sequence[Corner], laps: Laps, samples: SteadySamples, estimate: LockCurveEstimate
) -> LockTrend:
    """Trend of the lock over the session.

    Parameters
    ----------
    corners : every pass of the session, as `samples.corner_pass` counts them.
    laps : for the laps that each window names.
    samples : steady slipping samples of the whole session.
    estimate : the session's curve, which changes are relative to; not the anchored one.

    Returns
    -------
    LockTrend : verdict `cannot_tell`, with the reason, where too little was seen.
    """
    rows = _rows(corners, samples, estimate)
    if isinstance(rows, str):
        return _cannot(rows)
    base = _base(rows)
    span = float(np.ptp(rows.time_s))
    if span < LEAST_SPAN_S:
        return _cannot(f"the plates were seen slipping over {span:.0f} s only; a trend needs {LEAST_SPAN_S:.0f} s")
    if len(rows.time_s) - base.shape[1] < LEAST_ROWS:
        return _cannot("the plates slipped steadily in too few corner passes")
    tens = (rows.time_s - rows.time_s.mean()) / TEN_MINUTES_S
    per_run = TEN_MINUTES_S / span
    (whole,) = _changes(rows, base, (tens * rows.level_Nm)[:, None], extra_sd=np.array([TYRE_DRIFT_SHARE * per_run]))
    if max(whole.value - whole.lower, abs(whole.value) / 2) * span / TEN_MINUTES_S > MOST_SHARE:
        level = float(np.average(rows.level_Nm, weights=rows.weight))
        size = f"{level:.0f} N.m" if level > LEAST_LEVEL_Nm else f"{LEAST_LEVEL_Nm:.0f} N.m or less"
        return _cannot(
            f"from pass to pass the locking torque scatters by more than it is, {size} in the mean where the plates "
            "slipped"
        )
    apart = _by_parameter(rows, base, tens, estimate, per_run)
    half = span / TEN_MINUTES_S / 2

    def end(name: str, sign: float) -> float | None:
        value, change = estimate.parameters[name].value, apart[name].value
        return None if value is None or change is None else max(float(value + sign * half * change), 0.0)

    early, late = ({name: end(name, sign) for name in PARAMETERS} for sign in (-1, 1))
    return LockTrend(
        verdict=_verdict(whole, span),
        relative_per_10_min=whole.interval,
        span_s=span,
        parameters_per_10_min=apart,
        early=early,
        late=late,
        windows=_windows(signals, laps, rows, base),
    )


def _cannot(reason: str) -> LockTrend:
    nothing = Interval(None, None, None, reason)
    none = dict.fromkeys(PARAMETERS)
    return LockTrend("cannot_tell", nothing, 0.0, dict.fromkeys(PARAMETERS, nothing), none, none, ())


def _rows(corners: Sequence[Corner], samples: SteadySamples, estimate: LockCurveEstimate) -> _Rows | str:
    values = [estimate.parameters[name].value for name in model.NAMES]
    if values[0] is None and values[1] is None:
        return "the log measures no lock curve that could change"
    curve = np.array([v or 0.0 for v in values])
    torque = samples.input_torque_Nm
    level = np.maximum(model.locking_torque_Nm(curve, torque), LEAST_LEVEL_Nm)
    hinges = model.gradient(curve, torque)[0][SLOPES]
    key = 2 * samples.corner_pass + (torque > 0)
    found, inverse, counts = np.unique(key, return_inverse=True, return_counts=True)

    def mean(x: FloatArray) -> FloatArray:
        return np.bincount(inverse, weights=x) / counts

    keep = counts >= LEAST_ROW_S * samples.rate_hz
    if not keep.any():
        return "the plates never slipped steadily"
    numbers = np.array([c.number for c in corners])
    corner_pass = found // 2
    return _Rows(
        time_s=mean(samples.time_s)[keep],
        locking_Nm=mean(samples.locking_torque_Nm)[keep],
        level_Nm=mean(level)[keep],
        hinges_Nm=np.column_stack([mean(h) for h in hinges])[keep],
        corner=(2 * numbers[corner_pass] + found % 2)[keep],
        corner_pass=corner_pass[keep],
        # a long row is surer, but not in proportion: its samples share the pass's own error
        weight=np.sqrt(np.minimum(counts / samples.rate_hz, 1.0))[keep],
    )


def _base(rows: _Rows) -> FloatArray:
    """Columns of what does not change: a level for each corner and side seen three times or more, one for the rest,
    and the session's slopes."""
    numbers, counts = np.unique(rows.corner, return_counts=True)
    own = [rows.corner == n for n in numbers[counts >= 3]]
    rest = ~np.isin(rows.corner, numbers[counts >= 3])
    columns = [*own, *([rest] if rest.any() else [])]
    slopes = [h for h in rows.hinges_Nm.T if np.ptp(h) > 0]
    return np.column_stack([*columns, *slopes]).astype(float)


@dataclass(frozen=True)
class _Change:
    """A change with its 95 % interval, all three known."""

    value: float
    lower: float
    upper: float

    @property
    def interval(self) -> Interval:
        return Interval(self.value, self.lower, self.upper)


def _changes(rows: _Rows, base: FloatArray, moving: FloatArray, *, extra_sd: FloatArray) -> list[_Change]:
    """Coefficients of `moving` (m, k) beside `base`, each with its 95 % interval."""
    value, sd, freedom = _fit(rows, base, moving)
    wide = stdtrit(freedom, 0.975) * np.hypot(sd, extra_sd)
    return [_Change(float(v), float(v - w), float(v + w)) for v, w in zip(value, wide, strict=True)]


def _fit(rows: _Rows, base: FloatArray, moving: FloatArray) -> tuple[FloatArray, FloatArray, int]:
    """Values, standard deviations and degrees of freedom of the moving part."""
    design = np.column_stack([base, moving])
    found = regression(design, rows.locking_Nm, pull=by_huber, least=LEAST_SCATTER_Nm, weight=rows.weight)
    inverse = np.linalg.pinv(found.information)
    _, which = np.unique(rows.corner_pass, return_inverse=True)
    scores = np.zeros((which.max() + 1, design.shape[1]))
    np.add.at(scores, which, design * (found.weight * found.residual)[:, None])
    freedom = max(len(scores) - int(np.linalg.matrix_rank(design)), 1)
    covariance = inverse @ (scores.T @ scores) @ inverse * len(scores) / freedom
    k = moving.shape[1]
    deviation: FloatArray = np.sqrt(np.maximum(np.diag(covariance)[-k:], 0.0))
    return found.coefficients[-k:], deviation, freedom


def _by_parameter(
    rows: _Rows, base: FloatArray, tens: FloatArray, estimate: LockCurveEstimate, per_run: float
) -> dict[str, Interval]:
    """Change per 10 minutes of preload and slopes, those that the log measures."""
    columns = {
        "preload_Nm": tens,
        "drive_slope": tens * rows.hinges_Nm[:, 0],
        "coast_slope": tens * rows.hinges_Nm[:, 1],
    }
    fitted = {name: estimate.parameters[name].value for name in columns}
    kept = {
        name: value
        for name, value in fitted.items()
        if value is not None and np.count_nonzero(columns[name]) >= LEAST_ROWS / 2
    }
    found = dict.fromkeys(PARAMETERS, Interval(None, None, None, "the log does not measure it often enough"))
    if not kept:
        return found
    moving, values = np.column_stack([columns[name] for name in kept]), np.array(list(kept.values()))
    changes = _changes(rows, base, moving, extra_sd=TYRE_DRIFT_SHARE * per_run * np.abs(values))
    for (name, value), change in zip(kept.items(), changes, strict=True):
        told = (change.upper - change.lower) / 2 <= abs(value) * per_run
        untold = Interval(None, None, None, "the torques seen do not tell its change from the others'")
        found[name] = change.interval if told else untold
    return found


def _windows(signals: Signals, laps: Laps, rows: _Rows, base: FloatArray) -> tuple[Window, ...]:
    """Level by groups of laps, or by equal stretches where there are none."""
    stretches = _stretches(signals, laps, rows)
    inside = [(rows.time_s >= a) & (rows.time_s < b) for a, b, _ in stretches]
    stretches = [s for s, i in zip(stretches, inside, strict=True) if i.sum() >= 2]
    inside = [i for i in inside if i.sum() >= 2]
    if len(inside) < 2:
        return ()
    # relative to the run's mean: the last window's departure is minus the sum of the others', so each in turn is asked
    found = []
    for (start, end, words), here in zip(stretches, inside, strict=True):
        share = rows.weight[here].sum() / rows.weight.sum()
        against_rest = np.where(here, 1.0, 0.0) - share
        value, sd, freedom = _fit(rows, base, (against_rest * rows.level_Nm)[:, None])
        value, wide = value[0] * (1 - share), stdtrit(freedom, 0.975) * sd[0] * (1 - share)
        found.append(Window(start, end, words, float(1 + value), float(1 + value - wide), float(1 + value + wide)))
    return tuple(found)


def _stretches(signals: Signals, laps: Laps, rows: _Rows) -> list[tuple[float, float, str]]:
    if len(laps.bounds) >= 3:
        groups = np.array_split(np.arange(len(laps.bounds)), min(MOST_WINDOWS, len(laps.bounds)))
        last = len(signals.time_s) - 1
        return [
            (
                float(signals.time_s[laps.bounds[g[0]][0]]),
                float(signals.time_s[min(laps.bounds[g[-1]][1], last)]),
                f"lap {g[0] + 1}" if len(g) == 1 else f"laps {g[0] + 1} to {g[-1] + 1}",
            )
            for g in groups
        ]
    edges = np.linspace(rows.time_s.min(), rows.time_s.max() + 1e-3, 5)
    return [(float(a), float(b), f"{a:.0f} to {b:.0f} s") for a, b in pairwise(edges)]


def _verdict(whole: _Change, span_s: float) -> str:
    over_run = span_s / TEN_MINUTES_S
    if whole.upper < 0 and -whole.value * over_run > LEAST_SHARE:
        return "fading"
    if whole.lower > 0 and whole.value * over_run > WARMING_SHARE:
        return "rising"
    most = max(abs(whole.lower), abs(whole.upper)) * over_run
    return "steady" if most < STEADY_SHARE else "cannot_tell"
